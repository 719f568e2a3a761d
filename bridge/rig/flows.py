"""Where product water truly goes, given what the controller drives and what has failed."""

from dataclasses import dataclass

from bridge.protocol.messages import Feature, Path
from bridge.rig.faults import FaultName, FaultPlan
from bridge.rig.scenario import Fittings

_BURST_FLOW = 1.5


@dataclass(frozen=True, slots=True)
class Flows:
    """The true product flow and its three ends, L/s; at most one of the ends is above 0."""

    path: Path
    to_reservoir_l_s: float
    to_drain_l_s: float
    to_floor_l_s: float

    @property
    def product_l_s(self) -> float:
        """What comes out of the purifier."""
        return self.to_reservoir_l_s + self.to_drain_l_s + self.to_floor_l_s


def flows(driven: Path, overflow_up: bool, plan: FaultPlan, fit: Fittings) -> Flows:
    """The flows while nothing changes.

    The overflow float is wired in series with the fill valve, so a valve that is merely driven closes
    when the float is up; one that is stuck open does not.
    """
    active = plan.active
    path = driven
    if path is Path.FILL and (overflow_up or FaultName.VALVE_STUCK_CLOSED in active):
        path = Path.SHUT
    if path is Path.DRAIN and not fit.features & Feature.DRAIN_VALVE:
        path = Path.SHUT
    if FaultName.VALVE_STUCK_OPEN in active:
        # With both valves open the water goes both ways; the worse of the two is simulated.
        path = Path.FILL
    flow_l_s = 0.0
    if path is not Path.SHUT:
        flow_l_s = fit.flow_l_min / 60.0
    elif FaultName.VALVE_LEAKING in active:
        flow_l_s = plan.severity(FaultName.VALVE_LEAKING) * fit.leak_l_min / 60.0
    if FaultName.SUPPLY_OFF in active:
        flow_l_s = 0.0
    if path is Path.DRAIN:
        return Flows(path, 0.0, flow_l_s, 0.0)
    if FaultName.HOSE_BURST in active:
        return Flows(path, 0.0, 0.0, flow_l_s * _BURST_FLOW)
    return Flows(path, flow_l_s, 0.0, 0.0)
