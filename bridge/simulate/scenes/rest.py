"""Decides whether the verdict of a trial can still change, so that a trial ends as early as it may.

There are two such states. When the valve *stays shut*, the bridge has no more part: no water moves, or water
runs through a valve that does not shut, and only the world goes on. In a *steady fill*, both water and bridge
go on as they are. What a guard does wrong in a steady fill without any cause shows in the scene without a
fault, which always runs on.
"""

from bridge.guard.model import Flow, Phase, Trip
from bridge.rig.faults import FaultName
from bridge.simulate.year import Year
from bridge.station.station import Station

_UNSTEADY = frozenset(
    {
        FaultName.PROBE_DRIFT,
        FaultName.PROBE_NOISY,
        FaultName.PROBES_SWAPPED,
        FaultName.FLOATS_CONTRADICT,
        FaultName.LINK_NOISE,
        FaultName.LINK_CUT,
        FaultName.PURIFIER_EXHAUSTED,
        FaultName.PURIFIER_SLIPPING,
    }
)
"""Faults that change the water, or what the bridge is sent of it, from scan to scan."""
_UNSOUND = frozenset({FaultName.SELF_TEST_FAILED, FaultName.VOLTAGE_LOW})
"""Faults that the controller reports, so that the permissive controller-sound is missing."""
_DECEIVING = frozenset(
    {
        FaultName.FLOAT_STUCK,
        FaultName.FLOATS_CONTRADICT,
        FaultName.LEVEL_SENSOR_OPEN,
        FaultName.LEVEL_SENSOR_SHORTED,
        FaultName.LEVEL_DITHER,
        FaultName.FLOAT_HYSTERESIS,
        FaultName.LINK_NOISE,
    }
)
"""Faults that may show a level that is not the true one."""
_GOOD = 0.5
"""The share of the limit under which product is certainly in specification, standing water included."""
_BAD = 2.0
_MARGIN_L, _MARGIN_S = 3.0, 5.0
_HIGH_L = 10.0
"""So many litres over its low mark, a reservoir is not low for any sensor."""


def stays_shut(year: Year, until_s: float) -> bool:
    """Return whether the verdict cannot change until this time, because the valve stays shut.

    No byte is on the line, no event is planned, and no sign is due. Water that runs through a valve that does
    not shut is certainly under its limit, or certainly over it.
    """
    return (
        year.world.driven is Flow.SHUT
        and year.rig.is_silent
        and not year.trip_waits
        and year.next_event_s > until_s
        and _cannot_open(year, until_s)
        and (year.world.is_quiet or _runs_surely(year))
        and not year.checks.detection.expects_a_sign(until_s - year.rig.line_s, driven=False)
    )


def run_on(year: Year, until_s: float) -> None:
    """Let water that runs run on until this time, without the bridge."""
    world = year.world
    if not world.is_quiet:
        world.advance(world.time_s + until_s - year.rig.line_s)


def _cannot_open(year: Year, until_s: float) -> bool:
    """Return whether the guard cannot open the valve until this time.

    It has tripped. The trip link-lost counts only on a line that is cut, because it resets itself. Or it has
    not tripped, and the controller reports a fault that lasts. Or the station is idle, nobody waits for a
    fill, and the reservoir is not low.
    """
    station, world = year.station, year.world
    if station is None:
        return False
    state, active = station.state, world.plan.active
    if state.latches:
        is_cut = FaultName.LINK_CUT in active
        return any(is_cut or latch.trip is not Trip.LINK_LOST for latch in state.latches)
    if not _UNSOUND.isdisjoint(active):
        return True
    low_l = world.scenario.barrel.low_fraction * world.reservoir.capacity_l
    return (
        state.phase is Phase.IDLE
        and not state.wanted
        and _DECEIVING.isdisjoint(active)
        and world.reservoir.volume_l > low_l + _HIGH_L
        and world.next_event_s > world.time_s + until_s - year.rig.line_s
    )


def _runs_surely(year: Year) -> bool:
    """Return whether water runs by itself that stays under the limit, or that stays over it."""
    world = year.world
    active, limit_ppm = world.plan.active, world.scenario.limit_ppm
    if FaultName.PURIFIER_SLIPPING in active or not world.truth().flow_l_min > 0.0:
        return False
    if FaultName.PURIFIER_EXHAUSTED in active:
        return world.product_ppm > _BAD * limit_ppm
    return world.product_ppm < _GOOD * limit_ppm


def is_steady(year: Year, until_s: float) -> bool:
    """Return whether the verdict cannot change until this time, because a good fill goes on.

    Nothing has happened for longer than every timer of the guard that does not count flow. By the true state
    of the water the product is in specification, no fault changes it, and the reservoir stays under its fill
    mark (or no water comes, or it runs onto the floor for less than the time of the trip no-rise-while-open).
    No event is planned, and no sign is due.
    """
    station, world = year.station, year.world
    seconds = until_s - year.rig.line_s
    return (
        not year.looks_closely
        and station is not None
        and station.state.phase is Phase.FILL
        and world.driven is Flow.TO_RESERVOIR
        and _UNSTEADY.isdisjoint(world.plan.active)
        and (FaultName.HOSE_BURST not in world.plan.active or _no_rise_s(station) > seconds)
        and world.product_ppm < _GOOD * world.scenario.limit_ppm
        and (world.is_quiet or world.rising_l_s * seconds < world.below_mark_l - _MARGIN_L)
        and year.next_event_s > until_s
        and not year.checks.detection.expects_a_sign(seconds, driven=True)
    )


def _no_rise_s(station: Station) -> float:
    """Return the time until a fill trips because the level does not rise."""
    fill = station.state.fill
    return station.plan_in_use.limits.no_rise_after_s - (fill.open_s - fill.base_open_s) - _MARGIN_S
