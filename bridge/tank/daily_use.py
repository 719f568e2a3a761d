"""The use of a day, learned from the days before it: a level that wanders, a season, a week, absences.

The theory. The square root ``z`` of a day's litres is

    z = rhythm x (level + season + slow + fast + noise)

The square root makes the scatter of a summer and of a winter alike. A rainy day leaves nothing to water:
then ``z`` is known only to be below zero. *level* is constant. *season* is a yearly wave and a half-yearly
one. *slow* and *fast* are habits and weather: the one returns to zero in weeks, the other in days. So a warm
day tells something of the next, and a warm month of the month after it. The size of each part is not known
in advance. So several hypotheses run side by side, each a Kalman filter with its own sizes in units of the
noise. Each learns its noise (an inverse gamma distribution, so that few days make wide tails), and each
counts by how well it has forecast the days so far. A first year has no season of its own; the hypotheses
keep the interval wide enough for one.

*rhythm* is a factor for each day of the week, shrunk towards one while the seven factors differ no more than
chance makes them differ (James and Stein).

An *absence* is a run of days with almost no use, far below the forecast: a holiday. The filters do not learn
from it. How often one begins and how long it lasts is learned too. After four weeks it counts as the new
use.

The future is sampled: some hundred paths, each with its hypothesis, its state, its noise and its absences.
The time at which a sum of squares reaches a volume has no closed form, and paths answer every question
alike.

By hand instead of a library: a filter with one measurement is twenty lines; numpy with statsmodels and what
they need are over 200 MB on a small computer.
"""

import math
import random
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from bridge.errors import OutOfRangeError

FIRST_DAYS = 4
"""Days that are collected before the filters begin."""
PATHS = 240
HORIZON_DAYS = 120
"""Paths end here."""

_LEVEL, _COS, _SIN, _COS2, _SIN2, _SLOW, _FAST = range(7)
_PARTS = 7
_SLOW_KEPT = 0.97
_FAST_KEPT = 0.70
_SECOND_WAVE = 0.3
"""Size of the half-yearly wave in units of the yearly one."""
_SIZES = tuple(
    (season, slow, fast) for season in (1.5, 7.0) for slow in (0.2, 0.8, 2.0) for fast in (0.3, 1.5)
)
"""The hypotheses: sizes of season, slow and fast, in units of the noise."""
_FIRST_NOISE = 0.2
"""Noise of z as a share of it, before the days tell."""
_FIRST_FREEDOM = 2.0
_NOISE_KEPT = 0.99
_WEIGHT_KEPT = 0.98
_LARGEST_STEP = 3.5
"""A deviation beyond so many standard deviations is learned as this many: one emptied tank is no level."""

_ABSENT_SHARE = 0.15
_ABSENT_BELOW = 2.5
_LEAST_ABSENCE = 3
_LONGEST_ABSENCE = 28
_NOTHING_SHARE = 0.15
_LEAST_FACTOR = 0.3
_RHYTHM_KEPT = 0.94
_LEAST_WEEKS = 3.0


@dataclass(frozen=True, slots=True)
class Track:
    """One hypothesis: its filtered state and how well it has forecast."""

    log_weight: float
    freedom: float
    """Effective number of days behind the noise."""
    noise: float
    """Variance of the noise."""
    mean: tuple[float, ...]
    spread: tuple[float, ...]
    """Lower triangle of the covariance, in units of the noise's variance."""


@dataclass(frozen=True, slots=True)
class DailyUse:
    """The learned use of a day. ``DailyUse()`` is the first state. Its size is fixed."""

    day: int = 0
    """Ordinal of the newest learned day."""
    first: tuple[tuple[int, float], ...] = ()
    """The first days, until the filters begin."""
    tracks: tuple[Track, ...] = ()
    rhythm: tuple[tuple[float, float, float], ...] = ((0.0, 0.0, 0.0),) * 7
    """Monday to Sunday: effective number of days, and the sums of the squared forecast of z and of its
    product with z."""
    rhythm_noise: float = 0.0
    """Mean square of the deviations."""
    absent_run: int = 0
    """Days of the absence that runs now."""
    absences: float = 0.0
    absent_days: float = 0.0
    present_days: float = 0.0

    @property
    def known(self) -> bool:
        """Whether enough days are learned for a forecast."""
        return bool(self.tracks)


