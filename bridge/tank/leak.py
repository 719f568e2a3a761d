"""A leak, found in the falls of whole nights.

The theory. A leak takes the same in every hour of every day. What else lowers the level at night differs
from it, each in its own way:

    a timer          takes its water in the same hour or two of every night: those hours stand out
    people           take water in some nights: those nights stand out
    a wick, a tray   takes more by day than by night, since it follows the sun
    misting          by day leaves the night alone; by day and night it is told apart by its day
    a warm afternoon swells the water; it shrinks at night, and the level rises again by day

A level sensor with a step shows a leak of a fraction of a step in a night only as one step now and then. The
fall of a whole night has the errors of two readings, and its mean over fourteen nights has a fourteenth of
their variance. So the measure is the mean of whole nights without their extremes, and with it the quiet part
of the days: a leak takes the same there, a wick takes more, and swelling cancels. Where water is used all
day long there is no quiet part, and a leak cannot be told from a wick; then nothing is reported.

The least leak that can be found follows from the errors: :func:`least_leak_l_h`.
"""

import math
from dataclasses import dataclass
from statistics import median

from bridge.tank.shapes import not_negative
from bridge.tank.use import HOURS, DrawOff, DrawOffSettings

LEAST_L_H = 0.05
_LEAST_NIGHTS = 4
_TRIMMED = 7
"""One night in so many is left out at each end."""
_READING = 0.30
"""Standard error of one reading in units of its resolution: a step's is 1/sqrt(12)."""
_SURE = 3.3
"""Standard errors above zero. A false alarm then takes thousands of independent fortnights."""
_SURE_NIGHT = 3.0
"""The same for the night alone; the quiet day confirms it."""
_SWELLING_SHARE = 0.0018
"""Share of the volume by which water shrinks that cools by 8 °C in a night. Its expansion is 2.1e-4 per °C at
20 °C (from memory)."""
_FOUND = 2.0
"""Standard errors above the threshold of a leak that is found in 95 of 100 cases: 1.65, and more because the
nights of a leak scatter more than nights without one."""
_STEP_SCATTER = 1.3
_SCATTER = 0.35
"""Largest deviation of nights and hours from their mean, as a share of it, besides their errors."""
_MOST_TIMER_HOURS = 2
_DAY_PARTS = ((10, 14), (14, 18))
"""Parts of the day in which a wick takes more than at night."""
_LOW_DAY, _HIGH_DAY = 0.25, 1.2
"""The day of a leak, in units of its night; a leak that has just begun is in half of the days."""


@dataclass(frozen=True, slots=True)
class Leak:
    """A steady fall of the level at night, which neither people nor timers explain."""

    litres_per_hour: float

    @property
    def sentence(self) -> str:
        """What was found, and what to check."""
        return (
            f"The reservoir loses {self.litres_per_hour:.2f} L in every hour of the night, too steadily to "
            f"be use: {24.0 * self.litres_per_hour:.1f} L a day. Look for a drip at the tap, the hose and "
            "the fittings, and for a wick or a tray that takes water all night."
        )


@dataclass(frozen=True, slots=True)
class _Rate:
    """A mean rate with its standard error, L/h."""

    mean: float
    error: float


def leak_hint(settings: DrawOffSettings, state: DrawOff, least_l_h: float = LEAST_L_H) -> Leak | None:
    """Return a leak of at least ``least_l_h`` litres an hour if the last nights show one, else None.

    Raises:
        OutOfRangeError: If ``least_l_h`` is negative.
    """
    not_negative("Leak", "the least flow", least_l_h, "L/h")
    night = _night(settings, state)
    if night is None:
        return None
    swelling = _SWELLING_SHARE * state.last_l / settings.night_hours
    if night.mean < max(least_l_h, swelling + _SURE_NIGHT * night.error):
        return None
    day = _quiet_day(settings, state, night)
    if day is None:
        return None
    both = 0.5 * (night.mean + day.mean)
    if both < max(least_l_h, _SURE * 0.5 * math.hypot(night.error, day.error)):
        return None
    return Leak(night.mean)


