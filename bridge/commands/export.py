"""``clearwell export`` and ``calendar``: the log and the dates as files for other programs."""

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import click

from bridge.commands.shared.configuration import (
    Bar,
    check_reservoirs,
    chosen,
    closed_pipe_is_an_end,
    reading,
    which_log,
    which_time,
)
from bridge.commands.shared.terminal import check_out, print_error, print_text, written_whole
from bridge.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bridge.config.plan import BridgePlan
    from bridge.history.export import Wanted
    from bridge.history.reader import Reader
    from bridge.history.records import Series
    from bridge.trays.ahead import RoundDue
    from bridge.web.calendar import Prospect


STDOUT = Path("-")


@click.command("export")
@which_log
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Where to; - is the standard output."
)
@click.option(
    "--format", "form", required=True, type=click.Choice(["csv", "senml"]), help="CSV, or SenML as JSON."
)
@which_time
@click.option(
    "--grain",
    type=click.Choice(["raw", "minute", "hour"]),
    help="Every reading, or roll-ups with min, mean, max and count.  [default: minute]",
)
@click.option(
    "--reservoir", "reservoirs", multiple=True, metavar="R", help="Only this one; may be given several times."
)
@click.option(
    "--series", "names", multiple=True, metavar="S", help="Only this one; may be given several times."
)
@click.option("--events", is_flag=True, help="Events, alarms, commands and the like instead of readings.")
@click.option("--force", is_flag=True, help="Replace the file if it is there.")
def export(
    log_file: Path | None,
    config: Path | None,
    out: Path,
    form: str,
    since: str | None,
    until: str | None,
    grain: str | None,
    reservoirs: tuple[str, ...],
    names: tuple[str, ...],
    events: bool,
    force: bool,
) -> None:
    """Write the log as CSV (RFC 4180) or SenML (RFC 8428), also while the daemon writes it.

    T is a day such as 2026-06-01, a time such as 2026-06-01T14:30 or 2026-06-01T14:30+02:00 (UTC without an
    offset), or how long ago: 90m, 12h, 7d, 2w. Times in the output are UTC.

    S is conductance, temperature, conductivity-25, product-ppm, uncertainty, feed-ppm, volume, reservoir-ppm
    or throughput.

    Raw readings are kept for days, minutes and hours for years. The file appears under its name when it is
    whole.
    """
    if events and (grain is not None or names):
        raise click.UsageError("--events are neither readings nor rolled up: leave out --grain and --series.")
    from bridge.commands.shared.values import span_of
    from bridge.history.export import Grain, Wanted

    path = chosen(log_file, config)
    if out != STDOUT:
        check_out(out, path, force)
    chosen_series = _series(names)
    reservoirs = tuple(dict.fromkeys(reservoirs))
    with closed_pipe_is_an_end(), reading(path) as reader:
        held = reader.span_ms()
        start, end = span_of(since, until, held, round(1000 * time.time()))
        check_reservoirs(reader, path, reservoirs, entries=events)
        wanted = Wanted(start, end, Grain(grain or "minute"), reservoirs, chosen_series)
        bar = Bar("export", to_terminal=out == STDOUT and sys.stdout.isatty())
        with _opened(out) as sheet, bar:
            count = (
                _events(path, sheet, form, wanted, bar) if events else _rows(reader, sheet, form, wanted, bar)
            )
        _account(count, out, wanted, held, raw=wanted.grain is Grain.RAW and not events)


def _rows(reader: "Reader", out: TextIO, form: str, wanted: "Wanted", bar: Bar) -> int:
    from bridge.history.export import export_csv, export_senml

    return (export_csv if form == "csv" else export_senml)(reader, out, wanted, bar)


def _events(path: Path, out: TextIO, form: str, wanted: "Wanted", bar: Bar) -> int:
    from bridge.history.export import export_events_csv, export_events_senml
    from bridge.history.reader import NarrowedReader

    write = export_events_csv if form == "csv" else export_events_senml
    with NarrowedReader(path, wanted.reservoirs, bar) as reader:
        return write(reader, out, wanted.start, wanted.end)


def _series(names: tuple[str, ...]) -> "tuple[Series, ...]":
    from bridge.history.records import Series

    known = {one.name.lower().replace("_", "-"): one for one in Series}
    for name in names:
        if name not in known:
            raise InputError(f"--series {name}: there is no such series; there are {', '.join(known)}")
    return tuple(known[name] for name in dict.fromkeys(names)) or tuple(Series)


