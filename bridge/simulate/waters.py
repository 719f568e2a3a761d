"""Measures, by the rig's true volumes, the litres over the rim and the litres over the limit.

**The bound.** With the product flow ``f``, one *opening* (from valve open to valve shut) may let in at most

    with a drain valve        f · (T + D)
    without one               f · (R + T + D)

litres over the limit. ``T`` is the longest time between two scans: one step of the guard plus one period of
the readings. ``R`` is the longest rinse (``rinse_max_s``). ``D`` is the delay of a disturbed line: the
greatest age of a frame (``stale_after_s``), one lease, and the lag in both directions. ``D`` is 0 on a sound
line.

The reason for the bound: in a fill, the first reading over the limit shuts the valve in the same scan. The
persistence filter only delays the trip and does not keep the valve open. Water over the limit therefore
enters only between two scans. A rinse into the reservoir ends after ``R``. In addition, the mixing budget
keeps the whole reservoir in specification.

The bound applies to a sound probe. A probe that reads low (drifting, stuck at a good value, noisy downwards,
swapped with the feed cell) cannot be detected from its own readings. Litres that enter past such a probe are
counted separately, by the fault that hid them.
"""

from dataclasses import dataclass, field

from bridge.guard.model import Flow
from bridge.protocol.messages import Feature
from bridge.rig.faults import FaultName
from bridge.rig.world import World
from bridge.simulate.gardens import Garden

READING_PERIOD_S = 0.2
LYING_PROBES = frozenset(
    {FaultName.PROBE_STUCK, FaultName.PROBE_DRIFT, FaultName.PROBE_NOISY, FaultName.PROBES_SWAPPED}
)
BOTH_FLOATS = frozenset({FaultName.FLOAT_STUCK, FaultName.FLOATS_CONTRADICT})
_RIM_L = 0.02


@dataclass(slots=True)
class Entered:
    """The water that entered or spilled in one year."""

    worst_opening_l: float = 0.0
    """Most litres over the limit that entered in one opening with a sound probe."""
    worst_share: float = 0.0
    """The largest share of its bound that one opening reached."""
    over_limit_l: float = 0.0
    """Litres over the limit that entered through an open valve with a sound probe."""
    unseen_l: dict[str, float] = field(default_factory=dict)
    """Litres over the limit that entered past a probe that read low, by the fault that hid them."""
    unasked_l: float = 0.0
    """Litres over the limit that entered through a valve stuck open or leaking."""
    spilled_l: float = 0.0
    """Litres over the rim from any cause: rain, a valve that leaks or is stuck open, a fill."""
    both_floats_l: float = 0.0
    """Litres that spilled in a fill while the level float and the overflow float were both at fault."""


class Waters:
    """Checks the bounds on water that enters and water that spills; mutable. Times are line seconds."""

    def __init__(self, garden: Garden, world: World) -> None:
        """Start from the present state of the world."""
        self.entered = Entered()
        limits = garden.plan.limits
        self._world = world
        self._flow_l_s = garden.scenario.fittings.flow_l_min / 60.0
        self._has_drain = bool(garden.scenario.fittings.features & Feature.DRAIN_VALVE)
        self._looks_s = limits.step_s + READING_PERIOD_S
        self._rinse_s = 0.0 if self._has_drain else limits.rinse_max_s
        self._over_l = world.over_limit_l
        self._spilled_l = world.reservoir.spilled.litres
        self._opening_l = 0.0
        self._opening_bound_l = 0.0
        self._lied: str | None = None

    def bound_l(self, line_delay_s: float) -> float:
        """Return the most litres over the limit that one opening may let in."""
        return self._flow_l_s * (self._rinse_s + self._looks_s + line_delay_s)

    def passed(self, driven: Flow, line_delay_s: float) -> str | None:
        """Check a step. Returns a sentence if a bound was exceeded.

        Args:
            driven: The path of the valve during the step.
            line_delay_s: The delay that a disturbed line adds; 0 on a sound line.
        """
        world = self._world
        over_l = world.over_limit_l - self._over_l
        spilled_l = world.reservoir.spilled.litres - self._spilled_l
        self._over_l += over_l
        self._spilled_l += spilled_l
        if driven is Flow.SHUT:
            self.shut()
        wrong = self._spilled(driven, spilled_l) if spilled_l > 0.0 else None
        if driven is not Flow.SHUT:
            self._opening_bound_l = max(self._opening_bound_l, self.bound_l(line_delay_s))
            lying = LYING_PROBES & world.plan.active.keys()
            if lying:
                self._lied = min(name.value for name in lying)
        if over_l > 0.0:
            wrong = self._over(driven, over_l) or wrong
        return wrong

    def shut(self) -> None:
        """Record that the bridge closed the valve, which ends the opening."""
        self._opening_l = self._opening_bound_l = 0.0
        self._lied = None

    def _spilled(self, driven: Flow, litres: float) -> str | None:
        active = self._world.plan.active
        self.entered.spilled_l += litres
        # At the rim, evaporation and rain move hundredths of a litre.
        if driven is not Flow.TO_RESERVOIR or FaultName.VALVE_STUCK_OPEN in active or litres < _RIM_L:
            return None
        if FaultName.OVERFLOW_FLOAT_DOWN in active and BOTH_FLOATS & active.keys():
            self.entered.both_floats_l += litres
            return None
        return f"{litres:.2f} L ran over the rim through a valve that the bridge kept open"

    def _over(self, driven: Flow, litres: float) -> str | None:
        entered = self.entered
        if driven is not Flow.TO_RESERVOIR:
            entered.unasked_l += litres
            return None
        if self._lied is not None:
            entered.unseen_l[self._lied] = entered.unseen_l.get(self._lied, 0.0) + litres
            return None
        self._opening_l += litres
        entered.over_limit_l += litres
        entered.worst_opening_l = max(entered.worst_opening_l, self._opening_l)
        share = self._opening_l / self._opening_bound_l
        entered.worst_share = max(entered.worst_share, share)
        if share <= 1.0:
            return None
        return (
            f"{self._opening_l:.2f} L over the limit entered in one opening, "
            f"and the bound is {self._opening_bound_l:.2f} L"
        )
