"""Draw-off, learned from the falling level: how much water is taken, at which hours, in which months.

The theory. While nothing flows in, the net fall of the level over an hour, less what evaporates, is what
was drawn off. Net, from the first reading to the last: adding up only the falls would count every wave as
water taken. The end of one hour is the beginning of the next, so that errors of reading cancel over a day.
An hour with an unexplained rise (rain, a bucket) is not learned; a fill only interrupts its hour, and the
hour counts when at least half of it was seen.

Three groups of running means are kept, each with exponential forgetting, so that the state never grows:

    24 hours of the day    L/h    half-life in days       the shape of a day
    the day                L/d    half-life in days       the present use, and its scatter
    12 months              L/d    half-life in seasons    the season, carried over from year to year

For a leak the falls of the last night hours are kept one by one: people and timers take water in lumps,
a leak takes the same in every hour.
"""

import math
from dataclasses import dataclass, replace
from datetime import datetime

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.shapes import not_negative, positive

HOURS = 24
MONTHS = 12


@dataclass(frozen=True, slots=True)
class RunningMean:
    """A mean and a variance that forget: every new value makes the older ones count less."""

    weight: float = 0.0
    """How many values it is worth."""
    mean: float = 0.0
    variance: float = 0.0

    def after(self, value: float, half_life: float) -> "RunningMean":
        """With one more ``value``; after ``half_life`` more of them it counts half."""
        kept = self.weight * 0.5 ** (1.0 / half_life)
        weight = kept + 1.0
        deviation = value - self.mean
        mean = self.mean + deviation / weight
        variance = (kept * self.variance + kept / weight * deviation * deviation) / weight
        return RunningMean(weight, mean, variance)


@dataclass(frozen=True, slots=True)
class DrawOffSettings:
    """How the learning listens and forgets.

    Raises:
        OutOfRangeError: a value outside its range.
    """

    half_life_days: float = 14.0
    season_half_life_days: float = 60.0
    """In days of the same month: 60 of them are two years."""
    longest_gap_s: float = 900.0
    """A silence longer than this is not bridged; the hours it touches are not learned."""
    rise_l: float = 1.0
    """A rise of more than this with nothing flowing in is rain or a bucket. Above the sensor's noise."""
    resolution_l: float = 0.2
    """How exactly one reading of the volume is known: its step, or twice its noise if that is larger."""
    night_from_hour: int = 1
    """A leak is looked for from the beginning of this hour"""
    night_until_hour: int = 5
    """to the beginning of this one, local time."""

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
                f"Draw-off: a rise of {self.rise_l:g} L counts as inflow, but a reading is only known to "
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
    """What has been learned, and the hour that is being watched. ``DrawOff()`` knows nothing yet."""

    hours: tuple[RunningMean, ...] = (RunningMean(),) * HOURS
    """L/h for each hour of the local day."""
    day: RunningMean = RunningMean()
    """L/d."""
    months: tuple[RunningMean, ...] = (RunningMean(),) * MONTHS
    """L/d for each month, January first."""
    night: tuple[tuple[int, float], ...] = ()
    """The last night hours as (hour key, L/h), the oldest first, at most 24."""

    hour_key: int = -1
    """Which hour is being watched: the day's ordinal times 24 and the hour."""
    at_s: float = 0.0
    """Time of the newest reading, UTC seconds."""
    base_l: float | None = None
    """Volume at the start of the present stretch without inflow."""
    last_l: float = 0.0
    lowest_l: float = math.inf
    """The lowest that two readings in a row agreed on in this stretch."""
    fallen_l: float = 0.0
    """What earlier stretches of this hour fell by."""
    evaporated_l: float = 0.0
    watched_s: float = 0.0
    spoiled: bool = False
    """True when something in this hour cannot be explained: it is not learned."""
    today_l: float = 0.0
    today_seen: int = 0
    """The hours of today that were learned, one bit each."""


_NIGHT_HOURS_KEPT = 24
_HOUR_S = 3600.0
_LEAST_WATCHED_S = 1800.0
# A day with more hours missing says too little about a day.
_LEAST_HOURS = 18


def observe(
    settings: DrawOffSettings,
    state: DrawOff,
    when: datetime,
    volume_l: float | None,
    flowing_in: bool,
    evaporation_l_h: float = 0.0,
) -> DrawOff:
    """Take one reading of the reservoir's volume.

    Args:
        settings: how to listen.
        state: what the last call returned, or ``DrawOff()``.
        when: the local time, with its offset from UTC. A clock that jumps spoils an hour, nothing more.
        volume_l: the measured volume; None while it is unknown.
        flowing_in: True during a fill and while the water still settles after it.
        evaporation_l_h: what evaporates, if that is known; it is no draw-off.

    Returns:
        The new state. Constant time and memory; a reading that ends no hour costs microseconds.

    Raises:
        InputError: a time without its offset.
        OutOfRangeError: a negative or non-finite volume or evaporation.
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
        return _afresh(state, key, at_s, None if flowing_in else volume_l)

    at_rest = volume_l is not None and not flowing_in
    fallen_l, base_l, lowest_l = state.fallen_l, state.base_l, state.lowest_l
    evaporated_l, watched_s, spoiled = state.evaporated_l, state.watched_s, state.spoiled
    last_l = state.last_l
    if base_l is not None and at_rest and volume_l is not None:
        watched_s += elapsed_s
        evaporated_l += evaporation_l_h * elapsed_s / _HOUR_S
        # Two readings in a row must agree on a low and on a high; one alone may be a wave.
        lowest_l = min(lowest_l, max(volume_l, last_l))
        if min(volume_l, last_l) > lowest_l + settings.rise_l:
            spoiled, base_l, lowest_l = True, volume_l, math.inf
        last_l = volume_l
    elif base_l is not None:
        fallen_l += base_l - last_l
        base_l = None
    elif at_rest and volume_l is not None:
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


def _afresh(state: DrawOff, key: int, at_s: float, base_l: float | None) -> DrawOff:
    """Begin to watch in the middle of an hour; it counts if enough of it is left."""
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
    """Learn the hour that has ended, and the day when it was the last one; begin the next."""
    hour = state.hour_key % HOURS
    # A clock that was set back comes through the same hour twice; it counts once.
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
        # The end of this hour is the beginning of the next one: no reading is left out between them.
        base_l=None if state.base_l is None else state.last_l,
        fallen_l=0.0,
        evaporated_l=0.0,
        watched_s=0.0,
        spoiled=False,
    )


def _end_day(settings: DrawOffSettings, state: DrawOff) -> DrawOff:
    day, months = state.day, state.months
    if state.today_seen.bit_count() >= _LEAST_HOURS:
        # An hour that was not seen (a fill, rain) is given what it usually takes.
        unseen_l = sum(
            usual.mean for hour, usual in enumerate(state.hours) if not state.today_seen >> hour & 1
        )
        # A day on which nobody took water reads a little above or below nothing; cut at nothing, the mean
        # of such days would be use that nobody had.
        total_l = state.today_l + unseen_l
        month = datetime.fromordinal(state.hour_key // HOURS).month - 1
        day = day.after(total_l, settings.half_life_days)
        monthly = list(months)
        monthly[month] = monthly[month].after(total_l, settings.season_half_life_days)
        months = tuple(monthly)
    return replace(state, day=day, months=months, today_l=0.0, today_seen=0)
