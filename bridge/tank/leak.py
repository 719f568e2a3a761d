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
their variance. So the measure is the mean of nights, each weighted by its error and without those that stand
out. A fill takes its hours out of a night; what is left of it counts with its larger error.

A leak may have begun at any time. So the windows of the newest four, seven, ten and fourteen nights are
tried (a sum of deviations from zero since each possible begin, as in CUSUM): nights from before the begin
weaken a window, and every window ends today. Each window is judged twice:

    by day and night  The night is compared with the quiet part of the days: a leak takes the same there, a
                      wick takes more, and swelling cancels.
    by comparison     Where plants draw water all day, the day says nothing by itself. But they draw a steady
                      share k at night of their draw by day w. A leak x adds the same to both: n = k w + x,
                      d = w + x, so x = (n - k d) / (1 - k). The share is that of the days before the window,
                      together with the usual one. Where the days before have no sun in them, the night and
                      the day are judged by what they take more than before.

The second needs days before the leak. A leak that was there from the beginning, or for longer than a month,
cannot be told from a wick, unless the share is stated (:attr:`DrawOffSettings.night_draw`). Then the first
judgement is the night beyond this share of the day.

The threshold of a comparison is in standard errors of the newest nights as they would scatter without a leak:
nights of no step at all scatter less than nights of a leak. The errors of the days before count only as far
as the draw has grown since: slightly more false alarms in the first two months, many more leaks found.

The least leak that the first test finds follows from the errors: :func:`least_leak_l_h`.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from bridge.tank.shapes import not_negative
from bridge.tank.use import (
    DAYS_KEPT,
    EARLIER_HALF_LIVES,
    HOURS,
    LEAST_PART,
    READING_ERROR,
    DrawOff,
    DrawOffSettings,
    RunningMean,
    part_rate,
)

LEAST_L_H = 0.05
_WINDOWS = (DAYS_KEPT, 10, 7, 4)
_LEAST_NIGHTS = 4
_MANY_NIGHTS = 10
_SAME_PHASE = 1.08
"""Where a day uses nearly whole steps, one night after the other falls in the same part of a step. Then their
errors average out less: the factor is for fourteen nights of invented gardens."""
_SURE = 3.3
"""Standard errors above zero. A false alarm then takes thousands of independent fortnights."""
_SURE_NIGHT = 3.0
"""The same for the night alone; the quiet day confirms it."""
_SURE_SOON = 5.0
"""The same for a window of fewer nights, which sees a timer less surely."""
_SURE_COMPARED = 3.1
"""The same where only a comparison with the weeks before shows a leak."""
_SURE_COMPARED_SUN = 3.6
"""The same where the draw follows the sun."""
_SURE_STATED = 3.3
"""The same beyond a stated share that is not zero."""
_USUAL_NIGHTS = 20.0
"""Nights before a window count as this many more, with the error of a reading: few of them scatter by chance
less than nights do."""
_SWELLING_SHARE = 0.0018
"""Share of the volume by which water shrinks that cools by 8 °C in a night. Its expansion is 2.1e-4 per °C at
20 °C (from memory)."""
_FOUND = 1.85
"""Standard errors above the threshold of a leak that is found in 95 of 100 cases: 1.65, and more because the
nights of a leak scatter more than nights without one."""
_STEP_SCATTER = 1.3
_SCATTER = 0.35
"""Largest deviation of nights and hours from their mean, as a share of it, besides their errors."""
_FAR = 3.3
"""Standard errors above the median from which on a night stands out."""
_LEFT_OUT = 5
"""One night in so many may stand out and is left out."""
_MOST_TIMER_HOURS = 2
_ALIKE = 1.65
"""Standard errors up to which the hours of the day count as those of the night: 95 of 100 leaks."""
_LOW_DAY, _HIGH_DAY = 0.25, 1.2
"""The day of a leak, in units of its night."""
_WICK = 5.0
"""A wick takes at least this many times as much by day as at night (invented worlds; no source)."""
_SURE_BESIDE = 2.7
"""Standard errors of what the night takes beside such a wick."""
_SURE_BESIDE_LATER = 4.0
"""The same once the comparison with the weeks before finds what is new."""
_LEAST_EARLIER = 7.0
_SUN = 1.5
"""The draw by day in units of that by night, from which on it follows the sun."""
_CHANCE = 2.0
"""Standard errors up to which a difference is chance."""
_CHANGE_OF_SHARE = 0.5
"""Largest change of the share that plants draw at night."""
_SHARE, _SHARE_SD = 0.10, 0.06
"""The draw of plants in an hour of the night as a share of an hour of the day: the review of Caird, Richards
and Donovan (Plant Physiology 143, 2007) has mostly 5 to 15 % (from memory)."""
_SHARE_DRIFT = 0.5
"""Growth of that share, as a share of it, while the draw ends with the season: the hours from 10 to 18 then
are no longer all light (invented worlds; no source)."""
_LEAST_QUIET_HOURS = 5


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
    """A rate with its standard error, L/h."""

    mean: float
    error: float