def learn(state: DailyUse, day: int, litres: float) -> DailyUse:
    """Learn the use of one day.

    Args:
        state: the state before.
        day: the ordinal of the day. A day that is not after the newest one is ignored.
        litres: the use of the day; a little below zero is the noise of a level sensor.

    Raises:
        OutOfRangeError: If the use is not finite.
    """
    if not math.isfinite(litres):
        raise OutOfRangeError(f"Use of a day: it is {litres:g} L; it must be a finite number.")
    if day <= state.day:
        return state
    z = math.copysign(math.sqrt(abs(litres)), litres)
    if not state.tracks:
        first = (*state.first, (day, z))
        if len(first) < FIRST_DAYS:
            return replace(state, day=day, first=first)
        started = replace(state, first=(), day=first[0][0] - 1, tracks=_begin([one for _, one in first]))
        for at, value in first:
            started = _learn(started, at, value)
        return started
    return _learn(state, day, z)


def _begin(first: Sequence[float]) -> tuple[Track, ...]:
    level = math.fsum(first) / len(first)
    typical = math.sqrt(math.fsum(one * one for one in first) / len(first))
    noise = max(_FIRST_NOISE * typical, 1e-3) ** 2
    tracks = []
    for season, slow, fast in _SIZES:
        sizes = (
            max(typical, 0.1) / math.sqrt(noise),
            season,
            season,
            _SECOND_WAVE * season,
            _SECOND_WAVE * season,
            slow,
            fast,
        )
        spread = tuple(
            sizes[row] ** 2 if row == column else 0.0 for row in range(_PARTS) for column in range(row + 1)
        )
        tracks.append(Track(0.0, _FIRST_FREEDOM, noise, (level, *(0.0,) * 6), spread))
    return tuple(tracks)


def _learn(state: DailyUse, day: int, z: float) -> DailyUse:
    ahead = [_later(track, sizes, day - state.day) for track, sizes in zip(state.tracks, _SIZES, strict=True)]
    row = _row(day)
    weekday = date.fromordinal(day).weekday()
    factor = rhythm_of(state)[weekday]
    gains = [_gains(track, row) for track in ahead]
    plain, deviation = _expected(ahead, gains)
    expected, deviation = factor * plain, factor * deviation
    # A day of the week that people leave out tells nothing of the other days.
    counts = factor >= _LEAST_FACTOR
    low = counts and _ABSENT_SHARE * max(expected, 0.0) ** 2 >= z * abs(z)
    absent = low and expected - z > _ABSENT_BELOW * deviation
    # Rain leaves nothing to water: then the wish was some value below zero.
    nothing = z < _NOTHING_SHARE * (max(expected, 0.0) + deviation)
    state = replace(state, day=day)
    if state.absent_run < _LONGEST_ABSENCE // 2:
        state = _with_rhythm(state, weekday, z, plain)
    if absent and state.absent_run < _LONGEST_ABSENCE:
        run = state.absent_run + 1
        # A free weekend is rhythm.
        counted = float(_LEAST_ABSENCE if run == _LEAST_ABSENCE else run > _LEAST_ABSENCE)
        return replace(
            state,
            tracks=tuple(ahead),
            absent_run=run,
            absences=state.absences + (run == _LEAST_ABSENCE),
            absent_days=state.absent_days + counted,
        )
    if counts:
        ahead = [_updated(track, gain, z / factor, nothing) for track, gain in zip(ahead, gains, strict=True)]
    most = max(track.log_weight for track in ahead)
    return replace(
        state,
        tracks=tuple(replace(track, log_weight=max(track.log_weight - most, -30.0)) for track in ahead),
        absent_run=0 if counts and not absent else state.absent_run,
        present_days=state.present_days + 1.0,
    )


def _row(day: int) -> tuple[float, ...]:
    angle = 2.0 * math.pi * day / 365.2425
    return 1.0, math.cos(angle), math.sin(angle), math.cos(2.0 * angle), math.sin(2.0 * angle), 1.0, 1.0


def _later(track: Track, sizes: tuple[float, float, float], days: int) -> Track:
    """Return the state some days later: slow and fast return towards zero."""
    _, slow, fast = sizes
    kept = (1.0, 1.0, 1.0, 1.0, 1.0, _SLOW_KEPT**days, _FAST_KEPT**days)
    mean = tuple(one * keep for one, keep in zip(track.mean, kept, strict=True))
    spread = list(track.spread)
    at = 0
    for row in range(_PARTS):
        for column in range(row + 1):
            spread[at] *= kept[row] * kept[column]
            at += 1
    spread[_place(_SLOW, _SLOW)] += slow * slow * (1.0 - kept[_SLOW] ** 2)
    spread[_place(_FAST, _FAST)] += fast * fast * (1.0 - kept[_FAST] ** 2)
    return replace(track, mean=mean, spread=tuple(spread))


