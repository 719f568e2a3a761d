"""Decides whether the verdict of a trial can still change, so that a trial ends as early as it may.

There are two such states. *At rest*, the guard has tripped and no water moves. In a *steady fill*, both water
and bridge go on as they are. What a guard does wrong in a steady fill without any cause shows in the scene
without a fault, which always runs on.
"""

from bridge.guard.model import Flow, Phase, Trip
from bridge.rig.faults import FaultName
from bridge.simulate.year import Year

_UNSTEADY = frozenset(
    {
        FaultName.PROBE_DRIFT,
        FaultName.PROBE_NOISY,
        FaultName.PROBES_SWAPPED,
        FaultName.FLOATS_CONTRADICT,
        FaultName.HOSE_BURST,
        FaultName.LINK_NOISE,
        FaultName.LINK_CUT,
        FaultName.PURIFIER_EXHAUSTED,
        FaultName.PURIFIER_SLIPPING,
    }
)
"""Faults that change the water, or what the bridge is sent of it, from scan to scan."""
_GOOD = 0.5
"""The share of the limit under which product is certainly in specification, standing water included."""
_MARGIN_L = 3.0


def is_at_rest(year: Year, until_s: float) -> bool:
    """Return whether the verdict cannot change until this time, because the guard has tripped.

    It stays tripped, no water moves, no byte is on the line, no event is planned, and no sign is due. The
    trip link-lost counts only on a line that is cut, because it resets itself.
    """
    station, world = year.station, year.world
    is_cut = FaultName.LINK_CUT in world.plan.active
    return (
        station is not None
        and any(is_cut or latch.trip is not Trip.LINK_LOST for latch in station.state.latches)
        and world.driven is Flow.SHUT
        and world.is_quiet
        and year.rig.is_silent
        and not year.trip_waits
        and year.next_event_s > until_s
        and not year.checks.detection.expects_a_sign(until_s - year.rig.line_s, driven=False)
    )


def is_steady(year: Year, until_s: float) -> bool:
    """Return whether the verdict cannot change until this time, because a good fill goes on.

    Nothing has happened for longer than every timer of the guard that does not count flow. By the true state
    of the water the product is in specification, no fault changes it, the reservoir stays under its fill
    mark (or no water comes), and nothing runs onto the floor. No event is planned, and no sign is due.
    """
    station, world = year.station, year.world
    seconds = until_s - year.rig.line_s
    return (
        not year.looks_closely
        and station is not None
        and station.state.phase is Phase.FILL
        and world.driven is Flow.TO_RESERVOIR
        and _UNSTEADY.isdisjoint(world.plan.active)
        and world.product_ppm < _GOOD * world.scenario.limit_ppm
        and (world.is_quiet or world.rising_l_s * seconds < world.below_mark_l - _MARGIN_L)
        and year.next_event_s > until_s
        and not year.checks.detection.expects_a_sign(seconds, driven=True)
    )
