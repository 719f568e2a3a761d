"""A membrane's falling rejection: salt passage followed through temperature swings, and its end.

    ln(product / feed) = level + ageing x volume + warmth x (temperature - 25 °C)

Salt passage grows with age and with the water's temperature. The temperature part is learned along with the
rest from a prior of 2 % per kelvin (common practice, no source: makers' figures lie between 1 and 4 %), so
that a warm week does not look like a worn membrane. Water that stood in the membrane is worse than what it
makes (salt creeps through without flow) and is left out. Closed form: three means and six covariances.
"""

import math
from dataclasses import dataclass
from statistics import NormalDist

from bridge.errors import InputError, OutOfRangeError
from bridge.purifier.forecast import Cell, Expected, Forecast, from_cells

REFERENCE_C = 25.0
STANDING_LITRES = 2.0
"""Product since the start that still counts as standing water (common practice, no source)."""

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
    """Means of level, ageing (per m3) and warmth (per K), covariance row by row, and where it stands."""

    means: tuple[float, float, float]
    covariance: tuple[float, ...]
    treated_l: float = 0.0
    unused_l: float = 0.0
    samples: int = 0


def begin(rated_rejection_percent: float) -> Membrane:
    """A new membrane of which only the rated rejection is known.

    Raises:
        InputError: a rejection outside 50 to 99.9 %.
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
    """The membrane after ``volume_l`` more litres of product, whose last sample reads so.

    A sample within STANDING_LITRES of the start adds to the volume only, and so does one without a usable
    ratio (a product or feed of zero). Samples that follow closely count for less than one each.

    Raises:
        OutOfRangeError: a negative or non-finite value, or a temperature outside 0 to 50 °C.
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
    # a sample far off (disturbed flow, a probe in air) counts as three deviations and no more
    surprise = math.copysign(min(abs(surprise), 3.0 * math.sqrt(total)), surprise)
    level, ageing, warmth = (m + a * surprise / total for m, a in zip(membrane.means, along, strict=True))
    shrunk = tuple(covariance[3 * i + j] - along[i] * along[j] / total for i in range(3) for j in range(3))
    return Membrane((level, ageing, warmth), shrunk, treated, 0.0, membrane.samples + 1)


def rejection_percent(membrane: Membrane, temperature_c: float = REFERENCE_C) -> float:
    """The rejection it has now, normalised to a temperature, in per cent."""
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
    """Litres and days until the product crosses the limit in the warmest water to be expected.

    Normalising to the warmest water makes the forecast steady through the year: it asks whether the next warm
    season will be one too many.

    Raises:
        InputError: a limit that is not above zero, or a negative lead time.
    """
    if not (math.isfinite(limit_ppm) and limit_ppm > 0.0):
        raise InputError(f"Membrane: a limit of {limit_ppm:g} ppm; it must be above zero.")
    rests_on = (
        f"{membrane.samples} samples; rejection {rejection_percent(membrane):.1f} % at {REFERENCE_C:g} °C; "
        f"water up to {warmest_c:g} °C; feed {feed.mean:.3g} ± {feed.sd:.2g} ppm"
    )
    return from_cells(_cells(membrane, limit_ppm, feed, warmest_c), use_l_per_day, lead_days, rests_on)


def _cells(membrane: Membrane, limit_ppm: float, feed: Expected, warmest_c: float) -> list[Cell]:
    """Litres left for values of the ageing (which must be above zero) and of the passage now, given it."""
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