def _place(row: int, column: int) -> int:
    """Return the place in the lower triangle."""
    return row * (row + 1) // 2 + column


_Gain = tuple[float, list[float], float]
"""The forecast of z, the covariance of each part with it, and its variance in units of the noise."""

_FULL = tuple(
    tuple(_place(max(row, column), min(row, column)) for column in range(_PARTS)) for row in range(_PARTS)
)


def _gains(track: Track, row: tuple[float, ...]) -> _Gain:
    spread = track.spread
    cross = [sum(spread[place] * one for place, one in zip(places, row, strict=True)) for places in _FULL]
    forecast = sum(one * part for one, part in zip(row, track.mean, strict=True))
    return forecast, cross, sum(one * part for one, part in zip(row, cross, strict=True)) + 1.0


def _updated(track: Track, gain: _Gain, z: float, at_most: bool) -> Track:
    """Return the state after one day.

    Args:
        track: the state before it.
        gain: its forecast of this day.
        z: the measured value.
        at_most: z is only known to be at or below this value; its mean below it is learned.
    """
    forecast, cross, variance = gain
    error = z - forecast
    if at_most:
        deviation = math.sqrt(variance * track.noise)
        below = max(0.5 * math.erfc(-error / deviation / math.sqrt(2.0)), 1e-12)
        density = math.exp(-0.5 * (error / deviation) ** 2) / math.sqrt(2.0 * math.pi)
        error = max(-deviation * density / below, error - deviation)
    size = error * error / (variance * track.noise)
    freedom = track.freedom
    # Student's t: the noise is not known.
    log_likelihood = (
        math.lgamma(0.5 * (freedom + 1.0))
        - math.lgamma(0.5 * freedom)
        - 0.5 * math.log(freedom * math.pi * variance * track.noise)
        - 0.5 * (freedom + 1.0) * math.log1p(size / freedom)
    )
    if at_most:
        log_likelihood = math.log(below)
    largest = _LARGEST_STEP * math.sqrt(variance * track.noise)
    error = min(max(error, -largest), largest)
    size = min(size, _LARGEST_STEP**2)
    mean = tuple(part + one * error / variance for part, one in zip(track.mean, cross, strict=True))
    spread = list(track.spread)
    at = 0
    for one in range(_PARTS):
        part = cross[one] / variance
        for two in range(one + 1):
            spread[at] -= part * cross[two]
            at += 1
    kept = _NOISE_KEPT * freedom
    noise = track.noise * (kept + size) / (kept + 1.0)
    return Track(
        _WEIGHT_KEPT * track.log_weight + log_likelihood, kept + 1.0, max(noise, 1e-9), mean, tuple(spread)
    )


def _weights(tracks: Sequence[Track]) -> list[float]:
    most = max(track.log_weight for track in tracks)
    weights = [math.exp(track.log_weight - most) for track in tracks]
    total = math.fsum(weights)
    return [weight / total for weight in weights]


def _expected(tracks: Sequence[Track], gains: Sequence[_Gain]) -> tuple[float, float]:
    """Return the mean and the standard deviation of the next z, over all hypotheses, without rhythm."""
    mean = square = 0.0
    for weight, track, (forecast, _, variance) in zip(_weights(tracks), tracks, gains, strict=True):
        mean += weight * forecast
        square += weight * (forecast * forecast + variance * track.noise)
    return mean, math.sqrt(max(square - mean * mean, 1e-12))


def _with_rhythm(state: DailyUse, weekday: int, z: float, expected: float) -> DailyUse:
    expected = max(expected, 0.0)
    count, squares, product = (_RHYTHM_KEPT * one for one in state.rhythm[weekday])
    count, squares, product = count + 1.0, squares + expected * expected, product + expected * z
    days = list(state.rhythm)
    days[weekday] = (count, squares, product)
    around = z - (product / squares if squares > 0.0 else 1.0) * expected
    total = sum(one for one, _, _ in days)
    noise = state.rhythm_noise + (around * around - state.rhythm_noise) / total
    return replace(state, rhythm=tuple(days), rhythm_noise=noise)


