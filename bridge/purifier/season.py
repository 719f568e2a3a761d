"""What a feed's dissolved solids, or the daily use, will be: level, yearly swing and trend.

Bayesian regression on a constant, one harmonic of the year and a slow trend, updated one value at a
time in closed form: four means and a four-by-four covariance, whatever the length of the history. A little of
the certainty is given back every day, so that a change of supply is followed.

An exchange bed forecast through the season: feed and use are those of the days until it gives out.
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


@dataclass(frozen=True, slots=True)
class Season:
    """Means and covariance (row by row) of constant, cosine, sine and trend per year, over ``scale``.

    ``first_day`` is where the trend starts, ``last_day`` the newest value. Days count from any fixed date;
    the phase of the year is learned.
    """

    scale: float
    first_day: float
    last_day: float
    means: tuple[float, ...]
    covariance: tuple[float, ...]


def begin(typical: float, day: float) -> Season:
    """A quantity of which only a typical value is known (± 50 %).

    Raises:
        InputError: a typical value that is not above zero.
    """
    if not (math.isfinite(typical) and typical > 0.0):
        raise InputError(f"Season: a typical value of {typical:g}; it must be above zero.")
    deviations = (_LEVEL_SD, _SWING_SD, _SWING_SD, _TREND_SD)
    covariance = tuple(deviations[i] ** 2 if i == j else 0.0 for i in range(_TERMS) for j in range(_TERMS))
    return Season(typical, day, day, (1.0, 0.0, 0.0, 0.0), covariance)


def learn(season: Season, day: float, value: float) -> Season:
    """The season after one more value. Values closer together than a week count for less than one each.

    Raises:
        InputError: a value that is negative or not finite, or a day before the last one.
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
    """The mean of the quantity between two days, with the standard deviation of what is known of that mean.

    Raises:
        InputError: an interval that runs backwards.
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


_ROUNDS = 3
LONGEST_DAYS = 3652.0


def through_season(front: Front, feed: Season, use: Season, today: float, lead_days: float) -> Forecast:
    """Litres and days left when feed (ppm) and use (litres a day) follow their seasons.

    The days left decide over which days feed and use are averaged, and these decide the days left: three
    rounds settle it.

    Raises:
        InputError: a negative lead time.
    """
    days = 30.0
    for _ in range(_ROUNDS - 1):
        days = min(over_days(front, feed, use, today, days, lead_days).days_left.median, LONGEST_DAYS)
    return over_days(front, feed, use, today, days, lead_days)


def over_days(
    front: Front, feed: Season, use: Season, today: float, days: float, lead_days: float
) -> Forecast:
    """One round: the forecast with feed and use as they are to be expected over so many days from today."""
    end = today + max(days, 1.0)
    coming: Expected = expected(feed, today, end)
    return forecast(front, coming, expected(use, today, end), lead_days)
