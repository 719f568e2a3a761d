"""The falling rejection of a membrane, its dependence on temperature, and the forecast of its end.

    ln(product / feed) = level + ageing x volume + warmth x (temperature - 25 °C)

The salt passage grows with age and with the water temperature. The temperature coefficient is learned too,
from a prior of 2 % per kelvin (common practice, no source: makers give 1 to 4 %), so that a warm week does
not look like a worn membrane. Standing water in a membrane has more salt than its product, because salt
diffuses without flow. Samples of it are left out. The estimate has a closed form: three means and their
covariance.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist

from bridge.errors import InputError, OutOfRangeError
from bridge.purifier.forecast import Cell, Expected, Forecast, from_cells

REFERENCE_C = 25.0
STANDING_LITRES = 2.0
"""The first litres after a start count as standing water (common practice, no source)."""

_PASSAGE_SD = 0.5
_AGEING_PER_M3 = 0.05
_AGEING_SD = 0.10
_WARMTH_PER_K = 0.02
_WARMTH_SD = 0.015
_NOISE_SD = 0.12
_WANDER_PER_M3 = 0.02
_INDEPENDENT_M3 = 0.05
_LONGEST_L = 200_000.0
_QUANTILES = tuple((k + 0.5) / 25 for k in range(25))
_LEVELS = ((-1.732, 1 / 6), (0.0, 2 / 3), (1.732, 1 / 6))


@dataclass(frozen=True, slots=True)
class Membrane:
    """The estimate of a membrane.

    Attributes:
        means: the means of level, ageing (per m3) and warmth (per K).
        covariance: their covariance, row by row.
        treated_l: the litres treated.
        unused_l: the litres since the last sample that was used.
        samples: the number of samples used.
    """

    means: tuple[float, float, float]
    covariance: tuple[float, ...]
    treated_l: float = 0.0
    unused_l: float = 0.0
    samples: int = 0


def begin(rated_rejection_percent: float) -> Membrane:
    """Return the estimate of a new membrane, from its rated rejection.

    Raises:
        InputError: If the rejection is outside 50 to 99.9 %.
    """
    if not 50.0 <= rated_rejection_percent <= 99.9:
        raise InputError(f"Membrane: a rejection of {rated_rejection_percent:g} %; give 50 to 99.9.")
    means = (math.log(1.0 - rated_rejection_percent / 100.0), _AGEING_PER_M3, _WARMTH_PER_K)
    covariance = (_PASSAGE_SD**2, 0.0, 0.0, 0.0, _AGEING_SD**2, 0.0, 0.0, 0.0, _WARMTH_SD**2)
    return Membrane(means, covariance)


def observe(
    membrane: Membrane,
    volume_l: float,
    feed_ppm: float,
    product_ppm: float,
    temperature_c: float,
    since_start_l: float,
) -> Membrane:
    """Return the membrane after ``volume_l`` more litres of product, with one sample at their end.

    A sample within STANDING_LITRES of a start adds to the volume only, and so does a sample with a product or
    feed of zero. Samples at short intervals have less weight each.

    Raises:
        OutOfRangeError: If a value is negative or not finite, or the temperature is outside 0 to 50 °C.
    """
    for what, value in (("volume", volume_l), ("feed", feed_ppm), ("product", product_ppm)):
        if not (math.isfinite(value) and value >= 0.0):
            raise OutOfRangeError(f"Membrane: {what} is {value}; it must be zero or more.")
    if not 0.0 <= temperature_c <= 50.0:
        raise OutOfRangeError(f"Membrane: water at {temperature_c:g} °C; it must lie between 0 and 50 °C.")
    treated = membrane.treated_l + volume_l
    unused = membrane.unused_l + volume_l
    if since_start_l < STANDING_LITRES or feed_ppm == 0.0 or product_ppm == 0.0 or unused == 0.0:
        return Membrane(membrane.means, membrane.covariance, treated, unused, membrane.samples)
    gap_m3 = unused / 1000.0
    covariance = list(membrane.covariance)
    covariance[0] += _WANDER_PER_M3**2 * gap_m3
    basis = (1.0, treated / 1000.0, temperature_c - REFERENCE_C)
    noise = _NOISE_SD**2 * max(1.0, _INDEPENDENT_M3 / gap_m3)
    along = [sum(covariance[3 * i + j] * basis[j] for j in range(3)) for i in range(3)]
    total = noise + sum(b * a for b, a in zip(basis, along, strict=True))
    seen = math.log(product_ppm / feed_ppm)
    surprise = seen - sum(m * b for m, b in zip(membrane.means, basis, strict=True))
    # An outlier (disturbed flow, a probe in air) counts as three standard deviations at most.
    surprise = math.copysign(min(abs(surprise), 3.0 * math.sqrt(total)), surprise)
    level, ageing, warmth = (m + a * surprise / total for m, a in zip(membrane.means, along, strict=True))
    shrunk = tuple(covariance[3 * i + j] - along[i] * along[j] / total for i in range(3) for j in range(3))
    return Membrane((level, ageing, warmth), shrunk, treated, 0.0, membrane.samples + 1)


def rejection_percent(membrane: Membrane, temperature_c: float = REFERENCE_C) -> float:
    """Return the present rejection in per cent, normalised to a temperature."""
    level, ageing, warmth = membrane.means
    exponent = level + ageing * membrane.treated_l / 1000.0 + warmth * (temperature_c - REFERENCE_C)
    return 100.0 * (1.0 - math.exp(exponent))


def forecast(
    membrane: Membrane,
    limit_ppm: float,
    feed: Expected,
    warmest_c: float,
    use_l_per_day: Expected,
    lead_days: float,
) -> Forecast:
    """Forecast the litres and days until the product crosses the limit in the warmest expected water.

    The forecast is for the warmest water all year, so that it does not swing with the season.

    Raises:
        InputError: If the limit is not above zero, or the lead time is negative.
    """
    if not (math.isfinite(limit_ppm) and limit_ppm > 0.0):
        raise InputError(f"Membrane: a limit of {limit_ppm:g} ppm; it must be above zero.")
    rests_on = (
        f"{membrane.samples} samples; rejection {rejection_percent(membrane):.1f} % at {REFERENCE_C:g} °C; "
        f"water up to {warmest_c:g} °C; feed {feed.mean:.3g} ± {feed.sd:.2g} ppm"
    )
    return from_cells(_cells(membrane, limit_ppm, feed, warmest_c), use_l_per_day, lead_days, rests_on)


def _cells(membrane: Membrane, limit_ppm: float, feed: Expected, warmest_c: float) -> list[Cell]:
    """Return the litres left, for quantiles of the ageing (above zero) and of the present passage."""
    level, ageing, warmth = membrane.means
    c = membrane.covariance
    now = (1.0, membrane.treated_l / 1000.0, warmest_c - REFERENCE_C)
    passage = level + ageing * now[1] + warmth * now[2]
    variance = sum(now[i] * c[3 * i + j] * now[j] for i in range(3) for j in range(3))
    cross = sum(now[i] * c[3 * i + 1] for i in range(3))
    pull = cross / c[4]
    rest = math.sqrt(max(variance - cross * pull, 0.0) + (feed.sd / feed.mean) ** 2)
    room = math.log(limit_ppm / feed.mean)
    normal = NormalDist(ageing, math.sqrt(c[4]))
    nothing = normal.cdf(0.0)
    cells: list[Cell] = []
    for quantile in _QUANTILES:
        rate = max(normal.inv_cdf(min(nothing + quantile * (1.0 - nothing), 1.0 - 1e-9)), 1e-4)
        for offset, share in _LEVELS:
            left = (room - passage - pull * (rate - ageing) - offset * rest) / rate * 1000.0
            litres = min(max(left, 0.0), _LONGEST_L)
            cells.append((litres, litres, share / len(_QUANTILES)))
    return cells