def rhythm_of(state: DailyUse) -> tuple[float, ...]:
    """Return the factor of z on each day of the week; ones while no rhythm is seen."""
    if any(count < _LEAST_WEEKS or squares <= 0.0 for count, squares, _ in state.rhythm):
        return (1.0,) * 7
    factors = [product / squares for _, squares, product in state.rhythm]
    centre = math.fsum(factors) / 7.0
    if centre <= 0.0:
        return (1.0,) * 7
    spread = math.fsum((one - centre) ** 2 for one in factors)
    error = math.fsum(1.0 / squares for _, squares, _ in state.rhythm) / 7.0 * state.rhythm_noise
    kept = max(1.0 - 4.0 * error / spread, 0.0) if spread > 0.0 else 0.0
    return tuple(max(1.0 + kept * (one - centre) / centre, 0.0) for one in factors)


def sampled(state: DailyUse, day: int, enough_l: float, days: int = HORIZON_DAYS) -> "list[array[float]]":
    """Sample the use of the days from ``day`` on.

    The same state gives the same paths.

    Args:
        state: the learned use; it must be known.
        day: the ordinal of the first day.
        enough_l: a path ends where its sum after the first day reaches this volume. A forecast may begin
            within that day.
        days: the longest path.

    Returns:
        For each path the litres of each day.
    """
    chance = random.Random(day)
    steps = max(day - state.day, 0)
    ahead = [_later(track, sizes, steps) for track, sizes in zip(state.tracks, _SIZES, strict=True)]
    rows = [_row(day + later) for later in range(days)]
    rhythm = rhythm_of(state)
    weekday = date.fromordinal(day).weekday()
    factors = [rhythm[(weekday + later) % 7] for later in range(days)]
    # An absence: once in a year or two, for about a week, until the days tell more.
    begins = (state.absences + 1.0) / (state.present_days + 500.0)
    ends = (state.absences + 1.0) / (state.absent_days + 8.0)
    paths: list[array[float]] = []
    due = 0.0
    for weight, track, sizes in zip(_weights(ahead), ahead, _SIZES, strict=True):
        due += weight * PATHS
        if round(due) == len(paths):
            continue
        root = _root(track.spread)
        while len(paths) < round(due):
            paths.append(_path(track, sizes, root, rows, factors, state, begins, ends, enough_l, chance))
    return paths


def _path(
    track: Track,
    sizes: tuple[float, float, float],
    root: Sequence[Sequence[float]],
    rows: Sequence[tuple[float, ...]],
    factors: Sequence[float],
    state: DailyUse,
    begins: float,
    ends: float,
    enough_l: float,
    chance: random.Random,
) -> "array[float]":
    gauss, uniform = chance.gauss, chance.random
    noise = math.sqrt(track.noise * track.freedom / (2.0 * chance.gammavariate(0.5 * track.freedom, 1.0)))
    steps = [gauss(0.0, 1.0) for _ in range(_PARTS)]
    level, cos, sin, cos2, sin2, slow, fast = (
        part + noise * math.fsum(one * step for one, step in zip(line, steps, strict=False))
        for part, line in zip(track.mean, root, strict=True)
    )
    slow_step = noise * sizes[1] * math.sqrt(1.0 - _SLOW_KEPT**2)
    fast_step = noise * sizes[2] * math.sqrt(1.0 - _FAST_KEPT**2)
    absent = state.absent_run > 0 and state.absent_run < _LONGEST_ABSENCE
    litres = array("f")
    total = 0.0
    for row, factor in zip(rows, factors, strict=True):
        absent = uniform() >= ends if absent else uniform() < begins
        z = level + cos * row[1] + sin * row[2] + cos2 * row[3] + sin2 * row[4] + slow + fast
        z = factor * (z + gauss(0.0, noise))
        used = z * z if z > 0.0 and not absent else 0.0
        total += used if litres else 0.0
        litres.append(used)
        if total >= enough_l:
            break
        slow = _SLOW_KEPT * slow + gauss(0.0, slow_step)
        fast = _FAST_KEPT * fast + gauss(0.0, fast_step)
    return litres


def _root(spread: Sequence[float]) -> list[list[float]]:
    """Return the lower triangular root of a covariance (Cholesky)."""
    root: list[list[float]] = []
    for row in range(_PARTS):
        line: list[float] = []
        for column in range(row + 1):
            rest = spread[_place(row, column)]
            above = line if row == column else root[column]
            rest -= math.fsum(one * two for one, two in zip(line, above, strict=False))
            if row == column:
                line.append(math.sqrt(max(rest, 0.0)))
            else:
                line.append(rest / root[column][column] if root[column][column] > 1e-9 else 0.0)
        root.append(line)
    return root
