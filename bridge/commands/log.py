"""``clearwell log``: what happened, out of the log, in the terminal."""

import json
import shutil
import signal
import textwrap
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.log_file import (
    check_reservoirs,
    chosen,
    closed_pipe_is_an_end,
    reading,
    which_log,
    which_time,
)

if TYPE_CHECKING:
    from bridge.commands.shared.configuration import Shown
    from bridge.history.records import EntryRow, Kind, Stamp

KINDS = ("event", "alarm", "command", "cartridge", "calibration", "sample", "litres", "fill", "forecast")
FOLLOW_EVERY_S = 0.5
LATE_MS = 60_000
"""An event reaches the file seconds after its time; a minute is looked back on."""
_WIDEST = 100


@click.command("log")
@which_log
@which_time
@click.option(
    "--kind",
    "kinds",
    multiple=True,
    type=click.Choice(KINDS),
    help="Only this kind; may be given several times.",
)
@click.option("--reservoir", metavar="R", help="Only what concerns this reservoir.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object for each entry.")
@click.option("--follow", is_flag=True, help="Go on with what happens, until interrupted.")
def command(
    log_file: Path | None,
    config: Path | None,
    since: str | None,
    until: str | None,
    kinds: tuple[str, ...],
    reservoir: str | None,
    as_json: bool,
    follow: bool,
) -> None:
    """Read events, alarms, commands, cartridges, calibrations, samples and fills, the oldest first.

    T is a day such as 2026-06-01, a time such as 2026-06-01T14:30 or 2026-06-01T14:30+02:00 (UTC without an
    offset), or how long ago: 90m, 12h, 7d, 2w.

    With --log, times in the output are UTC. With --config they are local, with their offset from UTC, and
    quantities are in the units of its table [display]. With --json all is as recorded, in UTC.
    """
    if follow and until is not None:
        raise click.UsageError("--follow has no end, and --to is one: leave one of them out.")
    from bridge.commands.shared.configuration import shown_by
    from bridge.commands.shared.span import span_of
    from bridge.history.records import Kind
    from bridge.history.views import utc_text

    path = chosen(log_file, config)
    wanted = tuple(Kind(kind) for kind in dict.fromkeys(kinds))
    show = _json_line
    if not as_json:
        shown = None if config is None else shown_by(config)

        def show(row: "EntryRow") -> str:
            return _lines(row, shown)

    with closed_pipe_is_an_end():
        with reading(path) as reader:
            held = reader.span_ms()
            start, end = span_of(since, until, held, round(1000 * time.time()))
            if reservoir is not None:
                check_reservoirs(reader, path, (reservoir,), entries=True)
            nothing = True
            if not follow:
                for row in reader.events(start, end, kinds=wanted, reservoir=reservoir):
                    click.echo(show(row))
                    nothing = False
        if follow:
            with _interrupted() as ended:
                for row in _following(path, start, wanted, reservoir, ended):
                    click.echo(show(row))
        elif nothing:
            span = f"from {utc_text(held[0])} to {utc_text(held[1])}"
            click.echo(f"clearwell: nothing of this in the range; the log goes {span}.", err=True)


@contextmanager
def _interrupted() -> Iterator[threading.Event]:
    """Being interrupted is how following ends: the first time at the next row, the second time at once.

    Not by catching KeyboardInterrupt: one that is raised while something is cleaned up goes lost.
    """
    ended = threading.Event()

    def end(*_: object) -> None:
        signal.signal(signal.SIGINT, before)
        ended.set()

    before = signal.signal(signal.SIGINT, end)
    try:
        yield ended
    except KeyboardInterrupt:
        return
    finally:
        signal.signal(signal.SIGINT, before)


def _following(
    path: Path, start: int, kinds: "tuple[Kind, ...]", reservoir: str | None, ended: threading.Event
) -> "Iterator[EntryRow]":
    """What is there from ``start`` on, then what comes, each entry once.

    The log is opened anew each time: a damaged one is set aside, and another one takes its name.
    """
    shown: set[Stamp] = set()
    while not ended.is_set():
        with reading(path) as reader:
            _, last = reader.span_ms()
            # A bound above every time there is: a clock that was set back has left entries in the future.
            for row in reader.events(start, last + 1, kinds=kinds, reservoir=reservoir):
                if ended.is_set():
                    return
                if row.stamp not in shown:
                    shown.add(row.stamp)
                    yield row
        start = max(start, last - LATE_MS)
        shown = {stamp for stamp in shown if stamp.utc_ms >= start}
        ended.wait(FOLLOW_EVERY_S)


def _lines(row: "EntryRow", shown: "Shown | None") -> str:
    """An entry for a terminal: the time, then the words, wrapped beside it."""
    from bridge.display.log_text import told
    from bridge.display.text import printable
    from bridge.history.records import KINDS as KIND_OF

    if shown is None:
        when = f"{datetime.fromtimestamp(row.stamp.utc_ms // 1000, UTC):%Y-%m-%d %H:%M:%S}"
        said = told(row)
    else:
        # With the offset, so that it is no riddle at the end of summer time, and can be typed after --from.
        when = shown.units.local(row.stamp.utc_ms // 1000).isoformat(" ")
        said = told(row, shown.units, shown.factors.get(row.reservoir))
    indent = len(when) + 2
    kind = KIND_OF[type(row)].value
    where = f"{printable(row.reservoir)}, " if row.reservoir else ""
    width = min(shutil.get_terminal_size((80, 24)).columns, _WIDEST)
    return textwrap.fill(
        f"{where}{kind}: {said}",
        width=max(width, indent + 20),
        initial_indent=f"{when}  ",
        subsequent_indent=" " * indent,
        break_on_hyphens=False,
    )


def _json_line(row: "EntryRow") -> str:
    from bridge.history.records import KINDS as KIND_OF
    from bridge.history.records import details
    from bridge.history.views import utc_text

    head = {
        "time": utc_text(row.stamp.utc_ms),
        "reservoir": row.reservoir,
        "kind": KIND_OF[type(row)].value,
    }
    return json.dumps({**head, **details(row)})
