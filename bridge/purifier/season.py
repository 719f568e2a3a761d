"""The season of a feed or of the daily use (level, swing and trend), and the forecast of a bed with it.

A Bayesian regression on a constant, one harmonic of the year and a slow trend. Each value updates it in
closed form: four means and a four-by-four covariance, for any length of the history. The covariance grows a
little every day, so that the estimate follows a change of supply. The forecast of an exchange bed uses the
feed and the use of the days until its end.
"""

import math
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.purifier.breakthrough import Front
from bridge.purifier.forecast import Expected, Forecast, forecast

_TERMS = 4
_YEAR_DAYS = 365.25
_LEVEL_SD = 0.5
_SWING_SD = 0.3
_TREND_SD = 0.05
_NOISE_SD = 0.15
_FORGET_PER_DAY = 1.0 / 1500.0
_INDEPENDENT_DAYS = 7.0
_ITERATIONS = 3
LONGEST_DAYS = 3652.0


@dataclass(frozen=True, slots=True)
class Season:
    """The estimate of a season. Days count from any fixed date, because the phase of the year is learned.

    Attributes:
        scale: the unit of the means: the typical value.
        first_day: the day at which the trend starts.
        last_day: the day of the newest value.
        means: the means of constant, cosine, sine and trend per year.
        covariance: their covariance, row by row.
    """

    scale: float
    first_day: float
    last_day: float
    means: tuple[float, ...]
    covariance: tuple[float, ...]


def begin(typical: float, day: float) -> Season:
    """Return the season of a quantity, from a typical value (± 50 %) only.

    Raises:
        InputError: If the typical value is not above zero.
    """
    if not (math.isfinite(typical) and typical > 0.0):
        raise InputError(f"Season: a typical value of {typical:g}; it must be above zero.")
    deviations = (_LEVEL_SD, _SWING_SD, _SWING_SD, _TREND_SD)
    covariance = tuple(deviations[i] ** 2 if i == j else 0.0 for i in range(_TERMS) for j in range(_TERMS))
    return Season(typical, day, day, (1.0, 0.0, 0.0, 0.0), covariance)


def learn(season: Season, day: float, value: float) -> Season:
    """Return the season after one more value. Values at intervals below a week have less weight each.

    Raises:
        InputError: If the value is negative or not finite, or the day is before the last one.
    """
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError(f"Season: a value of {value:g}; it must be zero or more.")
    if day < season.last_day:
        raise InputError(f"Season: day {day:g} after day {season.last_day:g}; values come in order of time.")
    gap = day - season.last_day
    noise = _NOISE_SD**2 * max(1.0, _INDEPENDENT_DAYS / max(gap, 0.1))
    grown = 1.0 + _FORGET_PER_DAY * gap
    covariance = [grown * value for value in season.covariance]
    basis = _basis(season, day)
    along = [sum(covariance[i * _TERMS + j] * basis[j] for j in range(_TERMS)) for i in range(_TERMS)]
    total = noise + sum(b * a for b, a in zip(basis, along, strict=True))
    surprise = value / season.scale - sum(m * b for m, b in zip(season.means, basis, strict=True))
    means = tuple(m + a * surprise / total for m, a in zip(season.means, along, strict=True))
    shrunk = tuple(
        covariance[i * _TERMS + j] - along[i] * along[j] / total for i in range(_TERMS) for j in range(_TERMS)
    )
    return Season(season.scale, season.first_day, day, means, shrunk)


def expected(season: Season, from_day: float, to_day: float) -> Expected:
    """Return the expected mean of the quantity between two days, with its standard deviation.

    Raises:
        InputError: If ``to_day`` is before ``from_day``.
    """
    if to_day < from_day:
        raise InputError(f"Season: from day {from_day:g} to day {to_day:g} runs backwards.")
    steps = 12
    days = [from_day + (k + 0.5) * (to_day - from_day) / steps for k in range(steps)]
    bases = [_basis(season, day) for day in days]
    basis = [sum(b[i] for b in bases) / steps for i in range(_TERMS)]
    mean = sum(m * b for m, b in zip(season.means, basis, strict=True))
    variance = sum(
        basis[i] * season.covariance[i * _TERMS + j] * basis[j] for i in range(_TERMS) for j in range(_TERMS)
    )
    independent = max(1.0, (to_day - from_day) / _INDEPENDENT_DAYS)
    variance += _NOISE_SD**2 / independent
    return Expected(season.scale * max(mean, 0.05), season.scale * math.sqrt(variance))


def _basis(season: Season, day: float) -> tuple[float, float, float, float]:
    angle = 2.0 * math.pi * day / _YEAR_DAYS
    return 1.0, math.cos(angle), math.sin(angle), (day - season.first_day) / _YEAR_DAYS


def through_season(front: Front, feed: Season, use: Season, today: float, lead_days: float) -> Forecast:
    """Forecast the litres and days left with the seasons of feed (ppm) and use (litres a day).

    Feed and use are averaged over the days left, which depend on both. Three iterations are enough.

    Raises:
        InputError: If the lead time is negative.
    """
    days = 30.0
    for _ in range(_ITERATIONS - 1):
        days = min(over_days(front, feed, use, today, days, lead_days).days_left.median, LONGEST_DAYS)
    return over_days(front, feed, use, today, days, lead_days)


def over_days(
    front: Front, feed: Season, use: Season, today: float, days: float, lead_days: float
) -> Forecast:
    """Return the forecast with the expected feed and use of the next ``days`` days. One iteration."""
    end = today + max(days, 1.0)
    coming: Expected = expected(feed, today, end)
    return forecast(front, coming, expected(use, today, end), lead_days)
