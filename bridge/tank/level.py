"""The level of a reservoir, from a level sensor, from float switches, or from both.

Each reading is checked in three steps. First each sensor alone: switches are debounced, the level sensor
becomes a depth without waves, and an electrically impossible value becomes a fault. Then the sensors
against each other: an upper switch that is wet over a dry one, a level sensor that disagrees with a
switch. Last the zone, and there the careful answer wins:

    FULL    as soon as any sensor says so
    LOW     only when no sensor denies it, for LOW lets water flow
    None    when nothing trustworthy is left, or when a contradiction has lasted

A short disagreement is ordinary (a wave, a debounce that still runs), so it makes the answer careful and
nothing more; one that lasts means that a sensor is lying, and nobody can know which.

Where the level stands against the two marks that a fill is steered by.

Float switches: debounced by time, and compared with each other.

A float on moving water chatters. A changed contact counts only once it has stayed for its delay, and the
delay may differ by direction: an overflow float that rises counts at once, and only its return waits.
"""

import math
from dataclasses import dataclass
from enum import Enum

from bridge.tank.level_sensor import LevelFault, LevelSensor, RawLevelSensor
from bridge.tank.level_settings import LevelSettings


class Zone(Enum):
    """The level against the refill mark and the fill mark."""

    LOW = "low"
    """At or below the refill mark: a fill may start."""
    MIDDLE = "middle"
    """Between the marks: a fill that runs goes on, none starts."""
    FULL = "full"
    """At or above the fill mark: a fill ends."""


@dataclass(frozen=True, slots=True)
class SwitchState:
    """One switch: what counts, and what has been seen since when but does not count yet."""

    wet: bool | None = None
    """The debounced value, True while water lifts the float; None before the first settled reading."""
    seen: bool | None = None
    """The newest raw value while it differs from ``wet``; None while they agree."""
    since: float = 0.0
    """When ``seen`` began, in monotonic seconds."""


UNKNOWN = SwitchState()
_SETTLED = {True: SwitchState(wet=True), False: SwitchState(wet=False)}


def debounce(
    state: SwitchState, raw: bool | None, now: float, wet_after_s: float = 2.0, dry_after_s: float = 2.0
) -> SwitchState:
    """The switch after the raw contact ``raw`` at ``now`` (monotonic seconds, never falling).

    A rise counts after ``wet_after_s`` without interruption, a fall after ``dry_after_s``; a delay of 0
    counts at once. None, a switch without a value, forgets everything at once: an old value is no
    knowledge. Before the first value has settled, ``wet`` is None.
    """
    if raw is None:
        return UNKNOWN
    if raw is state.wet:
        return state if state.seen is None else _SETTLED[raw]
    if raw is not state.seen:
        state = SwitchState(wet=state.wet, seen=raw, since=now)
    delay = wet_after_s if raw else dry_after_s
    return _SETTLED[raw] if now - state.since >= delay else state


def contradict(low: bool | None, full: bool | None, overflow: bool | None) -> bool:
    """True when an upper switch is wet while one below it is dry, which no water level can do.

    None stands for a switch that is not fitted or not known; it contradicts nothing.
    """
    return (full is True and low is False) or (overflow is True and (full is False or low is False))


__all__ = ["Level", "LevelFault", "LevelSensorWatch", "LevelSettings", "LevelWatch", "observe"]

# A low pass approaches a mark that is also the level sensor's end without ever reaching it.
_MARK_TOLERANCE_M = 0.001
# Movements below this are noise, whatever the level sensor's step.
_STILL_M = 0.005


@dataclass(frozen=True, slots=True)
class Level:
    """What is known of the level at one moment; None is "not known" or, for overflow, "not fitted"."""

    depth_m: float | None
    volume_l: float | None
    """None without a trustworthy level sensor: switches give a zone and no volume."""
    zone: Zone | None
    overflow: bool | None
    """True while the overflow float is up."""
    faults: tuple[LevelFault, ...]
    volume_at_least_l: float = 0.0
    """What the reservoir certainly holds, with the sensors' tolerance taken off."""