@contextmanager
def _opened(out: Path) -> Iterator[TextIO]:
    """Open the output: standard output, or a file that is never half an export."""
    if out == STDOUT:
        with open(sys.stdout.fileno(), "w", encoding="utf-8", newline="", closefd=False) as sheet:
            yield sheet
        return
    with written_whole(out) as part, part.open("w", encoding="utf-8", newline="") as sheet:
        yield sheet


def _account(count: int, out: Path, wanted: "Wanted", held: tuple[int, int], *, raw: bool) -> None:
    """Print what was written, unless the export itself went to the standard output."""
    from bridge.history.views import utc_text

    if count == 0:
        hint = " Raw readings are kept for days only; try --grain minute." if raw else ""
        span = f"from {utc_text(held[0])} to {utc_text(held[1])}"
        print_error(f"clearwell: nothing in this range; the log goes {span}.{hint}")
    elif out != STDOUT:
        print_text(f"{count} rows from {utc_text(wanted.start)} to {utc_text(wanted.end)} in {out}")


_SEARCHED = 2000
"""The alarms and forecasts that are searched, so that the work does not grow with the log."""


@click.command("calendar")
@click.argument("config", type=click.Path(path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="The new file; its name ends in .ics."
)
@click.option("--force", is_flag=True, help="Replace an existing file.")
def calendar(config: Path, out: Path, force: bool) -> None:
    """Write the dates of every reservoir as a calendar (RFC 5545).

    The dates: order a cartridge, the water may run out, calibrate a cell, test the overflow float, and with
    trays the watering rounds of a week and the next flush. They follow from the newest forecast in the log.
    The page serves the same as /calendar.ics, to subscribe to.
    """
    from importlib.util import find_spec

    from bridge.config.loading import load

    if out.suffix.lower() != ".ics":
        raise InputError(f"--out {out}: the name must end in .ics")
    if find_spec("icalendar") is None:
        raise InputError(
            "calendar: the library icalendar is not installed; pip install 'clearwell-bridge[page]' "
            "installs it"
        )
    from bridge.mqtt.topics import Layout
    from bridge.web.calendar import calendar_of

    plan = load(config, os.environ)
    log = None if plan.log is None else plan.log.path
    check_out(out, log or config, force)
    now_s = time.time()
    prospects = _prospects(plan, log, now_s)
    table = plan.page or plan.hub
    layout = Layout("clearwell", "Clearwell") if table is None else table.layout
    content = calendar_of(prospects, layout.bridge, layout.name, plan.display, now_s)
    with written_whole(out) as part:
        part.write_bytes(content)
    click.echo(f"{content.count(b'BEGIN:VEVENT')} dates in {out}")


def _prospects(plan: "BridgePlan", log: Path | None, now_s: float) -> "list[Prospect]":
    from contextlib import ExitStack

    from bridge.daemon.page_host import fittings_of
    from bridge.guard.model import Trip
    from bridge.history.reader import Reader
    from bridge.history.records import AlarmChange, AlarmRow, ForecastRow, Kind
    from bridge.watering.gather import garden_on
    from bridge.watering.weather import day_of, zone_of
    from bridge.web.calendar import Prospect

    found = []
    due: Mapping[str, RoundDue] = {}
    if plan.trays is not None and log is not None:
        due = garden_on(plan, log, day_of(int(now_s * 1000), zone_of(plan))).due
    with ExitStack() as stack:
        reader = stack.enter_context(Reader(log)) if log is not None and log.exists() else None
        before_ms = int(now_s * 1000) + 1
        for station in plan.stations:
            reservoir = station.identity.reservoir
            rows = (
                []
                if reader is None
                else reader.earlier(before_ms, [Kind.ALARM, Kind.FORECAST], reservoir, _SEARCHED)
            )
            forecasts = [row for row in rows if isinstance(row, ForecastRow)]
            newest = forecasts[-1] if forecasts else None
            floated = [
                row.stamp.utc_ms
                for row in rows
                if isinstance(row, AlarmRow)
                and row.alarm is Trip.OVERFLOW
                and row.change is AlarmChange.RAISED
            ]
            found.append(
                Prospect(
                    station.identity,
                    fittings_of(station),
                    now_s if newest is None else newest.stamp.utc_ms / 1000.0,
                    None if newest is None else newest.left_low_days,
                    None if newest is None else newest.cover_days,
                    floated[-1] if floated else None,
                    None if reader is None else reader.span_ms()[0] or None,
                    due[reservoir].days if reservoir in due else (),
                    due[reservoir].flush_days if reservoir in due else None,
                )
            )
    return found
