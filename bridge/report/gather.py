"""Reads the data of a report from the log, and renders the page as a PDF. Shell.

The data are the means and the entries of the span, and a bounded part of the time before: the last
cartridges, and up to :data:`PAST_DAYS` days of the one in use. So an old log takes no longer than a new one.

WeasyPrint renders the PDF; it loads no external file.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from importlib import import_module
from typing import Any

from bridge.daemon import saved_state
from bridge.errors import InputError
from bridge.forecast import persistence
from bridge.history.reader import Progress, Reader
from bridge.history.records import Bucket, CartridgeRow, EntryRow, FillRow, Kind, when_ms
from bridge.history.rollup import DAY_MS, HOUR_MS, MINUTE_MS
from bridge.report.season import Facts, LogData, from_log, from_plan
from bridge.report.water import flowing
from bridge.station.plan import StationPlan


def pdf(html: str, paper: str) -> bytes:
    """Render a page as PDF.

    Args:
        html: The page.
        paper: The size of the paper in CSS, such as ``a4``.

    Returns:
        The PDF.

    Raises:
        InputError: WeasyPrint, or a system library that it needs, is not installed.
    """
    try:
        library = import_module("weasyprint")
    except (ImportError, OSError) as error:
        # Without the system's Pango the import raises an OSError.
        raise InputError(
            "report: a PDF needs the library weasyprint and the system's Pango, which are not installed; "
            "pip install 'clearwell-bridge[report]' and Debian's package libpangoft2-1.0-0 bring them. "
            "A name in .html needs neither"
        ) from error
    sheet = library.CSS(string=f"@page {{ size: {paper} }}")
    document = library.HTML(string=html, url_fetcher=_refuse).write_pdf(stylesheets=[sheet], pdf_tags=True)
    assert isinstance(document, bytes)
    return document


def _refuse(url: str, *_: Any, **__: Any) -> dict[str, Any]:
    raise ValueError(f"the report must not load external files, but it refers to {url}")


PAST_DAYS = 30
AMONG = 20_000
"""Most entries before the report that are searched for cartridges and calibrations: years of them."""
_FOREVER_MS = 2**45

_KINDS = (
    Kind.ALARM, Kind.COMMAND, Kind.CARTRIDGE, Kind.CALIBRATION, Kind.SAMPLE, Kind.FILL,
)  # fmt: skip


def gather(reader: Reader, reservoir: str, start_ms: int, end_ms: int, progress: Progress) -> LogData:
    """Read everything of one reservoir within a span.

    Args:
        reader: The log.
        reservoir: The reservoir's identifier.
        start_ms: Start of the span, a full hour.
        end_ms: End of the span, not included.
        progress: Receives the fraction done, 0 to 1.

    Returns:
        The data.

    Raises:
        LogError: The log cannot be read.
    """
    hours = list(reader.buckets(reservoir, HOUR_MS, start_ms, end_ms))
    progress(0.3)
    entries = tuple(_entries(reader, reservoir, start_ms, end_ms))
    before = tuple(reader.earlier(start_ms, (Kind.CARTRIDGE, Kind.CALIBRATION), reservoir, AMONG))
    close = flowing(hours, [row for row in entries if isinstance(row, CartridgeRow)])
    for row in entries:
        if isinstance(row, FillRow):
            first = max(row.started_ms, start_ms)
            close.update(range(first - first % HOUR_MS, row.stamp.utc_ms, HOUR_MS))
    progress(0.35)
    mixed: list[Bucket] = []
    for done, run in enumerate(_runs(hours, close)):
        if run[0].start_ms in close:
            until = min(run[-1].start_ms + HOUR_MS, end_ms)
            minutes = list(reader.buckets(reservoir, MINUTE_MS, run[0].start_ms, until))
            there = {one.start_ms - one.start_ms % HOUR_MS for one in minutes}
            run = sorted(
                [*minutes, *(hour for hour in run if hour.start_ms not in there)],
                key=lambda one: one.start_ms,
            )
        mixed.extend(run)
        if done % 20 == 0:
            progress(0.35 + 0.6 * (run[-1].start_ms - start_ms) / (end_ms - start_ms))
    past = _past(reader, reservoir, start_ms, before) if hours else ()
    progress(1.0)
    return LogData(start_ms, end_ms, tuple(hours), tuple(mixed), entries, before, past)


def facts_of(reader: Reader, reservoir: str, stations: Sequence[StationPlan], data: LogData) -> Facts:
    """Return the facts of a reservoir, from its configuration if there is one, else from the log.

    Args:
        reader: The log.
        reservoir: The reservoir's identifier.
        stations: The configured stations.
        data: The reservoir's data from the log.

    Returns:
        The facts.

    Raises:
        LogError: The log, or the forecast saved in it, cannot be read.
    """
    states = reader.state()
    found = next((from_plan(one) for one in stations if one.identity.reservoir == reservoir), None)
    if found is None:
        state = states.get(persistence.key(reservoir))
        kept = None if state is None else persistence.read(state, ())
        found = from_log(reservoir, kept, data.hours)
    accounts = states.get(saved_state.accounts_key(reservoir))
    return replace(found, water=saved_state.judged_water(accounts, found.limit_ppm, found.target_ppm))


def _entries(reader: Reader, reservoir: str, start_ms: int, end_ms: int) -> Iterator[EntryRow]:
    """Yield the entries whose time lies within the span; those entered after it come last."""
    for row in reader.events(start_ms, end_ms, kinds=_KINDS, reservoir=reservoir):
        if start_ms <= when_ms(row):
            yield row
    # An entry never comes before its event, so only rows after the end can still belong to the span.
    for row in reader.events(end_ms, _FOREVER_MS, kinds=(Kind.SAMPLE,), reservoir=reservoir):
        if start_ms <= when_ms(row) < end_ms:
            yield row


def _runs(hours: list[Bucket], close: set[int]) -> Iterator[list[Bucket]]:
    """Yield runs of consecutive hours that are all read by the minute, or all by the hour."""
    run: list[Bucket] = []
    for hour in hours:
        if run and (
            (hour.start_ms in close) != (run[0].start_ms in close)
            or hour.start_ms != run[-1].start_ms + HOUR_MS
        ):
            yield run
            run = []
        run.append(hour)
    if run:
        yield run


def _past(
    reader: Reader, reservoir: str, start_ms: int, before: tuple[object, ...]
) -> tuple[tuple[Bucket, ...], ...]:
    """Return the hours of days before the start, evenly spread since the cartridge was fitted."""
    changed = [row.stamp.utc_ms for row in before if isinstance(row, CartridgeRow)]
    first_ms = max(changed[-1] if changed else 0, reader.span_ms()[0])
    first_ms += -first_ms % HOUR_MS
    days = (start_ms - first_ms) // DAY_MS
    if days < 1:
        return ()
    count = min(days, PAST_DAYS)
    starts = [start_ms - (days - days * k // count) * DAY_MS for k in range(count)]
    return tuple(tuple(reader.buckets(reservoir, HOUR_MS, one, one + DAY_MS)) for one in starts)
