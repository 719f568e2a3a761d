"""The measured programs as processes: mosquitto, the bridge and the script."""

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.brokers import free_port

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PATIENCE_S = 10.0
HOST = "127.0.0.1"


class Program:
    """A process whose CPU time and memory can be read."""

    def __init__(self, *arguments: str | Path, cores: set[int] | None = None) -> None:
        def pin() -> None:
            if cores is not None:
                os.sched_setaffinity(0, cores)

        self.began = time.perf_counter()
        self._process = subprocess.Popen(
            [sys.executable, *map(str, arguments)],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            preexec_fn=pin,
        )
        self.pid = self._process.pid

    @property
    def cpu_s(self) -> float:
        """Returns the CPU time of all threads so far, by the process's CPU clock (clock_gettime(2))."""
        return time.clock_gettime((~self.pid) << 3 | 2)

    def memory_mib(self, field: str = "VmRSS") -> float:
        """Returns a line of /proc/PID/status, in MiB."""
        for line in Path(f"/proc/{self.pid}/status").read_text().splitlines():
            if line.startswith(f"{field}:"):
                return int(line.split()[1]) / 1024.0
        raise RuntimeError(f"the process {self.pid} is gone: {self.said()}")

    def alive(self) -> bool:
        return self._process.poll() is None

    def said(self) -> str:
        """Returns the last lines of an ended program's error output."""
        assert self._process.stderr is not None
        return self._process.stderr.read().decode()[-800:]

    def stop(self) -> None:
        self._process.send_signal(signal.SIGTERM)
        try:
            self._process.communicate(timeout=PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.communicate()


@contextmanager
def program(*arguments: str | Path, cores: set[int] | None = None) -> Iterator[Program]:
    """Starts a program, and ends it with the context."""
    one = Program(*arguments, cores=cores)
    try:
        yield one
    finally:
        one.stop()


class Broker:
    """The installed mosquitto. It can be stopped and restarted on the same port."""

    def __init__(self, directory: Path) -> None:
        self.port = free_port()
        self._file = directory / "mosquitto.conf"
        # Otherwise the broker's TCP can delay a message by 40 ms, which belongs to neither measured program.
        lines = ("user root", f"listener {self.port} {HOST}", "allow_anonymous true", "set_tcp_nodelay true")
        self._file.write_text("\n".join(lines) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        found = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
        if found is None:
            raise SystemExit("The benchmark needs mosquitto: install Debian's package 'mosquitto'.")
        self._process = subprocess.Popen(
            [found, "-c", str(self._file)], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL
        )
        assert self._process.stderr is not None
        while b" running" not in (said := self._process.stderr.readline()):
            if not said:
                raise SystemExit("mosquitto ended at its start.")

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None


def script(path: str, broker: Broker, cores: set[int] | None = None) -> Program:
    """Starts the script on one line."""
    return Program(HERE / "script.py", path, HOST, str(broker.port), cores=cores)


def configuration(
    directory: Path,
    ports: Sequence[str],
    broker: Broker | None,
    extra: str = "",
    guard: str = "",
    bridge_id: str = "bench",
) -> Path:
    """Writes a configuration with log, roll-ups, outbox, Homie and forecast; one reservoir for each port.

    The bounds of a fill are high, so that a fill does not end. The waits are short, so that a fill begins at
    once. Two bridges at one broker need two ids.
    """
    hub = "" if broker is None else f'[hub]\nhost = "{HOST}"\nport = {broker.port}\n'
    text = f'[bridge]\nid = "{bridge_id}"\n{hub}\n[log]\npath = "{directory / "log.db"}"\n{extra}\n'
    for number, port in enumerate(ports):
        text += _RESERVOIR.format(name=f"barrel-{number}", port=port, guard=guard or SHORT_WAITS)
    file = directory / "bench.toml"
    file.write_text(text)
    return file


SHORT_WAITS = "pause_s = 0.01\nrinse_min_s = 0.005\nin_spec_s = 0.005\npersistence_s = 60"

_RESERVOIR = """
[reservoir.{name}]
port = "{port}"
factor = 0.5
assumed_ppm = 8
[reservoir.{name}.shape]
kind = "upright-cylinder"
diameter_m = 0.58
height_m = 0.76
[reservoir.{name}.level]
overflow_return_s = 0.0
refill_fraction = 0.85
fill_fraction = 0.95
[reservoir.{name}.level.sensor]
table = [[0.05, 0.04], [0.27, 0.21], [0.50, 0.39], [0.73, 0.57], [0.95, 0.74]]
step_m = 0.010
[reservoir.{name}.product]
cell_constant_per_cm = 0.1
[reservoir.{name}.feed]
cell_constant_per_cm = 1.0
[reservoir.{name}.purifier]
litres_per_pulse = 0.00222
# A reading is one second of the barrel's time at any rate of sending, so the water seems to flow faster.
flow_max_l_min = 600
[reservoir.{name}.cartridge]
kind = "exchange"
treats = "120000 l"
treats_of = "320 ppm"
[reservoir.{name}.guard]
excursions_max = 1000000
fill_max_s = 1e9
fill_max_l = 1e9
daily_max_l = 1e9
no_rise_after_s = 1e9
{guard}
"""


def bridge(config: Path, cores: set[int] | None = None, *, speed: float | None = None) -> Program:
    """Starts the bridge as ``clearwell run`` does. ``speed`` is the factor of its clocks."""
    if speed is None:
        return Program("-m", "bridge", "run", "--config", config, "--quiet", cores=cores)
    hurried = HERE / "hurried.py"
    return Program(hurried, str(speed), "run", "--config", config, "--quiet", cores=cores)
