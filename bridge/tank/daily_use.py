"""The use of a day, learned from the days before it: a level that wanders, a season, a week, absences.

The theory. The square root ``z`` of a day's litres is

    z = rhythm x (level + season + slow + fast + noise)

The square root makes the scatter of a summer and of a winter alike. *level* is constant. *season* is a yearly
wave and a half-yearly one. *slow* and *fast* are habits and weather: the one returns to zero in weeks, the
other in days. So a warm day tells something of the next, and a warm month of the month after it. The size
of each part is not known in advance. So several hypotheses run side by side, each a Kalman filter with its
own sizes in units of the noise. Each learns its noise (an inverse gamma distribution, so that few days make
wide tails), and each counts by how well it has forecast the days so far. A first year has no season of its
own; the hypotheses keep the interval wide enough for one.

A rainy day leaves nothing to water, and tells nothing of the use on a dry one. So whether there is any use
on a day is a process of its own: there is some while a second sum of the same parts, with a noise of one, is
above zero (a probit). It learns from yes and no alone, and does not count before the first day without use.
In April a garden in the rain uses nothing on most days; its first dry week uses as much as dry days do.

*rhythm* is a factor for each day of the week, shrunk towards one while the seven factors differ no more than
chance makes them differ (James and Stein).

An *absence* is a run of days with almost no use that nobody expected: a holiday. The filters do not learn
from it. A run of up to four days is taken for rain in hindsight. How often an absence begins and how long it
lasts is learned too. After four weeks it counts as the new use.

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
from bridge.tank.tracks import (
    FAST_KEPT,
    PARTS,
    SLOW_KEPT,
    Gain,
    Track,
    first_spread,
    gains_of,
    later,
    narrowed,
    root_of,
    row_of,
    seen,
)

FIRST_DAYS = 4
"""Days that are collected before the filters begin."""
PATHS = 240
HORIZON_DAYS = 120
"""Paths end here."""

_SIZES = tuple(
    (season, slow, fast) for season in (1.5, 7.0) for slow in (0.2, 0.8, 2.0) for fast in (0.3, 1.5)
)
"""The hypotheses: sizes of season, slow and fast, in units of the noise."""
_ANY_SIZES = (2.5, 1.5, 1.0)
"""Sizes of season, slow and fast of the process that decides whether there is any use."""
_ANY_FIRST, _ANY_FIRST_SD = 1.5, 1.5
"""Its level at first: on most days there is some."""
_FIRST_NOISE = 0.2
"""Noise of z as a share of it, before the days tell."""
_FIRST_FREEDOM = 2.0
_NOISE_KEPT = 0.99
_WEIGHT_KEPT = 0.99
_LARGEST_STEP = 3.5
"""A deviation beyond so many standard deviations is learned as this many: one emptied tank is no level."""

_ABSENT_SHARE = 0.15
_ABSENT_BELOW = 2.5
_ABSENT_CHANCE = 0.1
"""Where a day without use is more likely than this, it is none of an absence."""
_SHORT_RUN = 4
_LEAST_ABSENCE = 3
_LONGEST_ABSENCE = 28
_NOTHING_SHARE = 0.15
_LEAST_FACTOR = 0.3
_RHYTHM_KEPT = 0.94
_LEAST_WEEKS = 3.0


@dataclass(frozen=True, slots=True)
class DailyUse:
    """The learned use of a day. ``DailyUse()`` is the first state. Its size is fixed."""

    day: int = 0
    """Ordinal of the newest learned day."""
    first: tuple[tuple[int, float], ...] = ()
    """The first days, until the filters begin."""
    tracks: tuple[Track, ...] = ()
    any_use: Track | None = None
    """Whether there is any use; its noise is one."""
    nothing_days: int = 0
    """Learned days without use."""
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
        day_before = first[0][0] - 1
        started = DailyUse(day=day_before, tracks=_begin([one for _, one in first]), any_use=_begin_any())
        for at, value in first:
            started = _learn(started, at, value)
        return started
    return _learn(state, day, z)


def _begin(first: Sequence[float]) -> tuple[Track, ...]:
    level = math.fsum(first) / len(first)
    typical = math.sqrt(math.fsum(one * one for one in first) / len(first))
    noise = max(_FIRST_NOISE * typical, 1e-3) ** 2
    level_sd = max(typical, 0.1) / math.sqrt(noise)
    return tuple(
        Track(0.0, _FIRST_FREEDOM, noise, (level, *(0.0,) * 6), first_spread(level_sd, sizes))
        for sizes in _SIZES
    )


def _begin_any() -> Track:
    return Track(0.0, _FIRST_FREEDOM, 1.0, (_ANY_FIRST, *(0.0,) * 6), first_spread(_ANY_FIRST_SD, _ANY_SIZES))


def _learn(state: DailyUse, day: int, z: float) -> DailyUse:
    ahead = [later(track, sizes, day - state.day) for track, sizes in zip(state.tracks, _SIZES, strict=True)]
    row = row_of(day)
    weekday = date.fromordinal(day).weekday()
    factor = rhythm_of(state)[weekday]
    gains = [gains_of(track, row) for track in ahead]
    plain, deviation = _expected(ahead, gains)
    expected, deviation = factor * plain, factor * deviation
    # A day of the week that people leave out tells nothing of the other days.
    counts = factor >= _LEAST_FACTOR
    any_use = later(state.any_use or _begin_any(), _ANY_SIZES, day - state.day)
    low = counts and _ABSENT_SHARE * max(expected, 0.0) ** 2 >= z * abs(z)
    absent = (
        low and expected - z > _ABSENT_BELOW * deviation and _chance_of_none(any_use, row) < _ABSENT_CHANCE
    )
    nothing = z < _NOTHING_SHARE * (max(expected, 0.0) + deviation)
    state = replace(state, day=day, any_use=any_use)
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
        state = _with_use_or_none(state, row, nothing)
        if not nothing:
            ahead = [_updated(track, gain, z / factor) for track, gain in zip(ahead, gains, strict=True)]
    most = max(track.log_weight for track in ahead)
    return replace(
        state,
        tracks=tuple(replace(track, log_weight=max(track.log_weight - most, -30.0)) for track in ahead),
        absent_run=0 if counts and not absent else state.absent_run,
        present_days=state.present_days + 1.0,
    )


def _with_use_or_none(state: DailyUse, row: tuple[float, ...], nothing: bool) -> DailyUse:
    """Learn whether there was any use, on this day and on those of a short run that was no absence."""
    track = state.any_use or _begin_any()
    earlier = state.absent_run if 0 < state.absent_run <= _SHORT_RUN else 0
    for _ in range(earlier):
        track = seen(track, row, False)
    track = seen(track, row, not nothing)
    return replace(state, any_use=track, nothing_days=state.nothing_days + earlier + nothing)


def _chance_of_none(track: Track, row: tuple[float, ...]) -> float:
    forecast, _, variance = gains_of(track, row)
    return 0.5 * math.erfc(forecast / math.sqrt(2.0 * variance))


def _updated(track: Track, gain: Gain, z: float) -> Track:
    """Return the state after one day, from its forecast of that day."""
    forecast, cross, variance = gain
    error = z - forecast
    size = error * error / (variance * track.noise)
    freedom = track.freedom
    # Student's t: the noise is not known.
    log_likelihood = (
        math.lgamma(0.5 * (freedom + 1.0))
        - math.lgamma(0.5 * freedom)
        - 0.5 * math.log(freedom * math.pi * variance * track.noise)
        - 0.5 * (freedom + 1.0) * math.log1p(size / freedom)
    )
    largest = _LARGEST_STEP * math.sqrt(variance * track.noise)
    error = min(max(error, -largest), largest)
    size = min(size, _LARGEST_STEP**2)
    mean = tuple(part + one * error / variance for part, one in zip(track.mean, cross, strict=True))
    spread = narrowed(track.spread, cross, 1.0 / variance)
    kept = _NOISE_KEPT * freedom
    noise = track.noise * (kept + size) / (kept + 1.0)
    return Track(_WEIGHT_KEPT * track.log_weight + log_likelihood, kept + 1.0, max(noise, 1e-9), mean, spread)


def _weights(tracks: Sequence[Track]) -> list[float]:
    most = max(track.log_weight for track in tracks)
    weights = [math.exp(track.log_weight - most) for track in tracks]
    total = math.fsum(weights)
    return [weight / total for weight in weights]


def _expected(tracks: Sequence[Track], gains: Sequence[Gain]) -> tuple[float, float]:
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
    ahead = [later(track, sizes, steps) for track, sizes in zip(state.tracks, _SIZES, strict=True)]
    rows = [row_of(day + number) for number in range(days)]
    rhythm = rhythm_of(state)
    weekday = date.fromordinal(day).weekday()
    factors = [rhythm[(weekday + number) % 7] for number in range(days)]
    # An absence: once in a year or two, for about a week, until the days tell more.
    begins = (state.absences + 1.0) / (state.present_days + 500.0)
    ends = (state.absences + 1.0) / (state.absent_days + 8.0)
    any_use = None
    if state.any_use is not None and state.nothing_days:
        any_use = later(state.any_use, _ANY_SIZES, steps)
        any_root = root_of(any_use.spread)
    paths: list[array[float]] = []
    due = 0.0
    for weight, track, sizes in zip(_weights(ahead), ahead, _SIZES, strict=True):
        due += weight * PATHS
        if round(due) == len(paths):
            continue
        root = root_of(track.spread)
        while len(paths) < round(due):
            without = None if any_use is None else _days_without(any_use, any_root, rows, chance)
            paths.append(
                _path(track, sizes, root, rows, factors, state, begins, ends, without, enough_l, chance)
            )
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
    without: Sequence[bool] | None,
    enough_l: float,
    chance: random.Random,
) -> "array[float]":
    gauss, uniform = chance.gauss, chance.random
    noise = math.sqrt(track.noise * track.freedom / (2.0 * chance.gammavariate(0.5 * track.freedom, 1.0)))
    steps = [gauss(0.0, 1.0) for _ in range(PARTS)]
    level, cos, sin, cos2, sin2, slow, fast = (
        part + noise * math.fsum(one * step for one, step in zip(line, steps, strict=False))
        for part, line in zip(track.mean, root, strict=True)
    )
    slow_step = noise * sizes[1] * math.sqrt(1.0 - SLOW_KEPT**2)
    fast_step = noise * sizes[2] * math.sqrt(1.0 - FAST_KEPT**2)
    absent = state.absent_run > 0 and state.absent_run < _LONGEST_ABSENCE
    litres = array("f")
    total = 0.0
    for number, (row, factor) in enumerate(zip(rows, factors, strict=True)):
        absent = uniform() >= ends if absent else uniform() < begins
        z = level + cos * row[1] + sin * row[2] + cos2 * row[3] + sin2 * row[4] + slow + fast
        z = factor * (z + gauss(0.0, noise))
        used = z * z if z > 0.0 and not absent and not (without and without[number]) else 0.0
        total += used if litres else 0.0
        litres.append(used)
        if total >= enough_l:
            break
        slow = SLOW_KEPT * slow + gauss(0.0, slow_step)
        fast = FAST_KEPT * fast + gauss(0.0, fast_step)
    return litres


def _days_without(
    track: Track, root: Sequence[Sequence[float]], rows: Sequence[tuple[float, ...]], chance: random.Random
) -> list[bool]:
    """Sample the days without use."""
    gauss = chance.gauss
    steps = [gauss(0.0, 1.0) for _ in range(PARTS)]
    level, cos, sin, cos2, sin2, slow, fast = (
        part + math.fsum(one * step for one, step in zip(line, steps, strict=False))
        for part, line in zip(track.mean, root, strict=True)
    )
    slow_step = _ANY_SIZES[1] * math.sqrt(1.0 - SLOW_KEPT**2)
    fast_step = _ANY_SIZES[2] * math.sqrt(1.0 - FAST_KEPT**2)
    without = []
    for row in rows:
        wanted = level + cos * row[1] + sin * row[2] + cos2 * row[3] + sin2 * row[4] + slow + fast
        without.append(wanted + gauss(0.0, 1.0) < 0.0)
        slow = SLOW_KEPT * slow + gauss(0.0, slow_step)
        fast = FAST_KEPT * fast + gauss(0.0, fast_step)
    return without