@dataclass(frozen=True, slots=True)
class LevelSensorWatch:
    """What is remembered of the level sensor."""

    recent_m: tuple[float, ...] = ()
    """The newest depths, at most three, for the median."""
    smooth_m: float | None = None
    smooth_at: float = 0.0
    faulty_since: float | None = None
    still_m: float = math.inf
    """Where the level sensor last moved to."""
    still_since: float = 0.0


@dataclass(frozen=True, slots=True)
class LevelWatch:
    """What is remembered from one reading to the next; ``LevelWatch()`` knows nothing yet."""

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
    """Take one reading at ``now`` (monotonic seconds, never falling) and say where the level stands.

    Args:
        settings: what is fitted; inputs that are not fitted are ignored.
        watch: what the last call returned, or ``LevelWatch()``.
        level_sensor_fraction: 0 to 1 of the electrical range; a :class:`LevelFault` that the controller
            found; None (or not-a-number) for no value.
        low: True while water covers the low switch; None for no value.
        full: the same for the full switch.
        overflow: the same for the overflow float.

    Returns:
        The new memory and the level. Constant time and memory.
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
    given_up = False
    if switches_since is not None and now - switches_since >= settings.contradiction_s:
        faults.append(LevelFault.SWITCHES_CONTRADICT)
        given_up = True
    if disagree_since is not None and now - disagree_since >= settings.contradiction_s:
        faults.append(LevelFault.LEVEL_SENSOR_CONTRADICTS_SWITCH)
        given_up = True
        depth_m = None

    zone = None if given_up else _zone(settings, depth_m, low_wet, full_wet, overflow_up)
    certain_l = 0.0
    if not given_up:
        if full_wet:
            certain_l = settings.full_certain_l
        elif low_wet:
            certain_l = settings.low_certain_l
    volume_l = None
    if depth_m is not None:
        volume_l = settings.shape.volume_l(depth_m)
        if not given_up and disagree_since is None:
            least_m = depth_m - settings.tolerance_m
            sensed_l = settings.shape.volume_l(least_m if least_m > 0.0 else 0.0)
            certain_l = sensed_l if sensed_l > certain_l else certain_l
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
    """The level sensor's memory, its depth freed of waves, and its fault if it has one."""
    read = level_sensor.read(raw)
    if isinstance(read, LevelFault):
        since = now if watch.faulty_since is None else watch.faulty_since
        if watch.smooth_m is None or now - since >= settings.ride_through_s:
            return LevelSensorWatch(faulty_since=since), None, read
        held = LevelSensorWatch(
            watch.recent_m, watch.smooth_m, watch.smooth_at, since, watch.still_m, watch.still_since
        )
        return held, watch.smooth_m, None

    # The median takes out a single wild value whole; of two values it takes the higher, the careful one.
    recent_m = (*watch.recent_m[-2:], read)
    middle_m = sorted(recent_m)[len(recent_m) // 2]
    smooth_m = middle_m
    if watch.smooth_m is not None and settings.wave_time_constant_s > 0.0:
        elapsed_s = now - watch.smooth_at if now > watch.smooth_at else 0.0
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
    """True when the level sensor and a switch differ by more than both may be wrong."""
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
    """The careful answer: FULL when anything says so, LOW when nothing denies it."""
    if overflow or full or (depth_m is not None and depth_m >= settings.fill_m - _MARK_TOLERANCE_M):
        return Zone.FULL
    if depth_m is None:
        if low is None or full is None:
            return None
        return Zone.MIDDLE if low else Zone.LOW
    if full is None and settings.needs_full_switch:
        return None
    low_switch_denies = low is True and settings.low_switch_m >= settings.refill_m
    if depth_m <= settings.refill_m + _MARK_TOLERANCE_M and not low_switch_denies:
        return Zone.LOW
    return Zone.MIDDLE
