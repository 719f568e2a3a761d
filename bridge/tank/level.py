"""The level of a reservoir, from a level sensor, from level switches, or from both.

Each reading is evaluated in three steps. The first step evaluates each sensor alone. It debounces the
switches, because a float on moving water chatters: a changed contact counts after it has been stable for a
delay. The delay can differ by direction: a rising overflow float counts at once, a falling one after a delay.
The level sensor becomes a depth without waves, or a fault if its value is electrically impossible. The second
step compares the sensors: an upper switch that is wet above a dry one, a level sensor that disagrees with a
switch. The third step derives the zone, on the safe side:

    FULL    as soon as any sensor reports it
    LOW     only if no sensor contradicts, because LOW lets water flow
    None    if no trustworthy sensor is left, or if a contradiction has lasted

A short disagreement is normal (a wave, a running debounce), and only the rules above apply. After a lasting
disagreement one sensor must be wrong, and it is unknown which one.
"""

import math
from dataclasses import dataclass, replace
from enum import Enum

from bridge.tank.level_sensor import LevelFault, LevelSensor, LevelSettings, RawLevelSensor


class Zone(Enum):
    """The level relative to the refill mark and the fill mark."""

    LOW = "low"
    """At or below the refill mark: a fill can start."""
    MIDDLE = "middle"
    """Between the marks: a running fill continues, no fill starts."""
    FULL = "full"
    """At or above the fill mark: a fill ends."""


@dataclass(frozen=True, slots=True)
class SwitchState:
    """The state of one switch: its debounced value, and a new value that does not count yet."""

    wet: bool | None = None
    """The debounced value, True while water lifts the float. None before the first stable value."""
    new: bool | None = None
    """The raw value if it differs from ``wet``, else None."""
    since: float = 0.0
    """Start time of ``new``, in monotonic seconds."""


UNKNOWN = SwitchState()


def debounce(
    state: SwitchState, raw: bool | None, now: float, wet_after_s: float = 2.0, dry_after_s: float = 2.0
) -> SwitchState:
    """Return the state of a switch after one raw value.

    Args:
        state: the state before.
        raw: the raw value. None, for no value, resets the state at once.
        now: monotonic seconds, never falling.
        wet_after_s: how long a rise must last before it counts; 0 for at once.
        dry_after_s: how long a fall must last before it counts.
    """
    if raw is None:
        return UNKNOWN
    if raw is state.wet:
        # The same value for a settled switch saves 1.5 µs a reading.
        return state if state.new is None else SwitchState(wet=raw)
    if raw is not state.new:
        state = SwitchState(wet=state.wet, new=raw, since=now)
    delay_s = wet_after_s if raw else dry_after_s
    return SwitchState(wet=raw) if now - state.since >= delay_s else state


def contradict(low: bool | None, full: bool | None, overflow: bool | None) -> bool:
    """Return whether an upper switch is wet while a lower one is dry, which is impossible.

    None is a switch that is not fitted or not known. It contradicts nothing.
    """
    return (full is True and low is False) or (overflow is True and (full is False or low is False))


# A low pass never quite reaches a mark that is at the end of the level sensor.
_MARK_TOLERANCE_M = 0.001
# Movements below this are noise, for any step of the level sensor.
_STILL_M = 0.005


@dataclass(frozen=True, slots=True)
class Level:
    """The level at one reading. None is not known, or for ``overflow`` also not fitted."""

    depth_m: float | None
    volume_l: float | None
    """None without a trustworthy level sensor: switches give a zone, but no volume."""
    zone: Zone | None
    overflow: bool | None
    """True while the overflow float is up."""
    faults: tuple[LevelFault, ...]
    volume_at_least_l: float = 0.0
    """The volume that the reservoir holds at least, with the tolerance of the sensors subtracted."""


@dataclass(frozen=True, slots=True)
class LevelSensorWatch:
    """The state of the level sensor between readings."""

    recent_m: tuple[float, ...] = ()
    """The newest depths, at most three, for the median."""
    smooth_m: float | None = None
    smooth_at: float = 0.0
    faulty_since: float | None = None
    still_m: float = math.inf
    """The depth after the last movement of the level sensor."""
    still_since: float = 0.0


@dataclass(frozen=True, slots=True)
class LevelWatch:
    """The state between readings. ``LevelWatch()`` is the first one."""

    low: SwitchState = UNKNOWN
    full: SwitchState = UNKNOWN
    overflow: SwitchState = UNKNOWN
    level_sensor: LevelSensorWatch = LevelSensorWatch()
    switches_since: float | None = None
    """Since when the switches contradict each other."""
    disagree_since: float | None = None
    """Since when the level sensor contradicts a switch."""


