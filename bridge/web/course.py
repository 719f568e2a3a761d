"""The courses of a reservoir for charts: over time, and over the litres of each cartridge. Core.

The product counts only while water flowed, because standing water in a purifier has a higher conductivity.
Flow is detected from the throughput. Without a throughput every minute counts.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypedDict

from bridge.history.records import CartridgeRow, Cell, FillRow, Series, when_ms
from bridge.history.rollup import DAY_MS, HOUR_MS, MINUTE_MS, Group, Grouping
from bridge.station.plan import StationIdentity
from bridge.units import DisplayUnits

MOST_POINTS = 720
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
MOST_FILLS = 120
"""In a span with more fills, their ranges are not drawn one by one."""
FILL_GROUPING = Grouping(MINUTE_MS, DAY_MS, (Series.PRODUCT_PPM, Series.UNCERTAINTY), _FLOWING)
"""How to group the minutes of one fill."""


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


class FillRange(TypedDict):
    """The product of one fill, its rinse included, in the display unit."""

    start: int
    end: int
    low: float
    """The least value minus its expanded uncertainty (k = 2)."""
    high: float
    mean: float | None
    """Of the water that went into the reservoir."""
    words: str


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
    fills: list[FillRange]
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
    fills: Sequence[tuple[FillRow, Sequence[Group]]] = (),
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
        fills: each fill of the span with its minutes, grouped by :data:`FILL_GROUPING`.
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
        fills=[
            shown for row, minutes in fills if (shown := _range(row, minutes, identity, units)) is not None
        ],
        volume_unit=units.volume.value,
        sentence=_sentence(ordered, starts, span, identity, units),
    )


def _range(
    row: FillRow, minutes: Sequence[Group], identity: StationIdentity, units: DisplayUnits
) -> FillRange | None:
    """Return the range of a fill; None if no product was measured."""
    cells = [cell for group in minutes if (cell := _product(group)) is not None]
    if not cells:
        return None

    def solids(ppm: float) -> float:
        return _rounded(units.ppm(ppm, identity.factor).number)

    low, high = solids(min(cell.least for cell in cells)), solids(max(cell.greatest for cell in cells))
    mean = None if row.mean_ppm is None else solids(row.mean_ppm)
    unit = units.ppm(identity.limit_ppm, identity.factor).unit
    made = "" if row.volume_l is None else f" of {units.litres(row.volume_l).text}"
    average = "" if mean is None else f", on average {mean:g} {unit} into the reservoir"
    return FillRange(
        start=row.started_ms // 1000,
        end=when_ms(row) // 1000,
        low=low,
        high=high,
        mean=mean,
        words=f"Fill{made}: {low:g} to {high:g} {unit}{average}.",
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


MOST_CARTRIDGES = 6
MOST_CARTRIDGE_POINTS = 100
"""Of each cartridge."""
_END_SHARE = 0.1
"""The first and the last tenth of the litres are compared."""


@dataclass(frozen=True, slots=True)
class Use:
    """The time in which one cartridge was used, UTC milliseconds."""

    name: str
    start_ms: int
    end_ms: int
    is_in_use: bool
    counted_l: float | None = None
    """The product that the bridge had counted at the change; the hours of the log know it less well."""

    def grouping(self) -> Grouping:
        """Return how to group the hours of this time."""
        hours = max(1, -(-(self.end_ms - self.start_ms) // HOUR_MS))
        width_ms = HOUR_MS * -(-hours // MOST_CARTRIDGE_POINTS)
        return Grouping(HOUR_MS, width_ms, (Series.PRODUCT_PPM,), frozenset({Series.PRODUCT_PPM}))


class CartridgeShown(TypedDict):
    """One cartridge."""

    name: str
    used: str
    made: str
    first: str | None
    """The mean of the product over the first tenth of its litres."""
    last: str | None
    litres: list[float]
    """What it had made at each point, in the unit of the page."""
    product: list[float]
    """The mean of the product at each point."""


class Compared(TypedDict):
    """The last cartridges, the oldest first."""

    cartridges: list[CartridgeShown]
    volume_unit: str
    unit: str
    limit: float
    target: float


def uses(changes: Sequence[CartridgeRow], first_ms: int, now_ms: int) -> list[Use]:
    """Return when the last cartridges were used, the oldest first.

    Args:
        changes: the changes, in the order of their entries.
        first_ms: the beginning of the log, UTC.
        now_ms: the present time, UTC.
    """
    ordered = sorted(changes, key=when_ms)
    starts = [first_ms, *(when_ms(row) for row in ordered)]
    ends = [*starts[1:], now_ms]
    names = ["", *(row.name for row in ordered)]
    counted = [*(row.treated_l for row in ordered), None]
    found = [
        Use(name, start, end, end == now_ms, litres)
        for name, start, end, litres in zip(names, starts, ends, counted, strict=True)
        if end - start >= HOUR_MS
    ]
    return found[-MOST_CARTRIDGES:]


def compared(
    used: Sequence[tuple[Use, Sequence[Group]]], identity: StationIdentity, units: DisplayUnits
) -> Compared:
    """Return the cartridges that made any product.

    Args:
        used: each use with its groups, grouped as :meth:`Use.grouping` returns.
        identity: the reservoir.
        units: the display units.
    """
    factor = identity.factor
    limit, target = units.ppm(identity.limit_ppm, factor), units.ppm(identity.target_ppm, factor)
    return Compared(
        cartridges=list(_shown(used, identity, units)),
        volume_unit=units.volume.value,
        unit=limit.unit,
        limit=limit.number,
        target=target.number,
    )


def _shown(
    used: Sequence[tuple[Use, Sequence[Group]]], identity: StationIdentity, units: DisplayUnits
) -> Iterator[CartridgeShown]:
    def ppm(value: float) -> float:
        return float(f"{units.ppm(value, identity.factor).number:.4g}")

    for use, groups in used:
        points: list[tuple[float, float, float]] = []
        made_l = 0.0
        for group in groups:
            made_l += group.through_l
            cell = group.cells[0]
            if cell is not None and group.through_l > 0.0:
                points.append((made_l, cell.mean, group.through_l))
        if not points:
            continue
        start, end = (units.local(ms / 1000.0).strftime("%Y-%m-%d") for ms in (use.start_ms, use.end_ms))
        yield CartridgeShown(
            name=use.name or f"from {start}",
            used=f"since {start}" if use.is_in_use else f"{start} to {end}",
            made=units.litres(made_l if use.counted_l is None else use.counted_l).text,
            first=_mean(points, 0.0, _END_SHARE * made_l, identity, units),
            last=_mean(points, (1.0 - _END_SHARE) * made_l, made_l, identity, units),
            litres=[float(f"{units.litres(litres).number:.5g}") for litres, _, _ in points],
            product=[ppm(mean) for _, mean, _ in points],
        )


def _mean(
    points: Sequence[tuple[float, float, float]],
    from_l: float,
    to_l: float,
    identity: StationIdentity,
    units: DisplayUnits,
) -> str | None:
    """Return the mean of the product between two volumes, each point weighted by its litres in between."""
    weighted = []
    for end_l, ppm, litres in points:
        inside = min(end_l, to_l) - max(end_l - litres, from_l)
        if inside > 0.0:
            weighted.append((inside, ppm))
    total = math.fsum(weight for weight, _ in weighted)
    if total <= 0.0:
        return None
    return units.ppm_as(math.fsum(weight * ppm for weight, ppm in weighted) / total, identity.factor, ".3g")