_Rows = Sequence[Mapping[int, float]]
"""For each day the L/h of its hours."""


def leak_hint(settings: DrawOffSettings, state: DrawOff, least_l_h: float = LEAST_L_H) -> Leak | None:
    """Return a leak of at least ``least_l_h`` litres an hour if the last nights show one, else None.

    Raises:
        OutOfRangeError: If ``least_l_h`` is negative.
    """
    not_negative("Leak", "the least flow", least_l_h, "L/h")
    table: dict[int, dict[int, float]] = {}
    for key, taken_l_h in state.quiet:
        table.setdefault(settings.day_of(key), {})[key % HOURS] = taken_l_h
    rows = [table[day] for day in sorted(table)]
    for count in sorted({min(count, len(rows)) for count in _WINDOWS}, reverse=True):
        window = rows[len(rows) - count :]
        sure = _SURE_NIGHT if count >= _MANY_NIGHTS and count == len(rows) else _SURE_SOON
        alone = _by_day_and_night if settings.night_draw is None else _beyond_stated
        for test in (alone, _compared):
            found = test(settings, state, window, sure)
            if found is not None and found >= least_l_h:
                return Leak(found)
    return None


def _by_day_and_night(settings: DrawOffSettings, state: DrawOff, rows: _Rows, sure: float) -> float | None:
    """Return a leak that takes the same by day and at night."""
    night = _night(settings, state, rows)
    swelling = _SWELLING_SHARE * state.last_l / settings.night_hours
    if night is None or night.mean < swelling + sure * night.error:
        return None
    day = _quiet_day(settings, rows, night, _SURE_BESIDE_LATER if _weeks_before(state) else _SURE_BESIDE)
    if day is None or night.mean + day.mean < _SURE * math.hypot(night.error, day.error):
        return None
    return night.mean


def _beyond_stated(settings: DrawOffSettings, state: DrawOff, rows: _Rows, sure: float) -> float | None:
    """Return what the night takes beyond the stated share of the day."""
    night, share = _night(settings, state, rows), settings.night_draw or 0.0
    if night is None:
        return None
    found = night
    if share > 0.0:
        parts = [_mean(_wholes(settings, state, rows, part)) for part in settings.parts[1:]]
        steady = [part for part in parts if part is not None]
        if not steady:
            return None
        drawn, sure = _average(steady), max(sure, _SURE_STATED)
        more = (night.mean - share * max(drawn.mean, 0.0)) / (1.0 - share)
        found = _Rate(more, math.hypot(night.error, share * drawn.error) / (1.0 - share))
    else:
        # Hours of the day in which nothing else draws measure a leak as the night does. Beside a stated share
        # there is none: plants draw in every hour of the day.
        day = _day_without_timers(settings, rows, night)
        if day is not None:
            error = math.hypot(day.error, night.error)
            if night.mean + day.mean < _SURE * error:
                # Water that swells by day shrinks by as much at night.
                return None
            if day.mean - night.mean <= _ALIKE * error:
                found = _pooled(night, day)
    swelling = _SWELLING_SHARE * state.last_l / settings.night_hours
    return found.mean if found.mean >= swelling + sure * found.error else None