def observe(
    settings: LevelSettings,
    watch: LevelWatch,
    level_sensor_fraction: RawLevelSensor,
    low: bool | None,
    full: bool | None,
    overflow: bool | None,
    now: float,
) -> tuple[LevelWatch, Level]:
    """Evaluate one reading of the level.

    Args:
        settings: the fitted sensors. Inputs that are not fitted are ignored.
        watch: the state that the last call returned, or ``LevelWatch()``.
        level_sensor_fraction: 0 to 1 of the electrical range; a :class:`LevelFault` that the controller
            found; None or not-a-number for no value.
        low: True while water covers the low switch; None for no value.
        full: the same for the full switch.
        overflow: the same for the overflow float.
        now: monotonic seconds, never falling.

    Returns:
        The next state, and the level.
    """
    wait_s = settings.debounce_s
    low_state = debounce(watch.low, low, now, wait_s, wait_s) if settings.low_switch else UNKNOWN
    full_state = debounce(watch.full, full, now, wait_s, wait_s) if settings.full_switch else UNKNOWN
    overflow_state = (
        debounce(watch.overflow, overflow, now, 0.0, settings.overflow_return_s)
        if settings.overflow_switch
        else UNKNOWN
    )
    low_wet, full_wet, overflow_up = low_state.wet, full_state.wet, overflow_state.wet
    faults: list[LevelFault] = []

    if settings.level_sensor is None:
        level_sensor_watch, depth_m = watch.level_sensor, None
    else:
        level_sensor_watch, depth_m, fault = _follow(
            settings, settings.level_sensor, watch.level_sensor, level_sensor_fraction, now
        )
        if fault is not None:
            faults.append(fault)
    if (
        (settings.low_switch and low is None)
        or (settings.full_switch and full is None)
        or (settings.overflow_switch and overflow is None)
    ):
        faults.append(LevelFault.SWITCH_MISSING)

    switches_since = disagree_since = None
    if contradict(low_wet, full_wet, overflow_up):
        switches_since = now if watch.switches_since is None else watch.switches_since
    if depth_m is not None and _disagree(settings, depth_m, low_wet, full_wet, overflow_up):
        disagree_since = now if watch.disagree_since is None else watch.disagree_since
    unknown = False
    if switches_since is not None and now - switches_since >= settings.contradiction_s:
        faults.append(LevelFault.SWITCHES_CONTRADICT)
        unknown = True
    if disagree_since is not None and now - disagree_since >= settings.contradiction_s:
        faults.append(LevelFault.LEVEL_SENSOR_CONTRADICTS_SWITCH)
        unknown = True
        depth_m = None

    zone = None if unknown else _zone(settings, depth_m, low_wet, full_wet, overflow_up)
    certain_l = 0.0
    if not unknown:
        if full_wet:
            certain_l = settings.full_certain_l
        elif low_wet:
            certain_l = settings.low_certain_l
    volume_l = None
    if depth_m is not None:
        volume_l = settings.shape.volume_l(depth_m)
        if not unknown and disagree_since is None:
            least_m = max(depth_m - settings.tolerance_m, 0.0)
            certain_l = max(certain_l, settings.shape.volume_l(least_m))
        if (
            settings.stuck_after_s is not None
            and now - level_sensor_watch.still_since >= settings.stuck_after_s
        ):
            faults.append(LevelFault.LEVEL_SENSOR_STUCK)

    return (
        LevelWatch(low_state, full_state, overflow_state, level_sensor_watch, switches_since, disagree_since),
        Level(depth_m, volume_l, zone, overflow_up, tuple(faults), certain_l),
    )


def _follow(
    settings: LevelSettings,
    level_sensor: LevelSensor,
    watch: LevelSensorWatch,
    raw: RawLevelSensor,
    now: float,
) -> tuple[LevelSensorWatch, float | None, LevelFault | None]:
    """Return the next state of the level sensor, its depth without waves, and its fault if there is one."""
    read = level_sensor.read(raw)
    if isinstance(read, LevelFault):
        since = now if watch.faulty_since is None else watch.faulty_since
        if watch.smooth_m is None or now - since >= settings.ride_through_s:
            return LevelSensorWatch(faulty_since=since), None, read
        return replace(watch, faulty_since=since), watch.smooth_m, None

    # The median removes a single outlier completely. Of two values it takes the higher one, the safe one.
    recent_m = (*watch.recent_m[-2:], read)
    middle_m = sorted(recent_m)[len(recent_m) // 2]
    smooth_m = middle_m
    if watch.smooth_m is not None and settings.wave_time_constant_s > 0.0:
        elapsed_s = max(now - watch.smooth_at, 0.0)
        kept = math.exp(-elapsed_s / settings.wave_time_constant_s)
        smooth_m = middle_m + kept * (watch.smooth_m - middle_m)

    still_m, still_since = watch.still_m, watch.still_since
    moved_m = abs(smooth_m - still_m)
    if moved_m > _STILL_M and moved_m > 0.5 * level_sensor.step_m:
        still_m, still_since = smooth_m, now
    return LevelSensorWatch(recent_m, smooth_m, now, None, still_m, still_since), smooth_m, None


def _disagree(
    settings: LevelSettings, depth_m: float, low: bool | None, full: bool | None, overflow: bool | None
) -> bool:
    """Return whether the level sensor and a switch differ by more than their tolerance."""
    above_m = depth_m - settings.tolerance_m
    below_m = depth_m + settings.tolerance_m
    return (
        (low is True and below_m < settings.low_switch_m)
        or (low is False and above_m > settings.low_switch_m)
        or (full is True and below_m < settings.full_switch_m)
        or (full is False and above_m > settings.full_switch_m)
        or (overflow is True and below_m < settings.fill_m)
    )


def _zone(
    settings: LevelSettings,
    depth_m: float | None,
    low: bool | None,
    full: bool | None,
    overflow: bool | None,
) -> Zone | None:
    """Return the zone on the safe side: FULL if any sensor reports it, LOW only if none contradicts."""
    if overflow or full or (depth_m is not None and depth_m >= settings.fill_m - _MARK_TOLERANCE_M):
        return Zone.FULL
    if depth_m is None:
        if low is None or full is None:
            return None
        return Zone.MIDDLE if low else Zone.LOW
    if full is None and settings.needs_full_switch:
        return None
    low_switch_contradicts = low is True and settings.low_switch_m >= settings.refill_m
    if depth_m <= settings.refill_m + _MARK_TOLERANCE_M and not low_switch_contradicts:
        return Zone.LOW
    return Zone.MIDDLE
