"""Reads what a report needs out of the log. Shell.

The roll-ups of the span, its entries, and a bounded look at the time before: the last cartridges, and up
to :data:`PAST_DAYS` days of the running one's life. So an old log takes no longer than a young one.
"""

from collections.abc import Callable, Iterator, Sequence

from bridge.forecast import persistence as prospect_saved
from bridge.history.reader import Reader
from bridge.history.records import CartridgeRow, EntryRow, FillRow, Kind, when_ms
from bridge.history.rollup import HOUR_MS, MINUTE_MS, Bucket
from bridge.report.season import Facts, Material, from_log, from_plan
from bridge.report.water import flowing
from bridge.station.plan import StationPlan

PAST_DAYS = 30
AMONG = 20_000
"""Entries before the report among which earlier cartridges and calibrations are looked for: years of them."""
DAY_MS = 24 * HOUR_MS
_FOREVER_MS = 2**45

Progress = Callable[[float], None]
_KINDS = (
    Kind.ALARM, Kind.COMMAND, Kind.CARTRIDGE, Kind.CALIBRATION, Kind.SAMPLE, Kind.FILL,
)  # fmt: skip


def gather(reader: Reader, reservoir: str, start_ms: int, end_ms: int, progress: Progress) -> Material:
    """Everything of one reservoir, from the start on, before the end.

    :param start_ms: the start of an hour.
    :raises LogError: the log cannot be read.
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
    return Material(start_ms, end_ms, tuple(hours), tuple(mixed), entries, before, past)


def facts_of(reader: Reader, reservoir: str, stations: Sequence[StationPlan], material: Material) -> Facts:
    """What is known of a reservoir: from its configuration where there is one, else from the log.

    :raises LogError: the log cannot be read, or what it keeps of the forecast cannot.
    """
    for station in stations:
        if station.identity.reservoir == reservoir:
            return from_plan(station)
    state = reader.state().get(prospect_saved.key(reservoir))
    kept = None if state is None else prospect_saved.read(state, ())
    return from_log(reservoir, kept, material.hours)


def _entries(reader: Reader, reservoir: str, start_ms: int, end_ms: int) -> Iterator[EntryRow]:
    """What was so between start and end, whenever it was entered; what was entered later comes last."""
    for row in reader.events(start_ms, end_ms, kinds=_KINDS, reservoir=reservoir):
        if start_ms <= when_ms(row):
            yield row
    # Nothing is entered before it is so, so only what came after the end can still belong here.
    for row in reader.events(end_ms, _FOREVER_MS, kinds=(Kind.SAMPLE,), reservoir=reservoir):
        if start_ms <= when_ms(row) < end_ms:
            yield row


def _runs(hours: list[Bucket], close: set[int]) -> Iterator[list[Bucket]]:
    """Hours that follow each other and are looked at in the same way."""
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
    """The hours of days before the start, evenly spread over the life of the cartridge that was in then."""
    changed = [row.stamp.utc_ms for row in before if isinstance(row, CartridgeRow)]
    first_ms = max(changed[-1] if changed else 0, reader.span_ms()[0])
    first_ms += -first_ms % HOUR_MS
    days = (start_ms - first_ms) // DAY_MS
    if days < 1:
        return ()
    count = min(days, PAST_DAYS)
    starts = [start_ms - (days - days * k // count) * DAY_MS for k in range(count)]
    return tuple(tuple(reader.buckets(reservoir, HOUR_MS, one, one + DAY_MS)) for one in starts)
