"""Draw-off, learned from the falling level, and the days of cover that follow from it.

The theory of the draw-off. Without inflow, the draw-off in an hour is the net fall of the level less the
evaporation. The net fall is that from the first to the last reading: a sum of all falls would count every
wave as draw-off. The end of one hour is the start of the next, so that reading errors cancel over a day. An
hour with an unexplained rise (rain, a bucket) is not learned. A fill only interrupts its hour. An hour counts
if readings cover at least half of it.

Three groups of running means, each with exponential forgetting, keep the state at a fixed size:

    24 hours of the day    L/h    half-life in days       the profile of a day
    the day                L/d    half-life in days       the present use, and its scatter
    12 months              L/d    half-life in seasons    the season, kept from year to year

To find a leak, the falls of the last night hours are kept separately: the draw-off of people and timers
differs from hour to hour, a leak takes the same in every hour.

The theory of the cover. The expected use of a future day is the present daily use, scaled by the season: the
learned mean of its month over that of the present month. While few days of a month are known, its mean is
shrunk towards the mean of all months, so that a first year has no season. Within the day the use follows the
learned hours. The sum has two errors. The scatter from day to day grows with the square root of the days, the
error of the daily mean grows with the days. The reservoir is dry when the sum reaches its volume. The ends of
an interval are the times at which the sum plus or minus its errors reaches the volume.
"""

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.shapes import not_negative, positive

HOURS = 24
MONTHS = 12


@dataclass(frozen=True, slots=True)
class RunningMean:
    """A mean and a variance with exponential forgetting."""

    weight: float = 0.0
    """The effective number of values."""
    mean: float = 0.0
    variance: float = 0.0

    def after(self, value: float, half_life: float) -> "RunningMean":
        """Return the mean with one more ``value``.

        After ``half_life`` further values its weight is halved.
        """
        kept = self.weight * 0.5 ** (1.0 / half_life)
        weight = kept + 1.0
        deviation = value - self.mean
        mean = self.mean + deviation / weight
        variance = (kept * self.variance + kept / weight * deviation * deviation) / weight
        return RunningMean(weight, mean, variance)


@dataclass(frozen=True, slots=True)
class DrawOffSettings:
    """The settings of the learning.

    Raises:
        OutOfRangeError: If a value is outside its range.
    """

    half_life_days: float = 14.0
    season_half_life_days: float = 60.0
    """In days of the same month: 60 days are two years."""
    longest_gap_s: float = 900.0
    """A longer gap between readings is not bridged: its hours are not learned."""
    rise_l: float = 1.0
    """A rise of more than this without inflow is rain or a bucket. Must be above the noise of the sensor."""
    resolution_l: float = 0.2
    """Resolution of one reading of the volume: its step, or twice its noise if that is larger."""
    night_from_hour: int = 1
    """The hour of local time at which the night begins, for the search for leaks."""
    night_until_hour: int = 5
    """The hour at which the night ends."""

    def __post_init__(self) -> None:
        if not 3.0 <= self.half_life_days < math.inf:
            raise OutOfRangeError(
                f"Draw-off: the half-life is {self.half_life_days:g} days; give at least 3, "
                "or too few days are remembered for a forecast."
            )
        positive("Draw-off", "the half-life of the season", self.season_half_life_days, "days")
        positive("Draw-off", "the longest gap", self.longest_gap_s, "s")
        positive("Draw-off", "the rise that counts as inflow", self.rise_l, "L")
        not_negative("Draw-off", "the resolution", self.resolution_l, "L")
        if self.rise_l <= self.resolution_l:
            raise OutOfRangeError(
                f"Draw-off: a rise of {self.rise_l:g} L counts as inflow, but a reading has a resolution of "
                f"{self.resolution_l:g} L; the rise must be larger."
            )
        width = self.night_until_hour - self.night_from_hour
        if not (self.night_from_hour >= 0 and 2 <= width <= 6 and self.night_until_hour <= HOURS):
            raise OutOfRangeError(
                f"Draw-off: the night runs from {self.night_from_hour} to {self.night_until_hour} o'clock; "
                "give hours of 0 to 24, the second two to six hours after the first."
            )


@dataclass(frozen=True, slots=True)
class DrawOff:
    """The learned draw-off, and the running hour. ``DrawOff()`` is the first state."""

    hours: tuple[RunningMean, ...] = (RunningMean(),) * HOURS
    """L/h for each hour of the local day."""
    day: RunningMean = RunningMean()
    """L/d."""
    months: tuple[RunningMean, ...] = (RunningMean(),) * MONTHS
    """L/d for each month, January first."""
    night: tuple[tuple[int, float], ...] = ()
    """The last night hours as (hour key, L/h), oldest first, at most 24."""

    hour_key: int = -1
    """The running hour: the ordinal of the day times 24, plus the hour."""
    at_s: float = 0.0
    """Time of the newest reading, UTC seconds."""
    base_l: float | None = None
    """The volume at the start of the running stretch without inflow."""
    last_l: float = 0.0
    lowest_l: float = math.inf
    """The lowest volume that two successive readings confirmed in this stretch."""
    fallen_l: float = 0.0
    """The fall in the earlier stretches of this hour."""
    evaporated_l: float = 0.0
    watched_s: float = 0.0
    spoiled: bool = False
    """True if this hour has an unexplained rise. It is not learned."""
    today_l: float = 0.0
    today_seen: int = 0
    """The learned hours of today, one bit for each."""


_NIGHT_HOURS_KEPT = 24
_HOUR_S = 3600.0
_LEAST_WATCHED_S = 1800.0
# A day with fewer learned hours is not learned.
_LEAST_HOURS = 18


