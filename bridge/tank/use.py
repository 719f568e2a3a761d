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
last nights and afternoons are kept for :mod:`bridge.tank.leak`, and the means of those before them.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.daily_use import DailyUse, learn
from bridge.tank.shapes import not_negative, positive

HOURS = 24
DAY_PARTS = ((10, 14), (14, 18))
"""Parts of the day, from hour to hour, in which leaks are searched for besides the night."""
LEAST_PART = 0.6
"""Share of its hours that must be learned in a night or a day part that counts."""
DAYS_KEPT = 14
"""Days of which the hours of night and day parts are kept."""
READING_ERROR = 0.30
"""Standard error of one reading in units of its resolution: a step's is 1/sqrt(12)."""
EARLIER_HALF_LIVES = 2.0
"""The half-life of the means of the days before those, in half-lives of the learning."""


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
    night_draw: float | None = None
    """The draw of plants in an hour of the night as a share of that in an hour from 10 to 18 o'clock. Zero if
    nothing draws by itself at night; None if it is not known."""

    @property
    def night_hours(self) -> int:
        """The length of the night."""
        return (self.night_until_hour - self.night_from_hour) % HOURS

    @property
    def parts(self) -> tuple[tuple[int, ...], ...]:
        """The hours of the night, and those of each of :data:`DAY_PARTS`."""
        night = tuple((self.night_from_hour + later) % HOURS for later in range(self.night_hours))
        return night, *(tuple(range(*part)) for part in DAY_PARTS)

    def day_of(self, hour_key: int) -> int:
        """Return the ordinal of the day on which an hour counts; the night counts on that of its end."""
        shift = HOURS - self.night_from_hour if self.night_from_hour > self.night_until_hour else 0
        return (hour_key + shift) // HOURS

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
        if self.night_draw is not None and not 0.0 <= self.night_draw < 1.0:
            raise OutOfRangeError(
                f"Draw-off: the draw of the night is {self.night_draw:g} of that of the day; give "
                "a share from 0 to below 1."
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
    quiet: tuple[tuple[int, float], ...] = ()
    """The hours of night and day parts in the last :data:`DAYS_KEPT` days: (hour key, L/h), oldest first."""
    earlier: tuple[RunningMean, ...] = (RunningMean(),) * (1 + len(DAY_PARTS))
    """L/h of the night and of each day part, in the days before those."""

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


_HOUR_S = 3600.0
_LEAST_WATCHED_S = 1800.0
# A day with fewer learned hours is not learned.
_LEAST_HOURS = 18
_LEAST_EARLIER = 4.0
_MOST_USUAL = 1.35
"""The most that a part of a day usually takes, in units of its mean, besides the errors of two readings."""


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
    if flowing_in:
        volume_l = None
    if not 0.0 <= elapsed_s <= settings.longest_gap_s:
        return _restarted(state, key, at_s, volume_l)

    fallen_l, base_l, lowest_l = state.fallen_l, state.base_l, state.lowest_l
    evaporated_l, watched_s, spoiled = state.evaporated_l, state.watched_s, state.spoiled
    last_l = state.last_l
    if base_l is not None and volume_l is not None:
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
    elif volume_l is not None:
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
    same_day = key // HOURS == state.hour_key // HOURS
    return replace(
        state,
        hour_key=key,
        at_s=at_s,
        base_l=base_l,
        last_l=state.last_l if base_l is None else base_l,
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
        if any(hour in part for part in settings.parts):
            state = _with_quiet_hour(settings, state, net_l_h)
        state = replace(
            state,
            hours=tuple(hours),
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


def part_rate(state: DrawOff, taken_l_h: Mapping[int, float], part: Sequence[int]) -> float | None:
    """Return the rate in a part of a day from the L/h of its hours; None if too many are not learned.

    An hour that was not learned counts with its mean.
    """
    if sum(hour in taken_l_h for hour in part) < LEAST_PART * len(part):
        return None
    return math.fsum(taken_l_h.get(hour, state.hours[hour].mean) for hour in part) / len(part)


def _with_quiet_hour(settings: DrawOffSettings, state: DrawOff, net_l_h: float) -> DrawOff:
    """Keep an hour of a night or a day part; days that are too old go into the means of the earlier ones."""
    today = settings.day_of(state.hour_key)
    kept: list[tuple[int, float]] = []
    old: dict[int, dict[int, float]] = {}
    for key, taken_l_h in state.quiet:
        day = settings.day_of(key)
        if abs(today - day) < DAYS_KEPT:
            kept.append((key, taken_l_h))
        elif day < today:
            old.setdefault(day, {})[key % HOURS] = taken_l_h
    earlier = list(state.earlier)
    for _, taken in sorted(old.items()):
        for number, part in enumerate(settings.parts):
            rate = part_rate(state, taken, part)
            if rate is not None:
                error = math.sqrt(2.0) * READING_ERROR * settings.resolution_l / len(part)
                earlier[number] = _with_earlier(settings, earlier[number], rate, error)
    return replace(state, quiet=(*kept, (state.hour_key, net_l_h)), earlier=tuple(earlier))


def _with_earlier(settings: DrawOffSettings, mean: RunningMean, rate: float, error: float) -> RunningMean:
    """Learn the rate of an earlier day; a can in a night now and then is no steady draw."""
    if mean.weight >= _LEAST_EARLIER:
        rate = min(rate, _MOST_USUAL * max(mean.mean, 0.0) + 2.0 * error)
        rate = max(rate, min(mean.mean, 0.0) - 2.0 * error)
    return mean.after(rate, EARLIER_HALF_LIVES * settings.half_life_days)


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
