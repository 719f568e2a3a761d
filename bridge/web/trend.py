"""The course of the product's dissolved solids, from the log's roll-ups, as a chart draws it. Core.

Only spans in which water flowed count: what stands in a purifier reads higher and is made nothing of. That
water flowed shows in the throughput; where nothing tells of it every span counts.
"""

from collections.abc import Iterable
from typing import TypedDict

from bridge.history.records import Series
from bridge.history.rollup import HOUR_MS, MINUTE_MS, Bucket, merge
from bridge.station.plan import StationIdentity
from bridge.units import DisplayUnits

MOST_POINTS = 720
MOST_HOURS = 8760
MINUTES_UP_TO_HOURS = 31 * 24
"""Beyond this the roll-ups of an hour are read, in which flow and rest can no longer be told apart."""
NO_LOG = "There is no log, so nothing is known of the past. The table [log] of the configuration keeps one."


class Trend(TypedDict):
    """As it goes to the page: numbers in the unit that people chose, None where there is nothing to show."""

    unit: str
    scale: str
    limit: float
    target: float
    times: list[int]
    """UTC seconds of the beginning of each span."""
    value: list[float | None]
    low: list[float | None]
    """The least that was measured, less its uncertainty (k = 2)..."""
    high: list[float | None]
    """...and the most, and its uncertainty."""
    sentence: str | None
    """Why there is nothing, where that is so."""


def span_ms(hours: int) -> int:
    """The span of the roll-ups to read for so many hours."""
    return MINUTE_MS if hours <= MINUTES_UP_TO_HOURS else HOUR_MS


def nothing(identity: StationIdentity, units: DisplayUnits, sentence: str) -> Trend:
    """A trend without a point, and why."""
    factor = identity.factor
    limit, target = units.ppm(identity.limit_ppm, factor), units.ppm(identity.target_ppm, factor)
    return Trend(
        unit=limit.unit,
        scale=units.scale(factor),
        limit=_rounded(limit.number),
        target=_rounded(target.number),
        times=[],
        value=[],
        low=[],
        high=[],
        sentence=sentence,
    )


def trend_of(
    buckets: Iterable[Bucket], hours: int, end_ms: int, identity: StationIdentity, units: DisplayUnits
) -> Trend:
    """The trend of the hours before ``end_ms`` in at most :data:`MOST_POINTS` points.

    :param buckets: the roll-ups of that time in order, of the span that :func:`span_ms` names.
    """
    span = span_ms(hours)
    width = span * -(-hours * HOUR_MS // (MOST_POINTS - 1) // span)
    first = (end_ms - hours * HOUR_MS) // width
    groups: dict[int, list[Bucket]] = {}
    before: float | None = None
    for bucket in buckets:
        through = bucket.cells[Series.THROUGHPUT]
        flowed = through is None or through.greatest > (through.least if before is None else before)
        before = None if through is None else through.greatest
        if flowed and bucket.cells[Series.PRODUCT_PPM] is not None:
            groups.setdefault(bucket.start_ms // width, []).append(bucket)
    trend = nothing(identity, units, "")
    trend["sentence"] = None if groups else "No water flowed in this time, or nothing of it is in the log."
    for number in range(first, end_ms // width + 1) if groups else ():
        trend["times"].append(number * width // 1000)
        for name, ppm in zip(("value", "low", "high"), _band(groups.get(number), width), strict=True):
            shown = None if ppm is None else _rounded(units.ppm(ppm, identity.factor).number)
            trend[name].append(shown)  # type: ignore[literal-required]
    return trend


def _band(buckets: list[Bucket] | None, width: int) -> tuple[float | None, float | None, float | None]:
    if not buckets:
        return None, None, None
    cells = merge(buckets, buckets[0].start_ms, width).cells
    product, uncertainty = cells[Series.PRODUCT_PPM], cells[Series.UNCERTAINTY]
    assert product is not None
    band_ppm = 0.0 if uncertainty is None else uncertainty.greatest
    return product.mean, max(0.0, product.least - band_ppm), product.greatest + band_ppm


def _rounded(number: float) -> float:
    return float(f"{number:.4g}")