def observe(
    settings: DrawOffSettings,
    state: DrawOff,
    when: datetime,
    volume_l: float | None,
    flowing_in: bool,
    evaporation_l_h: float = 0.0,
) -> DrawOff:
    """Learn from one reading of the volume.

    Args:
        settings: the settings of the learning.
        state: the state that the last call returned, or ``DrawOff()``.
        when: the local time, with its offset from UTC. A clock that jumps only spoils one hour.
        volume_l: the measured volume; None while it is not known.
        flowing_in: True during a fill and while the water settles after it.
        evaporation_l_h: the evaporation, if known. It does not count as draw-off.

    Returns:
        The next state.

    Raises:
        InputError: If the time has no offset from UTC.
        OutOfRangeError: If the volume or the evaporation is negative or not finite.
    """
    if when.tzinfo is None:
        raise InputError("Draw-off: the time has no offset from UTC; give local time with its offset.")
    if volume_l is not None:
        not_negative("Draw-off", "the volume", volume_l, "L")
    not_negative("Draw-off", "the evaporation", evaporation_l_h, "L/h")

    at_s = when.timestamp()
    key = when.toordinal() * HOURS + when.hour
    elapsed_s = at_s - state.at_s
    if state.hour_key < 0 or not 0.0 <= elapsed_s <= settings.longest_gap_s:
        return _restarted(state, key, at_s, None if flowing_in else volume_l)

    still = volume_l is not None and not flowing_in
    fallen_l, base_l, lowest_l = state.fallen_l, state.base_l, state.lowest_l
    evaporated_l, watched_s, spoiled = state.evaporated_l, state.watched_s, state.spoiled
    last_l = state.last_l
    if base_l is not None and still and volume_l is not None:
        watched_s += elapsed_s
        evaporated_l += evaporation_l_h * elapsed_s / _HOUR_S
        # Two successive readings must confirm a low and a high: a single one can be a wave.
        lowest_l = min(lowest_l, max(volume_l, last_l))
        if min(volume_l, last_l) > lowest_l + settings.rise_l:
            spoiled, base_l, lowest_l = True, volume_l, math.inf
        last_l = volume_l
    elif base_l is not None:
        fallen_l += base_l - last_l
        base_l = None
    elif still and volume_l is not None:
        base_l = last_l = volume_l
        lowest_l = math.inf

    state = replace(
        state,
        at_s=at_s,
        base_l=base_l,
        last_l=last_l,
        lowest_l=lowest_l,
        fallen_l=fallen_l,
        evaporated_l=evaporated_l,
        watched_s=watched_s,
        spoiled=spoiled,
    )
    return state if key == state.hour_key else _end_hour(settings, state, key)


def _restarted(state: DrawOff, key: int, at_s: float, base_l: float | None) -> DrawOff:
    """Start in the middle of an hour. The hour counts if enough of it is left."""
    level_l = 0.0 if base_l is None else base_l
    same_day = state.hour_key >= 0 and key // HOURS == state.hour_key // HOURS
    return replace(
        state,
        hour_key=key,
        at_s=at_s,
        base_l=base_l,
        last_l=level_l,
        lowest_l=math.inf,
        fallen_l=0.0,
        evaporated_l=0.0,
        watched_s=0.0,
        spoiled=False,
        today_l=state.today_l if same_day else 0.0,
        today_seen=state.today_seen if same_day else 0,
    )


def _end_hour(settings: DrawOffSettings, state: DrawOff, key: int) -> DrawOff:
    """Learn the hour that has ended, and the day if it has ended too, and start the next hour."""
    hour = state.hour_key % HOURS
    # After a clock was set back the same hour comes twice. It counts once.
    seen_already = state.today_seen >> hour & 1
    if not state.spoiled and not seen_already and state.watched_s >= _LEAST_WATCHED_S:
        fallen_l = state.fallen_l + (0.0 if state.base_l is None else state.base_l - state.last_l)
        per_hour = _HOUR_S / state.watched_s
        net_l_h = (fallen_l - state.evaporated_l) * per_hour
        hours = list(state.hours)
        hours[hour] = hours[hour].after(net_l_h, settings.half_life_days)
        night = state.night
        if settings.night_from_hour <= hour < settings.night_until_hour:
            night = (*night[-(_NIGHT_HOURS_KEPT - 1) :], (state.hour_key, net_l_h))
        state = replace(
            state,
            hours=tuple(hours),
            night=night,
            today_l=state.today_l + net_l_h,
            today_seen=state.today_seen | 1 << hour,
        )
    if key // HOURS != state.hour_key // HOURS:
        state = _end_day(settings, state)
    return replace(
        state,
        hour_key=key,
        # The end of this hour is the start of the next one, so that no fall between them is lost.
        base_l=None if state.base_l is None else state.last_l,
        fallen_l=0.0,
        evaporated_l=0.0,
        watched_s=0.0,
        spoiled=False,
    )


def _end_day(settings: DrawOffSettings, state: DrawOff) -> DrawOff:
    day, months = state.day, state.months
    if state.today_seen.bit_count() >= _LEAST_HOURS:
        # An hour that was not learned (a fill, rain) counts with its mean.
        unseen_l = sum(
            learned.mean for hour, learned in enumerate(state.hours) if not state.today_seen >> hour & 1
        )
        # Without use a day reads a little above or below zero. Clipped at zero, the mean of such days would
        # be above zero.
        total_l = state.today_l + unseen_l
        month = datetime.fromordinal(state.hour_key // HOURS).month - 1
        day = day.after(total_l, settings.half_life_days)
        monthly = list(months)
        monthly[month] = monthly[month].after(total_l, settings.season_half_life_days)
        months = tuple(monthly)
    return replace(state, day=day, months=months, today_l=0.0, today_seen=0)


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
