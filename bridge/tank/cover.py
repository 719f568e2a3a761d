"""Days of cover, from the learned draw-off: how long the water lasts, and whether some of it leaks.

The theory. The expected use of a future day is the present daily use, scaled by the season: the learned mean
of its month over that of the present month. While few days of a month are known, its mean is shrunk towards
the mean of all months, so that a first year has no season. Within the day the use follows the learned hours.
The sum has two errors. The scatter from day to day grows with the square root of the days, the error of the
daily mean grows with the days. The reservoir is dry when the sum reaches its volume. The ends of an interval
are the times at which the sum plus or minus its errors reaches the volume.
"""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from bridge.tank.shapes import not_negative
from bridge.tank.use import HOURS, DrawOff, DrawOffSettings, RunningMean

HORIZON_DAYS = 120
"""Beyond this the result is infinity: the time is long enough."""

# Quantiles of the normal distribution for 80 % and 95 % between both ends.
_Z80 = 1.2816
_Z95 = 1.9600
# Fewer days than this are too few to estimate the scatter.
_LEAST_DAYS = 4.0
# The mean of all months has the weight of this many days of one month.
_SEASON_PRIOR_DAYS = 10.0

_LEAK_NIGHTS = 4
_LEAK_SCATTER = 0.35


@dataclass(frozen=True, slots=True)
class Cover:
    """Days until the reservoir is dry. Infinity if that is after :data:`HORIZON_DAYS`."""

    daily_l: float
    """The present draw-off of a day."""
    days: float
    """The median."""
    low80_days: float
    high80_days: float
    low95_days: float
    high95_days: float


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


def days_until_dry(
    state: DrawOff, volume_l: float, when: datetime, unusable_l: float = 0.0, evaporation_l_d: float = 0.0
) -> Cover | None:
    """Return how long ``volume_l`` litres last from the local time ``when`` without inflow.

    Args:
        state: the learned draw-off.
        volume_l: the volume in the reservoir.
        when: local time. The forecast begins in its hour and month.
        unusable_l: the volume below the outlet.
        evaporation_l_d: the evaporation of a day, in addition to the draw-off.

    Returns:
        The forecast, or None before about five days are learned. The calculation takes up to a few
        milliseconds, so it is not meant for every reading.

    Raises:
        OutOfRangeError: If a volume or the evaporation is negative or not finite.
    """
    not_negative("Days of cover", "the volume", volume_l, "L")
    not_negative("Days of cover", "the unusable volume", unusable_l, "L")
    not_negative("Days of cover", "the evaporation", evaporation_l_d, "L/d")
    weight = state.day.weight
    if weight < _LEAST_DAYS:
        return None

    daily_l = max(state.day.mean, 0.0)
    # With few days the scatter is uncertain: the sample variance is widened like that of Student's t.
    day_variance = state.day.variance * weight / (weight - 3.0)
    mean_variance = day_variance / weight
    shares = _shares(state.hours)
    season = _season(state.months, daily_l)
    season_now = season[when.month - 1]

    usable_l = max(volume_l - unusable_l, 0.0)
    # One crossing for each bound: from the highest use to the lowest.
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
    """Return a leak of at least ``least_l_h`` litres an hour if the last nights show one, else None.

    In a table with nights as rows and hours as columns a leak is the same everywhere. A timer makes the
    columns differ, people make the rows differ. So the mean of each row and of each column must lie within 35
    % of the mean of all, plus the resolution. At least four complete nights are necessary. A flow that is too
    small for the resolution is not reported. A constant use all night looks like a leak.

    Raises:
        OutOfRangeError: If ``least_l_h`` is negative.
    """
    not_negative("Leak", "the least flow", least_l_h, "L/h")
    table: dict[int, list[float]] = {}
    for key, taken_l_h in state.night:
        table.setdefault(key // HOURS, []).append(taken_l_h)
    width = settings.night_until_hour - settings.night_from_hour
    nights = [taken for taken in table.values() if len(taken) == width]
    if len(nights) < _LEAK_NIGHTS:
        return None
    # Each hour starts at the reading that ended the last one, so the errors shrink over a night and over many
    # nights.
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
    """Return the share of each hour in the use of a day. Equal shares if nothing is learned."""
    taken = [max(hour.mean, 0.0) for hour in hours]
    total = sum(taken)
    return [one / total for one in taken] if total > 0.0 else [1.0 / HOURS] * HOURS


def _season(months: tuple[RunningMean, ...], daily_l: float) -> list[float]:
    """Return the expected daily use of each month, on an arbitrary scale: only ratios are used."""
    known = [month.mean for month in months if month.weight > 0.0]
    overall = sum(known) / len(known) if known else daily_l
    if overall <= 0.0:
        return [1.0] * len(months)
    return [
        (month.weight * month.mean + _SEASON_PRIOR_DAYS * overall) / (month.weight + _SEASON_PRIOR_DAYS)
        for month in months
    ]
