"""Draw-off, learned from the falling level.

The theory of the draw-off. Without inflow, the draw-off in an hour is the net fall of the level less the
evaporation. The net fall is that from the first to the last reading: a sum of all falls would count every
wave as draw-off. The end of one hour is the start of the next, so that reading errors cancel over a day. An
hour with an unexplained rise (rain, a bucket) is not learned. A fill only interrupts its hour. An hour counts
if readings cover at least half of it.

Running means with exponential forgetting keep the state at a fixed size:

    24 hours of the day    L/h    half-life in days       the profile of a day
    the day                L/d    half-life in days       the present use

Each whole day also goes to :mod:`bridge.tank.daily_use`, which forecasts the days to come. The hours of the
last nights are kept for :mod:`bridge.tank.leak`.
"""

import math
from dataclasses import dataclass, replace
from datetime import datetime

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.daily_use import DailyUse, learn
from bridge.tank.shapes import not_negative, positive

HOURS = 24


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
    longest_gap_s: float = 900.0
    """A longer gap between readings is not bridged: its hours are not learned."""
    rise_l: float = 1.0
    """A rise of more than this without inflow is rain or a bucket. Must be above the noise of the sensor."""
    resolution_l: float = 0.2
    """Resolution of one reading of the volume: its step, or twice its noise if that is larger."""
    night_from_hour: int = 21
    """The hour of local time at which the night begins, for the search for leaks."""
    night_until_hour: int = 6
    """The hour at which the night ends."""

    @property
    def night_hours(self) -> int:
        """The length of the night."""
        return (self.night_until_hour - self.night_from_hour) % HOURS

    def is_night(self, hour: int) -> bool:
        """Return whether this hour of the day belongs to the night."""
        return (hour - self.night_from_hour) % HOURS < self.night_hours

    def __post_init__(self) -> None:
        if not 3.0 <= self.half_life_days < math.inf:
            raise OutOfRangeError(
                f"Draw-off: the half-life is {self.half_life_days:g} days; give at least 3, "
                "or too few days are remembered for a forecast."
            )
        positive("Draw-off", "the longest gap", self.longest_gap_s, "s")
        positive("Draw-off", "the rise that counts as inflow", self.rise_l, "L")
        not_negative("Draw-off", "the resolution", self.resolution_l, "L")
        if self.rise_l <= self.resolution_l:
            raise OutOfRangeError(
                f"Draw-off: a rise of {self.rise_l:g} L counts as inflow, but a reading has a resolution of "
                f"{self.resolution_l:g} L; the rise must be larger."
            )
        hours = (self.night_from_hour, self.night_until_hour)
        if not (all(0 <= hour < HOURS for hour in hours) and 3 <= self.night_hours <= 12):
            raise OutOfRangeError(
                f"Draw-off: the night runs from {self.night_from_hour} to {self.night_until_hour} o'clock; "
                "give hours of 0 to 23, the second three to twelve hours after the first."
            )


@dataclass(frozen=True, slots=True)
class DrawOff:
    """The learned draw-off, and the running hour. ``DrawOff()`` is the first state."""

    hours: tuple[RunningMean, ...] = (RunningMean(),) * HOURS
    """L/h for each hour of the local day."""
    day: RunningMean = RunningMean()
    """L/d."""
    daily: DailyUse = DailyUse()
    """What is learned of the use of a day."""
    night: tuple[tuple[int, float], ...] = ()
    """The hours of the last fourteen nights as (hour key, L/h), oldest first."""

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


_NIGHTS_KEPT = 14
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
        if settings.is_night(hour):
            night = (*night[-(_NIGHTS_KEPT * settings.night_hours - 1) :], (state.hour_key, net_l_h))
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
    day, daily = state.day, state.daily
    if state.today_seen.bit_count() >= _LEAST_HOURS:
        # An hour that was not learned (a fill, rain) counts with its mean.
        unseen_l = sum(
            learned.mean for hour, learned in enumerate(state.hours) if not state.today_seen >> hour & 1
        )
        # Without use a day reads a little above or below zero. Clipped at zero, the mean of such days would
        # be above zero.
        total_l = state.today_l + unseen_l
        day = day.after(total_l, settings.half_life_days)
        daily = learn(daily, state.hour_key // HOURS, total_l)
    return replace(state, day=day, daily=daily, today_l=0.0, today_seen=0)
