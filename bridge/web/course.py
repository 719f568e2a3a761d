"""The course of a reservoir over any span, from the roll-ups of the log, for charts. Core.

The product counts only while water flowed, because standing water in a purifier has a higher conductivity.
Flow is detected from the throughput. Without a throughput every minute counts.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypedDict

from bridge.history.records import Cell, Series
from bridge.history.rollup import HOUR_MS, MINUTE_MS, Group, Grouping
from bridge.station.plan import StationIdentity
from bridge.units import DisplayUnits

MOST_POINTS = 720
DAY_MS = 24 * HOUR_MS
LONGEST_MS = 3660 * DAY_MS
SHORTEST_MS = 10 * MINUTE_MS
MINUTES_UP_TO_MS = 31 * DAY_MS
"""A longer span uses hours, in which flow and standing water cannot be distinguished."""
MOST_DAYS = 400
"""More days than this are shown as weeks."""
NO_LOG = "There is no log, so there is no history. To keep one, add the table [log] to the configuration."
SERIES = (
    Series.PRODUCT_PPM, Series.UNCERTAINTY, Series.RESERVOIR_PPM, Series.VOLUME, Series.TEMPERATURE,
    Series.FEED_PPM,
)  # fmt: skip
_FLOWING = frozenset({Series.PRODUCT_PPM, Series.UNCERTAINTY})


@dataclass(frozen=True, slots=True)
class Span:
    """A span of time, UTC milliseconds; the end is not included."""

    start_ms: int
    end_ms: int

    @property
    def length_ms(self) -> int:
        """How long it is."""
        return self.end_ms - self.start_ms


class Line(TypedDict):
    """One quantity over time, in its display unit. None where there is no value."""

    name: str
    words: str
    unit: str
    mean: list[float | None]
    low: list[float | None]
    """The least value; of the product minus its expanded uncertainty (k = 2)."""
    high: list[float | None]
    """The greatest value; of the product plus its expanded uncertainty (k = 2)."""


class Course(TypedDict):
    """What the charts show."""

    start: int
    end: int
    """The span that was asked for, UTC seconds."""
    first: int
    """The first second in the log."""
    now: int
    scale: str
    limit: float
    target: float
    times: list[int]
    """The start of each point, UTC seconds."""
    lines: list[Line]
    days: list[int]
    """The start of each day or week, UTC seconds."""
    litres_a_day: list[float]
    volume_unit: str
    sentence: str


def grouping(span: Span) -> Grouping:
    """Return how to group the roll-ups, so that the chart has at most :data:`MOST_POINTS` points."""
    rows_ms = MINUTE_MS if span.length_ms <= MINUTES_UP_TO_MS else HOUR_MS
    width_ms = rows_ms * max(1, -(-span.length_ms // ((MOST_POINTS - 1) * rows_ms)))
    return Grouping(rows_ms, width_ms, SERIES, _FLOWING)


def by_day(span: Span, offset_ms: int) -> Grouping:
    """Return how to group the hours for the litres of a day.

    Args:
        span: the span that is shown.
        offset_ms: the offset of the people's time zone from UTC, so that a day begins at their midnight.
    """
    days = 1 if span.length_ms <= MOST_DAYS * DAY_MS else 7
    return Grouping(HOUR_MS, days * DAY_MS, offset_ms=offset_ms)


def course_of(
    span: Span,
    first_ms: int,
    now_ms: int,
    groups: Sequence[Group],
    days: Sequence[Group],
    identity: StationIdentity,
    units: DisplayUnits,
) -> Course:
    """Return the course of a reservoir.

    Args:
        span: the span that is shown.
        first_ms: the first time in the log.
        now_ms: the present time.
        groups: the readings, grouped by :func:`grouping`.
        days: the throughput, grouped by :func:`by_day`.
        identity: the reservoir.
        units: the display units.
    """
    factor = identity.factor
    limit, target = units.ppm(identity.limit_ppm, factor), units.ppm(identity.target_ppm, factor)
    width_ms = grouping(span).width_ms
    by_start = {group.start_ms: group for group in groups}
    starts = range(span.start_ms // width_ms * width_ms, span.end_ms, width_ms) if groups else range(0)
    ordered = [by_start.get(start) for start in starts]

    def solids(ppm: float) -> float:
        return units.ppm(ppm, factor).number

    def litres(volume_l: float) -> float:
        return units.litres(volume_l).number

    def celsius(temperature_c: float) -> float:
        return units.celsius(temperature_c).number

    lines = [
        _line("product", "product", limit.unit, [_product(group) for group in ordered], solids),
        _line("reservoir", "water in the reservoir", limit.unit, _cells(ordered, 2), solids),
        _line("volume", "volume", units.volume.value, _cells(ordered, 3), litres),
        _line("temperature", "temperature", units.temperature.value, _cells(ordered, 4), celsius),
        _line("feed", "feed", limit.unit, _cells(ordered, 5), solids),
    ]
    shown_days = [day for day in days if day.start_ms < span.end_ms]
    width = by_day(span, 0).width_ms
    return Course(
        start=span.start_ms // 1000,
        end=span.end_ms // 1000,
        first=first_ms // 1000,
        now=now_ms // 1000,
        scale=units.scale(factor),
        limit=_rounded(limit.number),
        target=_rounded(target.number),
        times=[start // 1000 for start in starts],
        lines=[line for line in lines if any(value is not None for value in line["mean"])],
        days=[day.start_ms // 1000 for day in shown_days],
        litres_a_day=[
            _rounded(litres(day.through_l) * DAY_MS / min(width, max(DAY_MS, now_ms - day.start_ms)))
            for day in shown_days
        ],
        volume_unit=units.volume.value,
        sentence=_sentence(ordered, starts, span, identity, units),
    )


def _sentence(
    groups: Sequence[Group | None],
    starts: Sequence[int],
    span: Span,
    identity: StationIdentity,
    units: DisplayUnits,
) -> str:
    """Describe the product for a person who does not see the chart. The maximum decides, not the mean."""
    highest: tuple[float, int] | None = None
    for group, start in zip(groups, starts, strict=True):
        cell = None if group is None else group.cells[0]
        if cell is not None and (highest is None or cell.greatest > highest[0]):
            highest = cell.greatest, start
    if highest is None:
        return "No water flowed in this time, or the log has no readings of it."
    most, at_ms = highest
    limit = units.ppm(identity.limit_ppm, identity.factor)
    over = "over" if most >= identity.limit_ppm else "under"
    shown = units.ppm(most, identity.factor).text
    at = units.local(at_ms / 1000.0).strftime("%Y-%m-%d %H:%M")
    sentence = (
        f"Product while water flowed, rinses included: at most {shown}, at {at}, {over} the limit of "
        f"{limit.number:g} {limit.unit} ({units.scale(identity.factor)})."
    )
    if span.length_ms > MINUTES_UP_TO_MS:
        sentence += " Over so long a time, water that stood in the same hour counts too."
    return sentence


def _product(group: Group | None) -> Cell | None:
    """Return the product with its expanded uncertainty at both ends."""
    cell = None if group is None else group.cells[0]
    if group is None or cell is None:
        return None
    uncertainty = group.cells[1]
    band_ppm = 0.0 if uncertainty is None else uncertainty.greatest
    return Cell(max(0.0, cell.least - band_ppm), cell.mean, cell.greatest + band_ppm, cell.count)


def _cells(groups: Sequence[Group | None], which: int) -> list[Cell | None]:
    return [None if group is None else group.cells[which] for group in groups]


def _line(
    name: str, words: str, unit: str, cells: Sequence[Cell | None], shown: Callable[[float], float]
) -> Line:
    return Line(
        name=name,
        words=words,
        unit=unit,
        mean=[None if cell is None else _rounded(shown(cell.mean)) for cell in cells],
        low=[None if cell is None else _rounded(shown(cell.least)) for cell in cells],
        high=[None if cell is None else _rounded(shown(cell.greatest)) for cell in cells],
    )


def _rounded(number: float) -> float:
    return float(f"{number:.4g}")
