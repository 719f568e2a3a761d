"""The trend of the dissolved solids of the product, from the roll-ups of the log, for a chart. Core.

Only spans in which water flowed count, because standing water in a purifier has a higher conductivity. Flow
is detected from the throughput. Without a throughput every span counts.
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
"""A longer trend uses hours, in which flow and standing water cannot be distinguished."""
NO_LOG = "There is no log, so there is no history. To keep one, add the table [log] to the configuration."


class Trend(TypedDict):
    """A trend for the page, in the display units. None where there is no value."""

    unit: str
    scale: str
    limit: float
    target: float
    times: list[int]
    """The start of each span, UTC seconds."""
    value: list[float | None]
    low: list[float | None]
    """The least value minus its expanded uncertainty (k = 2)."""
    high: list[float | None]
    """The greatest value plus its expanded uncertainty (k = 2)."""
    sentence: str | None
    """The reason if there is no point; else None."""


def span_ms(hours: int) -> int:
    """Return the span of the roll-ups for a trend of this length."""
    return MINUTE_MS if hours <= MINUTES_UP_TO_HOURS else HOUR_MS


def nothing(identity: StationIdentity, units: DisplayUnits, sentence: str) -> Trend:
    """Return a trend without a point, and the reason."""
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
    """Return the trend of the hours before ``end_ms`` in at most :data:`MOST_POINTS` points.

    Args:
        buckets: the roll-ups of these hours in order, with the span of :func:`span_ms`.
        hours: the length of the trend.
        end_ms: its end, UTC.
        identity: the reservoir.
        units: the display units.
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
    trend["sentence"] = None if groups else "No water flowed in this time, or the log has no readings of it."
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
