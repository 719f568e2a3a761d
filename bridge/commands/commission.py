"""``clearwell commission``: the commissioning checklist, with the hardware attached."""

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.terminal import print_error, print_text
from bridge.errors import ClearwellError

if TYPE_CHECKING:
    from bridge.bench.commissioning import Checklist, Result
    from bridge.station.plan import StationPlan

CAUTIONS = """\
Caution. Low-voltage parts only; mains is for a licensed electrician. The hand valve before the fill valve
stays SHUT during all of this, with a second person at it: the valve will open. Mop and bucket at hand. Wire
the overflow float in series with the valve, and fit an overflow pipe to a drain, as the local plumbing code
asks.
"""
BY_HAND = (
    "Board held in reset, the valve switched by a wire, overflow float lifted: the float alone shuts the "
    "valve.",
    "Board without bridge, reset pressed three times: the valve's pin stays at 0 V.",
    "Valve open, 12 V pulled and put back: shut, and it stays shut.",
    "Hand valve opened, fill valve shut: no drop in ten minutes; all joints dry.",
    "Floats held down, hand valve fully open: the overflow pipe carries all the water there is.",
    "Air gap or backflow device as the local code asks.",
)
"""The tests of firmware_notes/commissioning.md that only a person can watch."""


@click.command("commission")
@click.option("--config", required=True, type=click.Path(path_type=Path), help="The daemon's configuration.")
@click.option("--reservoir", metavar="ID", help="Which reservoir's controller, where there are several.")
@click.option(
    "--record", type=click.Path(path_type=Path, dir_okay=False), help="Also write the record to this file."
)
def command(config: Path, reservoir: str | None, record: Path | None) -> None:
    """Walk the commissioning checklist with the hardware attached, and print a record to be signed.

    Each float is lifted, the valve opens for a second, the overflow float shuts it, and the bridge stops
    sending while the valve is open. A person confirms each step, so there is no option to skip the questions.
    The daemon must not be running. The exit status is 0 only if every test passed.
    """
    from bridge.bench import Bench
    from bridge.bench.commissioning import Checklist, Verdict
    from bridge.commands.shared.configuration import configuration_in_use, station_of

    station = station_of(configuration_in_use(config).plan.stations, reservoir)
    print_text(CAUTIONS)
    if not click.confirm("Is the hand valve shut, and is somebody beside it?", default=False):
        raise ClearwellError("commission: not started; shut the hand valve, and start again")
    results: list[Result] = []
    with Bench(station) as bench:
        checklist = Checklist(bench, station, _ask)
        for result in checklist.results():
            results.append(result)
            print_text(
                f"  {result.verdict.value}: {result.test}{': ' if result.observed else ''}{result.observed}\n"
            )
    by_hand = [(what, click.confirm(f"By hand: {what} Done, and passed?", default=False)) for what in BY_HAND]
    signed = click.prompt("Your name, for the record", default="", show_default=False)
    text = _record(station, checklist, results, by_hand, signed)
    print_text(f"\n{text}")
    if record is not None:
        record.write_text(text, encoding="utf-8")
    passed = all(result.verdict in (Verdict.PASSED, Verdict.NOT_FITTED) for result in results)
    if not (passed and all(done for _, done in by_hand)):
        print_error("Not everything passed: the hand valve stays shut.")
        sys.exit(1)


def _ask(what: str) -> bool:
    return click.confirm(f"{what} Ready?" if not what.endswith("?") else what, default=True)


def _record(
    station: "StationPlan",
    checklist: "Checklist",
    results: "list[Result]",
    by_hand: list[tuple[str, bool]],
    signed: str,
) -> str:
    """Returns the record as text for a printer."""
    hello = checklist.hello
    board = "unknown" if hello is None else f"{hello.identity} {hello.firmware}"
    lines = [
        "COMMISSIONING RECORD",
        f"Reservoir   {station.identity.name} ({station.identity.reservoir})",
        f"Controller  {board} at {station.port}",
        f"Date        {datetime.now().astimezone():%Y-%m-%d %H:%M %z}",
        "",
        "Watched by the bridge",
    ]
    for result in results:
        lines.append(f"  [{result.verdict.value:^10}] {result.test}")
        if result.observed:
            lines.append(f"               {result.observed}")
    lines += ["", "Watched by hand"]
    lines += [f"  [{'passed' if done else 'NOT DONE':^10}] {what}" for what, done in by_hand]
    lines += [
        "",
        "No test here shows that the water is safe to drink, or that the plumbing is to code.",
        "",
        f"Done by {signed or '______________________'}    Signature ______________________",
        "",
    ]
    return "\n".join(lines)
