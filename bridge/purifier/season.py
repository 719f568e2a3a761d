"""Feed and use: a level with a season, and a wander around both, learned from values at any interval.

Feed and use have a season (level and swing) and wander around it: this week resembles the last one, a month
tells less. How far they wander, and how long they remember, is learned: a Kalman filter runs for each of
twelve hypotheses, and the likelihood of the values weighs them. Filters of four terms on a small computer
need no library. The state has one size for any length of the history, and values may come at any interval.
"""

import math
from dataclasses import dataclass

from bridge.errors import InputError

_TERMS = 4
_YEAR_DAYS = 365.25
_LEVEL_SD = 0.5
_NOISE_SD = 0.03
_FORGET_PER_DAY = 1.0 / 1500.0
_HYPOTHESES = tuple(
    (swing, sd, days) for swing in (0.05, 0.3) for sd in (0.03, 0.10, 0.30) for days in (5.0, 40.0)
)
"""What the season may be: the deviation of its swing and of the wander around it, and the days after which
the wander is forgotten."""
_FORGET_HYPOTHESES = 0.98
"""Share of the evidence between the hypotheses that remains after each value, so that they can change."""
_UNLIKELY = 0.003
"""A hypothesis with a smaller share of the likeliest one's weight is left out of a forecast."""
LONGEST_DAYS = 3652.0


@dataclass(frozen=True, slots=True)
class Expected:
    """An expected mean (a feed in ppm, a use in litres a day) and its standard deviation."""

    mean: float
    sd: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mean) and self.mean > 0.0 and math.isfinite(self.sd) and self.sd >= 0.0):
            raise InputError(
                f"Expected {self.mean:g} ± {self.sd:g}: the mean must be above zero, the deviation not below."
            )


@dataclass(frozen=True, slots=True)
class Season:
    """The estimate of a season. Days count from any fixed date, because the phase of the year is learned.

    Attributes:
        scale: the unit of the means: the typical value.
        last_day: the day of the newest value.
        ln_weights: the log weight of each hypothesis of the wander.
        means: for each hypothesis the means of level, cosine, sine and wander.
        covariances: for each hypothesis their covariance, row by row.
    """

    scale: float
    last_day: float
    ln_weights: tuple[float, ...]
    means: tuple[tuple[float, ...], ...]
    covariances: tuple[tuple[float, ...], ...]


def begin_season(typical: float, day: float, lively_odds: float = 1.0) -> Season:
    """Return the season of a quantity, from a typical value (± 50 %) only.

    Args:
        typical: the typical value.
        day: the day.
        lively_odds: the odds of a wide swing against a narrow one, and of a wide wander against a narrower
            one.

    Raises:
        InputError: If the typical value is not above zero.
    """
    if not (math.isfinite(typical) and typical > 0.0):
        raise InputError(f"Season: a typical value of {typical:g}; it must be above zero.")
    covariances = []
    for swing, sd, _ in _HYPOTHESES:
        deviations = (_LEVEL_SD, swing, swing, sd)
        covariances.append(
            tuple(deviations[i] ** 2 if i == j else 0.0 for i in range(_TERMS) for j in range(_TERMS))
        )
    count = len(_HYPOTHESES)
    widest_swing, widest, _ = map(max, zip(*_HYPOTHESES, strict=True))
    odds = tuple(
        math.log(lively_odds) * ((swing == widest_swing) + (sd == widest)) for swing, sd, _ in _HYPOTHESES
    )
    return Season(typical, day, odds, ((1.0, 0.0, 0.0, 0.0),) * count, tuple(covariances))


