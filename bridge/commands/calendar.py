"""``clearwell calendar``: the dates that must not be missed as a file for a calendar program."""

import os
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan
    from bridge.web.calendar import Prospect

_SEARCHED = 2000
"""The alarms and forecasts that are searched, so that the work does not grow with the log."""


@click.command("calendar")
@click.argument("config", type=click.Path(path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="The new file; its name ends in .ics."
)
@click.option("--force", is_flag=True, help="Replace an existing file.")
def command(config: Path, out: Path, force: bool) -> None:
    """Write the dates of every reservoir as a calendar (RFC 5545).

    The dates: order a cartridge, the water may run out, calibrate a cell, test the overflow float. They
    follow from the newest forecast in the log. The page serves the same as /calendar.ics, to subscribe to.
    """
    from importlib.util import find_spec

    from bridge.commands.shared.files import check_out, put
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
    put(out, content)
    click.echo(f"{content.count(b'BEGIN:VEVENT')} dates in {out}")


def _prospects(plan: "BridgePlan", log: Path | None, now_s: float) -> "list[Prospect]":
    from contextlib import ExitStack

    from bridge.daemon.page_host import fittings_of
    from bridge.guard.model import Trip
    from bridge.history.reader import Reader
    from bridge.history.records import AlarmChange, AlarmRow, ForecastRow, Kind
    from bridge.web.calendar import Prospect

    found = []
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
                )
            )
    return found