def least_leak_l_h(settings: DrawOffSettings, volume_l: float, nights: int = 14) -> float:
    """Return the least leak that is found in so many nights in 95 of 100 cases.

    This holds where the afternoon is quiet and no timer runs at night. The day's means remember two weeks: of
    a leak that has just begun they hold a half, which the result allows for.

    Args:
        settings: the settings of the learning.
        volume_l: the usual volume of the water, which swells and shrinks.
        nights: the nights since the leak began.
    """
    night = _error(settings, settings.night_hours, nights)
    day = _error(settings, 8, nights)
    alone = _SWELLING_SHARE * volume_l / settings.night_hours + (_SURE_NIGHT + _FOUND) * night
    return max(LEAST_L_H, alone, (_SURE + _FOUND) * 0.5 * math.hypot(night, day) / 0.75)


def _error(settings: DrawOffSettings, hours: int, nights: float, gaps: int = 0) -> float:
    """Return the standard error of a rate over so many hours of each of so many nights.

    The end of an hour is the beginning of the next, so only the ends count; each gap has two more ends.
    """
    return _READING * settings.resolution_l * math.sqrt(2.0 * (1.0 + gaps) / nights) / hours


def _night(settings: DrawOffSettings, state: DrawOff) -> _Rate | None:
    """Return the mean rate of the whole nights, without timers; None if it is not steady."""
    table: dict[int, list[float]] = {}
    shift = HOURS - settings.night_from_hour if settings.night_from_hour > settings.night_until_hour else 0
    for key, taken_l_h in state.night:
        table.setdefault((key + shift) // HOURS, []).append(taken_l_h)
    nights = [taken for taken in table.values() if len(taken) == settings.night_hours]
    if len(nights) < _LEAST_NIGHTS:
        return None
    hours = list(range(settings.night_hours))
    for gaps in range(_MOST_TIMER_HOURS + 1):
        columns = {hour: math.fsum(night[hour] for night in nights) / len(nights) for hour in hours}
        highest = max(columns, key=lambda hour: columns[hour])
        usual = max(median(columns.values()), 0.0)
        if columns[highest] - usual <= _SCATTER * usual + 3.0 * _error(settings, 1, len(nights)):
            break
        if gaps == _MOST_TIMER_HOURS:
            return None
        hours.remove(highest)
    rows = sorted(math.fsum(night[hour] for hour in hours) / len(hours) for night in nights)
    cut = len(rows) // _TRIMMED
    kept = rows[cut : len(rows) - cut]
    mean = math.fsum(kept) / len(kept)
    scatter = math.sqrt(math.fsum((row - mean) ** 2 for row in kept) / (len(kept) - 1.0))
    one_night = _error(settings, len(hours), 1, gaps)
    if scatter > _SCATTER * max(mean, 0.0) + 2.0 * one_night:
        return None
    # A leak of half a step makes nights of no step and of one; more scatter is a sensor worse than stated.
    error = one_night if scatter <= _STEP_SCATTER * one_night else scatter
    return _Rate(mean, error / math.sqrt(len(rows)))


def _quiet_day(settings: DrawOffSettings, state: DrawOff, night: _Rate) -> _Rate | None:
    """Return the mean rate of the quiet part of the day; None if it is not that of a leak."""
    parts = []
    for begin, end in _DAY_PARTS:
        means = state.hours[begin:end]
        weight = min(mean.weight for mean in means)
        if weight < _LEAST_NIGHTS - 1.0:
            return None
        rate = math.fsum(mean.mean for mean in means) / len(means)
        parts.append(_Rate(rate, _error(settings, len(means), weight)))
    low, high = sorted(parts, key=lambda part: part.mean)
    quiet = low
    if high.mean - low.mean <= 3.0 * math.hypot(low.error, high.error):
        # No watering in either part. They share the reading between them.
        quiet = _Rate(0.5 * (low.mean + high.mean), 0.5 * max(low.error, high.error))
    error = math.hypot(quiet.error, night.error)
    if not _LOW_DAY * night.mean - quiet.error <= quiet.mean <= _HIGH_DAY * (night.mean + error):
        return None
    return quiet
