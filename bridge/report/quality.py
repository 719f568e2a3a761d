"""How pure the product was: percentiles and times over advice and limit. Core.

Every litre counts the same: the percentiles are weighted by the litres that were made at each value. Where
no litres are known as they flow, every minute of a fill counts the same instead. A percentile is the smallest
value that so much of the water was at or under.
"""

from collections.abc import Sequence
from dataclasses import dataclass

_MS_PER_H = 3_600_000.0


@dataclass(frozen=True, slots=True)
class Flow:
    """Product that flowed during one roll-up, a minute as a rule."""

    start_ms: int
    span_ms: int
    litres: float
    ppm: float
    """The mean of the roll-up."""


@dataclass(frozen=True, slots=True)
class Quality:
    """Values in ppm on the reservoir's own scale."""

    by_volume: bool
    """Weighted by litres; else by time."""
    litres: float
    hours: float
    mean_ppm: float
    median_ppm: float
    p90_ppm: float
    p95_ppm: float
    p99_ppm: float
    worst_ppm: float
    """The mean of the worst roll-up."""
    worst_ms: int
    advice_h: float
    """Hours in which the product that flowed was at or over the advice, those over the limit included."""
    limit_h: float
    advice_l: float
    limit_l: float


def quality(flows: Sequence[Flow], advice_ppm: float, limit_ppm: float, by_volume: bool) -> Quality | None:
    """The quality of what flowed; None when nothing did."""
    if not flows:
        return None
    ordered = sorted(flows, key=lambda one: one.ppm)
    by_volume = by_volume and any(one.litres > 0.0 for one in ordered)
    weights = [one.litres if by_volume else float(one.span_ms) for one in ordered]
    total = sum(weights)
    values = [one.ppm for one in ordered]
    median, p90, p95, p99 = percentiles(values, weights, (0.5, 0.9, 0.95, 0.99))
    worst = ordered[-1]
    over_advice = [one for one in ordered if one.ppm >= advice_ppm]
    over_limit = [one for one in over_advice if one.ppm >= limit_ppm]
    return Quality(
        by_volume,
        sum(one.litres for one in ordered),
        _hours(ordered),
        sum(one.ppm * weight for one, weight in zip(ordered, weights, strict=True)) / total,
        median,
        p90,
        p95,
        p99,
        worst.ppm,
        worst.start_ms,
        _hours(over_advice),
        _hours(over_limit),
        sum(one.litres for one in over_advice),
        sum(one.litres for one in over_limit),
    )


def percentiles(
    ordered: Sequence[float], weights: Sequence[float], shares: Sequence[float]
) -> tuple[float, ...]:
    """For each share (0 to 1, rising) the smallest value that so much of the weight is at or under.

    :param ordered: at least one value, rising.
    """
    total = sum(weights)
    found: list[float] = []
    reached = 0.0
    for value, weight in zip(ordered, weights, strict=True):
        reached += weight
        # Sums of many floats miss an exact share by a hair.
        while len(found) < len(shares) and reached >= shares[len(found)] * total * (1.0 - 1e-12):
            found.append(value)
    found += [ordered[-1]] * (len(shares) - len(found))
    return tuple(found)


def _hours(flows: Sequence[Flow]) -> float:
    return sum(one.span_ms for one in flows) / _MS_PER_H
