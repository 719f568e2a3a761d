"""Days of cover: how long the water lasts at the use that was learned, and whether some of it leaks away.

The theory. The expected use of a coming day is the present daily use, scaled by the season: the learned
mean of its month over that of the present month. Both months are drawn towards the mean of all months as
long as few of their days were seen, so that a first year carries no season. Within the day the use follows
the learned hours. Around the sum lie two errors: the scatter from day to day, which adds up as the square
root of the days, and the error of the daily mean itself, which adds up as the days. The reservoir is dry
when the sum reaches what is in it; the ends of an interval are the times at which the sum with its errors
on one side, or on the other, reaches it.
"""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from bridge.tank.shapes import not_negative
from bridge.tank.use import HOURS, DrawOff, DrawOffSettings, RunningMean

HORIZON_DAYS = 120
"""Beyond this the answer is infinity: long enough not to matter."""

# Quantiles of the normal distribution for 80 % and 95 % between both ends.
_Z80 = 1.2816
_Z95 = 1.9600
# Fewer days than this show no scatter worth an interval.
_LEAST_DAYS = 4.0
# So many days of a month weigh as much as what is known of all months.
_SEASON_PRIOR_DAYS = 10.0

_LEAK_NIGHTS = 4
_LEAK_SCATTER = 0.35


@dataclass(frozen=True, slots=True)
class Cover:
    """Days until the reservoir is dry; infinity where that is more than :data:`HORIZON_DAYS` away."""

    daily_l: float
    """What is drawn off on a day at present."""
    days: float
    """The median."""
    low80_days: float
    high80_days: float
    low95_days: float
    high95_days: float


@dataclass(frozen=True, slots=True)
class Leak:
    """Water that goes at night, too steadily for people or timers."""

    litres_per_hour: float

    @property
    def sentence(self) -> str:
        """What was seen and what to look at."""
        return (
            f"The reservoir falls by {self.litres_per_hour:.2f} L in every hour of the night, too steadily "
            f"for water that is taken: {24.0 * self.litres_per_hour:.1f} L a day. Look for a drip at the "
            "tap, the hose and the fittings, and for a wick or a tray that draws all night."
        )


def days_until_dry(
    state: DrawOff, volume_l: float, when: datetime, unusable_l: float = 0.0, evaporation_l_d: float = 0.0
) -> Cover | None:
    """How long ``volume_l`` litres last from the local time ``when`` with nothing flowing in.

    Args:
        state: what was learned of the draw-off.
        volume_l: what is in the reservoir.
        when: local time; its hour and month say where in the day and the year the forecast begins.
        unusable_l: what stays below the outlet.
        evaporation_l_d: what evaporates in a day beside the draw-off.

    Returns:
        The forecast; None before about five days were learned. It takes up to some milliseconds: for a
        forecast now and then, not for every reading.

    Raises:
        OutOfRangeError: a negative or non-finite volume or evaporation.
    """
    not_negative("Days of cover", "the volume", volume_l, "L")
    not_negative("Days of cover", "the unusable volume", unusable_l, "L")
    not_negative("Days of cover", "the evaporation", evaporation_l_d, "L/d")
    weight = state.day.weight
    if weight < _LEAST_DAYS:
        return None

    daily_l = max(state.day.mean, 0.0)
    # Few days make the scatter itself uncertain: the sample variance, widened like Student's t.
    day_variance = state.day.variance * weight / (weight - 3.0)
    mean_variance = day_variance / weight
    shares = _shares(state.hours)
    season = _season(state.months, daily_l)
    season_now = season[when.month - 1]

    usable_l = max(volume_l - unusable_l, 0.0)
    # One crossing for each bound: the errors all on the side of more use, none, all on the other side.
    factors = (_Z95, _Z80, 0.0, -_Z80, -_Z95)
    crossings = [0.0 if usable_l == 0.0 else math.inf] * len(factors)
    begin = when.replace(minute=0, second=0, microsecond=0)
    past_h = (when - begin).total_seconds() / 3600.0
    used_l = used_days = scatter = 0.0
    for step in range(HORIZON_DAYS * HOURS):
        hour = (when.hour + step) % HOURS
        if step == 0 or hour == 0:
            month = (begin + timedelta(hours=step)).month
            scale = season[month - 1] / season_now
        part = shares[hour] * (1.0 - past_h if step == 0 else 1.0)
        used_l += part * scale * daily_l + evaporation_l_d / HOURS * (1.0 - past_h if step == 0 else 1.0)
        used_days += part * scale
        scatter += part * scale * scale * day_variance
        error_l = math.sqrt(scatter + used_days * used_days * mean_variance)
        for i, factor in enumerate(factors):
            if crossings[i] == math.inf and used_l + factor * error_l >= usable_l:
                crossings[i] = (step + 1.0 - past_h) / HOURS
        if crossings[-1] < math.inf:
            break
    low95, low80, median, high80, high95 = crossings
    return Cover(daily_l, median, low80, high80, low95, high95)


def leak_hint(settings: DrawOffSettings, state: DrawOff, least_l_h: float = 0.05) -> Leak | None:
    """A leak of at least ``least_l_h`` litres an hour, if the last nights look like one.

    Laid out as a table, nights down and hours across, a leak is the same everywhere: a timer makes the
    columns differ, people make the rows differ. So each column's mean and each row's mean must lie within
    35 % of the mean of all, beside what the resolution explains. At least four nights must have been seen
    whole. A flow too small for the resolution to show such a difference is not judged. Something that is
    meant to run all night at a constant rate cannot be told from a leak.

    Raises:
        OutOfRangeError: a negative threshold.
    """
    not_negative("Leak", "the least flow", least_l_h, "L/h")
    table: dict[int, list[float]] = {}
    for key, taken_l_h in state.night:
        table.setdefault(key // HOURS, []).append(taken_l_h)
    width = settings.night_until_hour - settings.night_from_hour
    nights = [taken for taken in table.values() if len(taken) == width]
    if len(nights) < _LEAK_NIGHTS:
        return None
    # Readings end where the next begin, so over a night, or over many, their errors shrink.
    row_error = settings.resolution_l / width
    column_error = settings.resolution_l / math.sqrt(len(nights))
    rows = [math.fsum(night) / width for night in nights]
    columns = [math.fsum(column) / len(nights) for column in zip(*nights, strict=True)]
    mean = math.fsum(rows) / len(rows)
    if mean <= 0.0 or mean < least_l_h or mean < 2.0 * column_error:
        return None
    steady = all(abs(row - mean) <= _LEAK_SCATTER * mean + row_error for row in rows) and all(
        abs(column - mean) <= _LEAK_SCATTER * mean + column_error for column in columns
    )
    return Leak(mean) if steady else None


def _shares(hours: tuple[RunningMean, ...]) -> list[float]:
    """Which share of a day's use falls in each hour; even where nothing was learned."""
    taken = [max(hour.mean, 0.0) for hour in hours]
    total = sum(taken)
    return [one / total for one in taken] if total > 0.0 else [1.0 / HOURS] * HOURS


def _season(months: tuple[RunningMean, ...], daily_l: float) -> list[float]:
    """The expected daily use in each month, on a scale of its own: only ratios of months are used."""
    known = [month.mean for month in months if month.weight > 0.0]
    overall = sum(known) / len(known) if known else daily_l
    if overall <= 0.0:
        return [1.0] * len(months)
    return [
        (month.weight * month.mean + _SEASON_PRIOR_DAYS * overall) / (month.weight + _SEASON_PRIOR_DAYS)
        for month in months
    ]
