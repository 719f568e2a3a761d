"""``clearwell report``: a season's report as one HTML file or a PDF."""

import re
import time
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import Bar, check_reservoirs, chosen, reading, which_time
from bridge.commands.shared.terminal import check_out, print_text, written_whole
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan
    from bridge.history.reader import Reader
    from bridge.units import DisplayUnits

YEAR_DAYS = 365
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_HOUR_MS = 3_600_000


@click.command("report")
@click.argument("config", required=False, type=click.Path(path_type=Path))
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    help="The new file; its name ends in .html or .pdf.",
)
@click.option(
    "--log",
    "log_file",
    type=click.Path(path_type=Path),
    help="The log's file.  [default: the log of CONFIG]",
)
@which_time
@click.option(
    "--reservoir",
    "reservoirs",
    multiple=True,
    metavar="ID",
    help="Only this reservoir; can be repeated.",
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter"]),
    default="a4",
    show_default=True,
    help="Paper size of a PDF.",
)
@click.option("--force", is_flag=True, help="Replace an existing file.")
def command(
    config: Path | None,
    out: Path,
    log_file: Path | None,
    since: str | None,
    until: str | None,
    reservoirs: tuple[str, ...],
    paper: str,
    force: bool,
) -> None:
    """Report on a season: water made, its purity, alarms, cartridges with their forecasts, cost, records.

    The report is one file without external parts: an HTML page, or a PDF of it. CONFIG gives names, limits,
    prices and units; with --log alone they come from the log, as far as it has them.

    T is a day such as 2026-06-01 (local time, as in the report), a time such as 2026-06-01T14:30+02:00 (UTC
    without an offset), or an age: 12h, 7d, 20w. Without --from the report covers the year before its end.

    A PDF needs WeasyPrint, charts need matplotlib: the package's extra "report" installs both.
    """
    form = out.suffix.lower()
    if form not in (".html", ".pdf"):
        raise InputError(f"--out {out}: the name must end in .html or .pdf")
    plan = _plan(config)
    if log_file is None and config is None:
        raise InputError(
            "report: no log is given. Give CONFIG, the configuration that names it, or --log with its file"
        )
    path = chosen(log_file, None) if log_file is not None else chosen(None, config)
    check_out(out, path, force)
    _check_libraries(form)
    with reading(path) as reader, Bar("report", to_terminal=False) as bar:
        wanted = tuple(dict.fromkeys(reservoirs))
        check_reservoirs(reader, path, wanted, entries=False)
        names = [one for one in reader.reservoirs() if not wanted or one in wanted]
        if not names:
            raise InputError(f"{path}: the log has no readings yet; run the bridge for a while first")
        units = _units(plan)
        span = _span(reader, since, until, units)
        text = _page(reader, path, names, span, plan, units, bar)
        content = _paper(text, paper) if form == ".pdf" else text.encode()
        with written_whole(out) as part:
            part.write_bytes(content)
        bar(1.0)
    first, last = (units.local(at / 1000.0) for at in span)
    print_text(f"{', '.join(names)} from {first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} in {out}")


def _plan(config: Path | None) -> "BridgePlan | None":
    if config is None:
        return None
    import os

    from bridge.config.loading import load

    return load(config, os.environ)


def _units(plan: "BridgePlan | None") -> "DisplayUnits":
    from bridge.units import DisplayUnits

    return DisplayUnits() if plan is None else plan.display


def _check_libraries(form: str) -> None:
    """Refuse before the work starts if a library is missing."""
    from importlib.util import find_spec

    if find_spec("matplotlib") is None:
        missing = "matplotlib"
    elif form == ".pdf" and find_spec("weasyprint") is None:
        missing = "weasyprint"
    else:
        return
    raise InputError(
        f"report: the library {missing} is not installed; pip install 'clearwell-bridge[report]' installs it"
    )


def _page(
    reader: "Reader",
    path: Path,
    names: list[str],
    span: tuple[int, int],
    plan: "BridgePlan | None",
    units: "DisplayUnits",
    bar: Bar,
) -> str:
    from bridge.report.charts import draw
    from bridge.report.gather import facts_of, gather
    from bridge.report.page import Part, page
    from bridge.report.season import Given, season

    parts = []
    for done, name in enumerate(names):

        def progress(fraction: float, done: int = done) -> None:
            bar(0.9 * (done + 0.8 * fraction) / len(names))

        data = gather(reader, name, *span, progress)
        facts = facts_of(reader, name, () if plan is None else plan.stations, data)
        found = season(facts, data, units.local)
        if plan is not None and plan.trays is not None:
            from bridge.watering.waters import first_given_ms, litres_between

            # Litres that nobody could enter yet are not missing.
            began_ms = first_given_ms(path, name, plan.trays)
            if began_ms is not None and began_ms < span[1]:
                since_ms = max(span[0], began_ms - began_ms % _HOUR_MS)
                compared = litres_between(path, name, plan.trays, since_ms, span[1])
                found = replace(found, given=None if compared is None else Given(since_ms, compared))
        parts.append(Part(found, draw(found, units, f"r{done + 1}")))
    return page(parts, units, round(1000 * time.time()))


def _span(reader: "Reader", since: str | None, until: str | None, units: "DisplayUnits") -> tuple[int, int]:
    """Return start and end in UTC milliseconds, on full hours; days are local days."""
    from bridge.commands.shared.values import span_of

    held = reader.span_ms()
    now_ms = round(1000 * time.time())
    # Without --to a report ends with the log.
    start, end = span_of(_day(since, units), _day(until, units, whole=True), held, now_ms)
    end = held[1] + 1 if until is None else end
    if start >= end:
        raise InputError(
            f"--from {since}: the log ends earlier, at {units.local(held[1] / 1000.0):%Y-%m-%d %H:%M}"
        )
    if since is None:
        year_ms = YEAR_DAYS * 24 * _HOUR_MS
        start = max(start, end - year_ms)
    start -= start % _HOUR_MS
    return start, end + -end % _HOUR_MS


def _day(text: str | None, units: "DisplayUnits", *, whole: bool = False) -> str | None:
    """Return the local time at which a day starts, or ends if ``whole``; other text as it is."""
    if text is None or _DAY.fullmatch(text) is None:
        return text
    from zoneinfo import ZoneInfo

    try:
        day = date.fromisoformat(text) + timedelta(days=1 if whole else 0)
    except (ValueError, OverflowError):
        return text
    midnight = datetime(day.year, day.month, day.day)
    zoned = midnight.astimezone() if units.zone is None else midnight.replace(tzinfo=ZoneInfo(units.zone))
    return zoned.isoformat()


def _paper(text: str, paper: str) -> bytes:
    from bridge.report.gather import pdf

    return pdf(text, paper)
