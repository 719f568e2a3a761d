"""What the bridge let in, by the rig's own books: litres over the rim, and litres over the limit.

**The bound.** With ``f`` the product flow, one *opening* (from valve open to valve shut) may let in at most

    with a drain valve        f · (T + D)
    without one               f · (R + T + D)

litres over the limit, where ``T`` is the longest time between two looks (one step of the guard and one
period of the readings), ``R`` the longest rinse (``rinse_max_s``), and ``D`` what a disturbed line adds:
nothing while the line is sound, else a frame's age at most (``stale_after_s``), one lease, and the lag both
ways. Why: in a fill the first reading over the limit shuts the valve in the same turn (the persistence
filter only decides whether that becomes a trip, it does not hold the valve open), so what enters is what
flows between two looks; and a rinse into the reservoir is given up after ``R``. On top of that the mixing
budget keeps the reservoir as a whole in specification.

The bound holds for a probe that tells the truth. One that reads low (drifting, stuck at a good value, noisy
downwards, swapped with the feed cell) cannot be seen through the water it measures: those litres are
counted apart, with the fault that hid them.
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
    """What came in in one year."""

    worst_opening_l: float = 0.0
    """Most litres over the limit in one opening, with a sound probe."""
    worst_share: float = 0.0
    """The same as a share of its bound."""
    over_limit_l: float = 0.0
    """Litres over the limit through an open valve, with a sound probe."""
    unseen_l: dict[str, float] = field(default_factory=dict)
    """The same with a probe that read low, by the fault that hid it."""
    unasked_l: float = 0.0
    """Litres over the limit through a valve that nobody had opened: stuck or leaking."""
    spilled_l: float = 0.0
    """Litres over the rim, whoever's doing: rain, a valve that leaks or is stuck open."""
    both_floats_l: float = 0.0
    """Spilled through an open valve while the level float and the overflow float both lied."""


class Waters:
    """Keeps watch over what enters and what spills; mutable. Times are line seconds."""

    def __init__(self, garden: Garden, world: World) -> None:
        """Begin at the world's present state."""
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
        """The most that one opening may let in over the limit, L."""
        return self._flow_l_s * (self._rinse_s + self._looks_s + line_delay_s)

    def passed(self, driven: Flow, line_delay_s: float) -> str | None:
        """A step passed with the valve driven like this; a sentence when a bound was broken."""
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
        """The bridge has closed the valve: what is opened next is another opening."""
        self._opening_l = self._opening_bound_l = 0.0
        self._lied = None

    def _spilled(self, driven: Flow, litres: float) -> str | None:
        active = self._world.plan.active
        self.entered.spilled_l += litres
        # At the brim evaporation and rain trade hundredths of a litre.
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
