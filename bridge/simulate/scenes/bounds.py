"""The bounds of each fault in one table, and the pairs of faults that no guard with one valve can cover.

Every bound follows from the plan and the fittings, and not from a result:

- ``f``, the product flow; ``T``, the longest time between two scans (one step and one reading).
- ``W``, the litres of standing water that are over the limit: the hold-up of the bed times the logarithm of
  the highest standing concentration over the limit.
- ``R``, the longest rinse, which goes into the reservoir if no drain valve is fitted.
- ``D``, the delay of a disturbed line: the greatest age of a frame, one lease, and the lag both ways.
- ``N``, the time after which a fill without a rise of the level trips.

A bound in litres holds until a sign of trouble is shown and for a minute after it, with nobody there. A pair
may cost the sum of the bounds of its faults. :data:`UNCOVERED` names the pairs that may cost more, each with
the reason. A pair that is not named there and costs more is a violation.
"""

import math
from dataclasses import dataclass

from bridge.rig.faults import FaultName
from bridge.simulate.accounts import LYING_PROBES, READING_PERIOD_S
from bridge.simulate.gardens import Garden
from bridge.simulate.hazards import Hazard, hazards

_F = FaultName
_LAG_S = 2.0
_BURST = 1.5
"""A hose that is off lets through this multiple of the flow."""


@dataclass(frozen=True, slots=True)
class Bound:
    """The most that one fault alone may cost until it is noticed, in litres."""

    over_limit_l: float = 0.0
    spilled_l: float = 0.0
    floor_l: float = 0.0
    reason: str = "closes the valve, or moves no water"


def hazards_of(garden: Garden) -> dict[FaultName, Hazard]:
    """Return the signs and the time limits of the faults in this garden."""
    fit, plan = garden.scenario.fittings, garden.plan
    return hazards(
        plan.limits,
        plan.product.watch,
        plan.identity.has_volume,
        fit.flow_l_min / 60.0,
        0.5 * fit.leak_l_min / 60.0,
        has_check_cell=plan.check is not None,
        has_switches=plan.level.low_switch and plan.level.full_switch,
    )


def bounds(garden: Garden) -> dict[FaultName, Bound]:
    """Return the bound of each fault in this garden."""
    limits, scenario = garden.plan.limits, garden.scenario
    flow_l_s = scenario.fittings.flow_l_min / 60.0
    scan_l = flow_l_s * (limits.step_s + READING_PERIOD_S)
    bed = scenario.cartridge
    wash_l = bed.hold_up_l * math.log(max(1.0, (bed.floor_ppm + bed.standing_ppm) / scenario.limit_ppm))
    rinse_l = 0.0 if limits.has_drain else flow_l_s * limits.rinse_max_s
    late_l = flow_l_s * (limits.stale_after_s + limits.lease_s + 2.0 * _LAG_S)
    # The noise of the level may complete a rise just before it stops, and the time then begins anew.
    stuck_s = 2.0 * limits.no_rise_after_s + limits.settle_s
    barrel = scenario.barrel
    capacity_l = 0.25 * math.pi * barrel.diameter_m**2 * barrel.height_m * 1000.0
    above_mark_l = (1.0 - barrel.full_fraction) * capacity_l
    stuck_l = 0.0 if limits.has_overflow_float else max(0.0, flow_l_s * stuck_s - above_mark_l)
    worn = Bound(
        rinse_l + limits.excursions_max * scan_l + flow_l_s * limits.lease_s,
        reason="one scan in each excursion, the rinse if no drain is fitted, and a lease if the bridge dies",
    )
    standing = Bound(wash_l + scan_l, reason="the standing water, which the rinse did not remove")
    late = Bound(late_l, late_l, reason="a frame that is too old, one lease, and the lag both ways")
    shut = Bound(wash_l + scan_l, reason="the valve shuts; a new rinse may meet standing water")
    found = dict.fromkeys(FaultName, shut)
    found |= dict.fromkeys(LYING_PROBES, standing)
    found |= dict.fromkeys((_F.VALVE_STUCK_OPEN, _F.VALVE_LEAKING), standing)
    found |= dict.fromkeys((_F.LINK_CUT, _F.LINK_NOISE, _F.LINK_LAG), late)
    found |= dict.fromkeys((_F.PURIFIER_EXHAUSTED, _F.PURIFIER_SLIPPING), worn)
    stuck = Bound(wash_l + scan_l, stuck_l, reason="the overflow float ends the fill, or N")
    found |= dict.fromkeys((_F.FLOAT_STUCK, _F.FLOATS_CONTRADICT), stuck)
    found[_F.HOSE_BURST] = Bound(
        wash_l + scan_l,
        floor_l=_BURST * flow_l_s * (stuck_s + limits.settle_s),
        reason="the level does not rise, so the fill ends after N",
    )
    return found


@dataclass(frozen=True, slots=True)
class Uncovered:
    """A pair of faults that one valve and one float cannot cover. None for any fault."""

    one: frozenset[FaultName]
    other: frozenset[FaultName] | None
    what: str
    """``over_limit_l``, ``spilled_l`` or ``floor_l``."""
    reason: str
    has_remedy: bool = False
    """Whether a check cell covers the pair."""


_LIARS = frozenset({_F.PROBE_STUCK, _F.PROBE_DRIFT, _F.PROBE_NOISY, _F.PROBES_SWAPPED})
_WORN = frozenset({_F.PURIFIER_EXHAUSTED, _F.PURIFIER_SLIPPING})
_UNSTOPPABLE = frozenset({_F.VALVE_STUCK_OPEN, _F.VALVE_LEAKING})
UNCOVERED = (
    Uncovered(
        _LIARS,
        _WORN,
        "over_limit_l",
        "the only product cell reads low, so nothing measures the worn purifier",
        has_remedy=True,
    ),
    Uncovered(_UNSTOPPABLE, _WORN, "over_limit_l", "the valve does not shut; only the hand valve stops it"),
    Uncovered(
        _UNSTOPPABLE,
        None,
        "spilled_l",
        "the valve does not shut, and the other fault hides it; the overflow pipe takes the water",
    ),
    Uncovered(
        frozenset({_F.FLOAT_STUCK, _F.FLOATS_CONTRADICT}),
        frozenset({_F.OVERFLOW_FLOAT_DOWN}),
        "spilled_l",
        "both floats are at fault; the overflow pipe takes the water",
    ),
    Uncovered(
        frozenset({_F.HOSE_BURST}),
        _UNSTOPPABLE,
        "floor_l",
        "the valve does not shut, and the hose is off; only the hand valve stops it",
    ),
)


def excuse(one: FaultName, other: FaultName, what: str, *, has_check_cell: bool = False) -> str | None:
    """Return why this pair may cost more than the bounds of its faults, or None if it may not."""
    for row in UNCOVERED:
        if row.what != what or (row.has_remedy and has_check_cell):
            continue
        for first, second in ((one, other), (other, one)):
            if first in row.one and (row.other is None or second in row.other):
                return row.reason
    return None