def _day_without_timers(settings: DrawOffSettings, rows: _Rows, night: _Rate) -> _Rate | None:
    """Return the mean rate of those hours of the day that take no more than the night."""
    usual = max(night.mean, 0.0)
    quiet = []
    for hour in (hour for part in settings.parts[1:] for hour in part):
        taken = [row[hour] for row in rows if hour in row]
        if not taken:
            continue
        more = math.fsum(taken) / len(taken) - usual
        if more <= _SCATTER * usual + 3.0 * _error(settings, 1, len(taken)):
            quiet.append(hour)
    return _mean(_falls(settings, rows, quiet)) if len(quiet) >= _LEAST_QUIET_HOURS else None


def _compared(settings: DrawOffSettings, state: DrawOff, rows: _Rows, sure: float) -> float | None:
    """Return what a leak has added to the nights and the days, by comparison with the days before."""
    now = [_mean(_wholes(settings, state, rows, part)) for part in settings.parts]
    if not _weeks_before(state) or _new_timers(settings, state, rows):
        return None
    before = [_Rate(mean.mean, _error_of(mean, settings)) for mean in state.earlier]
    night, night_before = now[0], before[0]
    pairs = [(one, earlier) for one, earlier in zip(now[1:], before[1:], strict=True) if one is not None]
    if night is None or not pairs:
        return None
    # Some of the swelling is in the weeks before; a hotter week has more.
    swelling = 0.5 * _SWELLING_SHARE * state.last_l / settings.night_hours
    day, day_before = _average([one for one, _ in pairs]), _average([earlier for _, earlier in pairs])
    if day_before.mean > _SUN * max(night_before.mean, 0.0) + 3.0 * night_before.error:
        share, doubt = _share(night_before, day_before)
        more = (night.mean - share * day.mean) / (1.0 - share)
        drawn = max(day.mean - more, 0.0)
        error = _usual_error(settings, state, rows, night, share * drawn + swelling)
        growth = drawn - day_before.mean
        changed = max(doubt * growth, -_SHARE_DRIFT * share * growth)
        error = math.hypot(error, share * day.error, changed)
        sure = max(sure, _SURE_COMPARED_SUN)
        rises, day_error = max(-day.mean, 0.0) + swelling, day.error
        fits = more >= _CHANGE_OF_SHARE * share * drawn and day.mean >= _LOW_DAY * more - day_error
    else:
        more_day = day.mean - max(day_before.mean, 0.0)
        day_error = math.hypot(day.error, day_before.error)
        share = _SHARE
        before_l_h = _plausible(night_before, day_before, swelling)
        more = (night.mean - before_l_h - share * more_day) / (1.0 - share)
        error = _usual_error(settings, state, rows, night, swelling)
        error = math.hypot(error, share * day_error, _SHARE_SD * (more_day - more))
        rises = max(-more_day, 0.0) + swelling
        fits = more_day >= _LOW_DAY * more - day_error
    # Water that swells lets the level rise by day, and shrinks by as much at night.
    sure = max(sure, _SURE_COMPARED) * error / (1.0 - share)
    return more if fits and more - rises >= sure else None


def _plausible(night: _Rate, day: _Rate, swelling: float) -> float:
    """Return the draw of the nights before, as far as it is not a chance beside plants and swelling."""
    drawn = max(day.mean, 0.0)
    doubt = math.hypot(_SHARE * day.error, _SHARE_SD * drawn, 0.5 * swelling, 1e-9)
    usual = _Rate(_SHARE * drawn + 0.5 * swelling, doubt)
    # A few nights can scatter by chance less than nights do.
    night = _Rate(night.mean, max(night.error, doubt))
    chance = abs(night.mean - usual.mean) <= _CHANCE * math.hypot(night.error, usual.error)
    return max(_pooled(night, usual).mean if chance else night.mean, 0.0)


def _weeks_before(state: DrawOff) -> bool:
    """Return whether enough days before the last two weeks are learned."""
    return min(mean.weight for mean in state.earlier) >= _LEAST_EARLIER


def _usual_error(
    settings: DrawOffSettings, state: DrawOff, rows: _Rows, night: _Rate, expected_l_h: float
) -> float:
    """Return the standard error of the mean of these nights if they scatter as the nights before.

    A night that is expected to take a part of a step is one of no step or of one: its scatter is at least
    that of this chance.
    """
    one = _error(settings, settings.night_hours, 1)
    nights = (one / night.error) ** 2
    variance = one**2
    if len(rows) >= _MANY_NIGHTS:
        weight = state.earlier[0].weight
        variance = (weight * state.earlier[0].variance + _USUAL_NIGHTS * variance) / (weight + _USUAL_NIGHTS)
        step_l_h = settings.resolution_l / settings.night_hours
        chance = min(expected_l_h / step_l_h, 0.5) if step_l_h > 0.0 else 0.0
        variance = max(variance, min(chance * (1.0 - chance) * step_l_h**2, one**2))
    return math.sqrt(variance / nights)