def learn_season(season: Season, day: float, value: float) -> Season:
    """Return the season after one more value. Values at short intervals differ little and so add little.

    Raises:
        InputError: If the value is negative or not finite, or the day is before the last one.
    """
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError(f"Season: a value of {value:g}; it must be zero or more.")
    if day < season.last_day:
        raise InputError(f"Season: day {day:g} after day {season.last_day:g}; values come in order of time.")
    gap = day - season.last_day
    basis = (*_harmonic(day), 1.0)
    ln_weights, means, covariances = [], [], []
    for (_, sd, memory), ln_weight, mean, held in zip(
        _HYPOTHESES, season.ln_weights, season.means, season.covariances, strict=True
    ):
        mean, covariance = _passed(mean, held, sd, math.exp(-gap / memory), gap)
        along = [sum([covariance[i * _TERMS + j] * basis[j] for j in range(_TERMS)]) for i in range(_TERMS)]
        total = _NOISE_SD**2 + sum([b * a for b, a in zip(basis, along, strict=True)])
        surprise = value / season.scale - sum([m * b for m, b in zip(mean, basis, strict=True)])
        fits = -0.5 * (surprise * surprise / total + math.log(total))
        ln_weights.append(_FORGET_HYPOTHESES * ln_weight + fits)
        means.append(tuple([m + a * surprise / total for m, a in zip(mean, along, strict=True)]))
        covariances.append(
            tuple(
                [
                    covariance[i * _TERMS + j] - along[i] * along[j] / total
                    for i in range(_TERMS)
                    for j in range(_TERMS)
                ]
            )
        )
    top = max(ln_weights)
    return Season(season.scale, day, tuple(one - top for one in ln_weights), tuple(means), tuple(covariances))


def expected_in_season(season: Season, from_day: float, to_day: float) -> Expected:
    """Return the expected mean of the quantity between two days, with its standard deviation.

    Raises:
        InputError: If ``to_day`` is before ``from_day``.
    """
    if to_day < from_day:
        raise InputError(f"Season: from day {from_day:g} to day {to_day:g} runs backwards.")
    steps = 12
    days = [from_day + (k + 0.5) * (to_day - from_day) / steps for k in range(steps)]
    waves = [_harmonic(day) for day in days]
    level, cosine, sine = (sum(wave[i] for wave in waves) / steps for i in range(3))
    ahead, length = max(from_day - season.last_day, 0.0), to_day - from_day
    shares = [math.exp(one) for one in season.ln_weights]
    top = sum(shares)
    mean = square = total = 0.0
    for (_, sd, memory), share, means, held in zip(
        _HYPOTHESES, shares, season.means, season.covariances, strict=True
    ):
        if share < _UNLIKELY * top:
            continue
        now, covariance = _passed(means, held, sd, math.exp(-ahead / memory), ahead)
        # The mean of a decaying wander over the time, and the variance of what it gains in it.
        reach = length / memory
        kept = -math.expm1(-reach) / reach if reach > 1e-6 else 1.0
        gained = sd * sd * _gained(reach)
        basis = (level, cosine, sine, kept)
        one = sum([m * b for m, b in zip(now, basis, strict=True)])
        variance = gained + sum(
            [basis[i] * covariance[i * _TERMS + j] * basis[j] for i in range(_TERMS) for j in range(_TERMS)]
        )
        total += share
        mean += share * one
        square += share * (variance + one * one)
    mean, square = mean / total, square / total
    sd_all = math.sqrt(max(square - mean * mean, 0.0))
    return Expected(season.scale * max(mean, 0.05), season.scale * sd_all)


def _gained(reach: float) -> float:
    """Return the variance of the mean of an Ornstein-Uhlenbeck process of unit variance that starts at zero.

    ``reach`` is the time over which the mean is taken, in times of its memory.
    """
    if reach < 1e-3:
        return 2.0 * reach / 3.0
    decay = math.exp(-reach)
    return (2.0 * reach - 3.0 + 4.0 * decay - decay * decay) / (reach * reach)


def _passed(
    means: tuple[float, ...], held: tuple[float, ...], sd: float, keep: float, days: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return means and covariance after some days without a value: season known less well, wander decayed."""
    grown = 1.0 + _FORGET_PER_DAY * days
    last = _TERMS - 1
    covariance = [
        held[i * _TERMS + j]
        * (grown if i < last and j < last else keep * keep if i == j else keep * math.sqrt(grown))
        for i in range(_TERMS)
        for j in range(_TERMS)
    ]
    covariance[-1] += sd * sd * (1.0 - keep * keep)
    return (*means[:last], keep * means[last]), tuple(covariance)


def _harmonic(day: float) -> tuple[float, float, float]:
    angle = 2.0 * math.pi * day / _YEAR_DAYS
    return 1.0, math.cos(angle), math.sin(angle)
