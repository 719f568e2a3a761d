"""``python -m tests.benchmarks``: the bridge against the script, as a table and as JSON.

Linux only, since the program reads /proc and the CPU clocks of other processes. Run it on an idle machine.
The JSON has the load average.
"""

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

from tests.benchmarks import cases_latency, cases_room, cases_work  # noqa: E402
from tests.benchmarks.figures import Result  # noqa: E402
from tests.benchmarks.programs import Broker  # noqa: E402
from tests.benchmarks.stage import Stage  # noqa: E402

CASES: dict[str, Callable[[Stage], list[Result]]] = {
    "trip": cases_latency.trip,
    "cpu": cases_latency.cpu,
    "alarm": cases_latency.alarm,
    "sixteen": cases_latency.sixteen,
    "loaded": cases_latency.loaded,
    "start": cases_room.start,
    "many": cases_room.many,
    "memory": cases_room.memory,
    "week": cases_room.week,
    "disk": cases_room.disk,
    "history": cases_room.history,
    "simulate": cases_work.simulate,
    "forecast": cases_work.forecast,
}
QUICK = 0.12
LONG = ("memory",)
"""Not in a quick look: an hour of readings cannot be had in a moment."""
NAMED = ("week",)
"""Only when ``--only`` names it: it takes half an hour, as long as all others together."""


def measured(names: list[str], scale: float) -> tuple[list[Result], dict[str, object], Stage]:
    """Runs cases one after the other. Returns the results, the facts about the machine, and the stage."""
    results: list[Result] = []
    took: dict[str, float] = {}
    load = [os.getloadavg()]
    with tempfile.TemporaryDirectory(prefix="clearwell-bench-") as root:
        broker = Broker(Path(root))
        broker.start()
        stage = Stage(broker, Path(root), scale)
        try:
            for name in names:
                began = time.perf_counter()
                found = CASES[name](stage)
                took[name] = round(time.perf_counter() - began, 1)
                for one in found:
                    print(_line(one), flush=True)
                results += found
                load.append(os.getloadavg())
        finally:
            broker.stop()
    about: dict[str, object] = {
        "when": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "scale": scale,
        "python": platform.python_version(),
        "kernel": platform.release(),
        "machine": platform.machine(),
        "processor": _processor(),
        "cores": os.cpu_count(),
        "commit": _commit(),
        "load_average": load,
        "seconds": took,
    }
    return results, about, stage


def _line(one: Result) -> str:
    value = "-" if one.value is None else f"{one.value:.4g} {one.unit}"
    verdict = {None: "", True: "yes", False: "NO"}[one.met]
    spread = "" if one.spread is None else f"{one.spread[0]:.3g} to {one.spread[1]:.3g}"
    return f"{one.what:<58} {value:<20} {one.target:<17} {verdict:<4} {spread:<17} {one.note}"


def _processor() -> str:
    for line in Path("/proc/cpuinfo").read_text().splitlines():
        if line.lower().startswith(("model name", "model\t")):
            return line.split(":", 1)[1].strip()
    return platform.processor()


def _commit() -> str:
    done = subprocess.run(["git", "rev-parse", "--short", "HEAD"], cwd=ROOT, capture_output=True, text=True)
    return done.stdout.strip()


def main() -> int:
    """Reads the command line, measures and prints. The status is 0 for any figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument(
        "--only", action="append", choices=CASES, help="only this case; may come several times"
    )
    parser.add_argument("--quick", action="store_true", help="a look in two minutes; its figures are rough")
    parser.add_argument("--scale", type=float, help="so much of the usual spans and repeats")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write every figure to this file")
    parser.add_argument("--plot", type=Path, metavar="DIR", help="draw how costs grow into DIR/growth.png")
    given = parser.parse_args()
    scale = given.scale or (QUICK if given.quick else 1.0)
    print(f"{'what':<58} {'value':<20} {'target':<17} {'met':<4} {'spread':<17} behind it")
    left_out = NAMED + LONG if given.quick else NAMED
    results, about, stage = measured(given.only or [one for one in CASES if one not in left_out], scale)
    if given.json is not None:
        whole = {"about": about, "results": [asdict(one) for one in results], "growth": stage.series}
        given.json.write_text(json.dumps(whole, indent=1, ensure_ascii=False) + "\n")
    if given.plot is not None:
        from tests.benchmarks.plot import draw

        print(draw(stage.series, given.plot))
    return 0


if __name__ == "__main__":
    sys.exit(main())