def _average(rates: Sequence[_Rate]) -> _Rate:
    error = math.sqrt(math.fsum(one.error**2 for one in rates))
    return _Rate(math.fsum(one.mean for one in rates) / len(rates), error / len(rates))


def _pooled(one: _Rate, other: _Rate) -> _Rate:
    """Return the mean of two measurements of one rate, weighted by their errors."""
    weight, other_weight = 1.0 / one.error**2, 1.0 / other.error**2
    total = weight + other_weight
    return _Rate((weight * one.mean + other_weight * other.mean) / total, 1.0 / math.sqrt(total))


def _share(night: _Rate, day: _Rate) -> tuple[float, float]:
    """Return the share of the night with its standard error, from these rates and the usual share."""
    seen = _Rate(max(night.mean, 0.0) / day.mean, max(night.error, 1e-9) / day.mean)
    both = _pooled(seen, _Rate(_SHARE, _SHARE_SD))
    return both.mean, both.error


def _error_of(mean: RunningMean, settings: DrawOffSettings) -> float:
    """Return the standard error of a mean of earlier days, in which newer values count more."""
    kept = 0.5 ** (1.0 / (EARLIER_HALF_LIVES * settings.half_life_days))
    number = mean.weight * (1.0 + kept) / (2.0 - mean.weight * (1.0 - kept))
    return math.sqrt(mean.variance / max(number, 1.0))


def least_leak_l_h(settings: DrawOffSettings, volume_l: float, nights: int = DAYS_KEPT) -> float:
    """Return the least leak that is found in so many nights in 95 of 100 cases.

    This holds where the afternoon is quiet and no timer runs at night.

    Args:
        settings: the settings of the learning.
        volume_l: the usual volume of the water, which swells and shrinks.
        nights: the nights since the leak began.
    """
    night = _error(settings, settings.night_hours, nights)
    day = _error(settings, 8, nights)
    found = _FOUND / _SAME_PHASE
    alone = _SWELLING_SHARE * volume_l / settings.night_hours + (_SURE_NIGHT + found) * night
    return max(LEAST_L_H, alone, (_SURE + found) * 0.5 * math.hypot(night, day))


def _error(settings: DrawOffSettings, hours: float, nights: float) -> float:
    """Return the standard error of a rate over so many hours in a row of each of so many nights."""
    return _SAME_PHASE * READING_ERROR * settings.resolution_l * math.sqrt(2.0 / nights) / hours


def _night(settings: DrawOffSettings, state: DrawOff, rows: _Rows) -> _Rate | None:
    """Return the mean rate of the nights without timers; None if it is not steady."""
    hours = settings.parts[0]
    columns = {}
    for hour in hours:
        taken = [row[hour] for row in rows if hour in row]
        if len(taken) < _LEAST_NIGHTS - 1:
            return None
        columns[hour] = (math.fsum(taken) / len(taken), float(len(taken)))
    # A timer that has run for weeks is seen more surely in the means of weeks.
    usual = {hour: (state.hours[hour].mean, max(state.hours[hour].weight, 1.0)) for hour in hours}
    timers = _standing_out(settings, columns) | _standing_out(settings, usual)
    if len(timers) > _MOST_TIMER_HOURS:
        return None
    return _mean(_falls(settings, rows, [hour for hour in hours if hour not in timers]))


def _standing_out(settings: DrawOffSettings, columns: Mapping[int, tuple[float, float]]) -> set[int]:
    """Return the hours that take more than the others, from the mean and the nights of each hour."""
    usual = max(median(mean for mean, _ in columns.values()), 0.0)
    return {
        hour
        for hour, (mean, nights) in columns.items()
        if mean - usual > _SCATTER * usual + 3.0 * _error(settings, 1, nights)
    }


def _falls(settings: DrawOffSettings, rows: _Rows, hours: Sequence[int]) -> list[_Rate]:
    """Return the rate over these hours in each day that has enough of them."""
    falls = []
    for row in rows:
        taken = [hour for hour in hours if hour in row]
        if len(taken) < max(LEAST_PART * len(hours), 1.0):
            continue
        runs: list[list[float]] = []
        for number, hour in enumerate(taken):
            if number == 0 or (taken[number - 1] + 1) % HOURS != hour:
                runs.append([])
            runs[-1].append(row[hour])
        # The end of an hour is the beginning of the next: a run has the errors of its two ends alone.
        squares = sum(len(run) ** 2 for run in runs)
        rate = math.fsum(len(run) * math.fsum(run) for run in runs) / squares
        falls.append(_Rate(rate, _error(settings, math.sqrt(squares), 1)))
    return falls


def _mean(falls: Sequence[_Rate]) -> _Rate | None:
    """Return the mean of rates without those that stand out; None if they are too few or not steady."""
    if len(falls) < _LEAST_NIGHTS:
        return None
    centre = max(median(fall.mean for fall in falls), 0.0)
    # People only take more. A cut at both ends would blur the mean of nights of no step and of one.
    kept = [fall for fall in falls if fall.mean - (1.0 + _SCATTER) * centre <= _FAR * fall.error]
    if len(falls) - len(kept) > len(falls) // _LEFT_OUT:
        return None
    weights = [1.0 / fall.error**2 for fall in kept]
    total = math.fsum(weights)
    mean = math.fsum(weight * fall.mean for weight, fall in zip(weights, kept, strict=True)) / total
    squares = math.fsum(weight * (fall.mean - mean) ** 2 for weight, fall in zip(weights, kept, strict=True))
    scatter = math.sqrt(squares / (len(kept) - 1.0))
    one = math.sqrt(len(kept) / total)
    if scatter * one > _SCATTER * max(mean, 0.0) + 2.0 * one:
        return None
    # A leak of half a step makes nights of no step and of one, and now and then of two.
    return _Rate(mean, (scatter if scatter > _STEP_SCATTER else 1.0) / math.sqrt(total))


def _quiet_day(settings: DrawOffSettings, rows: _Rows, night: _Rate, sure: float) -> _Rate | None:
    """Return the mean rate of the quiet part of the day; None if it is not that of a leak."""
    parts = [_mean(_falls(settings, rows, hours)) for hours in settings.parts[1:]]
    steady = [part for part in parts if part is not None]
    if not steady:
        return None
    quiet = min(steady, key=lambda part: part.mean)
    if len(steady) == len(parts):
        high = max(steady, key=lambda part: part.mean)
        if high.mean - quiet.mean <= 3.0 * math.hypot(high.error, quiet.error):
            # No watering in either part.
            whole = _mean(_falls(settings, rows, [hour for hours in settings.parts[1:] for hour in hours]))
            quiet = quiet if whole is None else whole
    error = math.hypot(quiet.error, night.error)
    if not _LOW_DAY * night.mean - quiet.error <= quiet.mean <= _HIGH_DAY * (night.mean + error):
        return None
    beside = (_WICK * night.mean - quiet.mean) / (_WICK - 1.0)
    if beside < sure * math.hypot(_WICK * night.error, quiet.error) / (_WICK - 1.0):
        return None
    return quiet


def _wholes(settings: DrawOffSettings, state: DrawOff, rows: _Rows, part: Sequence[int]) -> list[_Rate]:
    """Return the rate in this part of each day, timers included."""
    rates = [part_rate(state, row, part) for row in rows]
    error = _error(settings, len(part), 1)
    return [_Rate(rate, error) for rate in rates if rate is not None]


def _new_timers(settings: DrawOffSettings, state: DrawOff, rows: _Rows) -> bool:
    """Return whether an hour of these nights, unlike the others, takes more than in the weeks before."""
    columns = {}
    for hour in settings.parts[0]:
        taken = [row[hour] for row in rows if hour in row]
        if len(taken) < _LEAST_NIGHTS - 1:
            return True
        columns[hour] = (math.fsum(taken) / len(taken) - state.hours[hour].mean, float(len(taken)))
    return bool(_standing_out(settings, columns))
