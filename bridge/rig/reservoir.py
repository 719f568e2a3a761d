"""The true reservoir: its contents, the flows into it, and the truth that the bridge is judged by. Core."""

import json
from dataclasses import dataclass

from bridge.guard.model import Flow
from bridge.protocol.messages import Feature
from bridge.rig.faults import FaultName, FaultPlan
from bridge.rig.scenario import Fittings


@dataclass(frozen=True, slots=True)
class Truth:
    """The true state at one moment; every ppm on the scenario's scale, totals since the start."""

    time_s: float
    driven: Flow
    """The valve that the controller drives."""
    path: Flow
    """The path that is really open; it differs from ``driven`` by a stuck valve or the float in series."""
    flow_l_min: float
    """True product flow; above 0 also with ``path`` shut while the valve leaks."""
    volume_l: float
    level_fraction: float
    """Depth divided by the height of the reservoir."""
    reservoir_ppm: float
    product_ppm: float
    feed_ppm: float
    water_c: float
    """Temperature of the water at the cells."""
    air_c: float
    overflow_up: bool
    load_fraction: float
    """Purifier load divided by capacity."""
    treated_l: float
    """Product litres since the cartridge was changed."""
    inflow_l: float
    over_limit_l: float
    """Litres over the scenario's limit that entered the reservoir."""
    drained_l: float
    burst_l: float
    """Litres lost onto the floor through a burst hose."""
    drawn_l: float
    spilled_l: float
    """Litres over the rim."""
    evaporated_l: float
    rain_l: float
    faults: tuple[str, ...]
    """Names of the active faults, in alphabetical order."""


def truth_line(truth: Truth) -> str:
    """Returns the truth as a line of JSON without a line end, numbers rounded to six decimals."""
    record: dict[str, object] = {}
    for name in Truth.__dataclass_fields__:
        value = getattr(truth, name)
        if isinstance(value, float):
            value = round(value, 6)
        elif isinstance(value, Flow):
            value = value.value
        record[name] = value
    return json.dumps(record, separators=(",", ":"))


_BURST_FLOW = 1.5


@dataclass(frozen=True, slots=True)
class Flows:
    """The true product flow and its three ends, L/s; at most one of the ends is above 0."""

    path: Flow
    to_reservoir_l_s: float
    to_drain_l_s: float
    to_floor_l_s: float

    @property
    def product_l_s(self) -> float:
        """Product from the purifier, L/s."""
        return self.to_reservoir_l_s + self.to_drain_l_s + self.to_floor_l_s


def flows(driven: Flow, overflow_up: bool, plan: FaultPlan, fit: Fittings) -> Flows:
    """Computes the present flows.

    The overflow float is wired in series with the fill valve. So a driven valve shuts when the float is up,
    and a valve that is stuck open does not.

    Args:
        driven: The valve that the controller drives.
        overflow_up: Whether the overflow float is up.
        plan: The faults.
        fit: The fittings.

    Returns:
        The flows.
    """
    active = plan.active
    path = driven
    if path is Flow.TO_RESERVOIR and (overflow_up or FaultName.VALVE_STUCK_CLOSED in active):
        path = Flow.SHUT
    if path is Flow.TO_DRAIN and not fit.features & Feature.DRAIN_VALVE:
        path = Flow.SHUT
    if FaultName.VALVE_STUCK_OPEN in active:
        # With both valves open the water takes both paths; the worse one is simulated.
        path = Flow.TO_RESERVOIR
    flow_l_s = 0.0
    if path is not Flow.SHUT:
        flow_l_s = fit.flow_l_min / 60.0
    elif FaultName.VALVE_LEAKING in active:
        flow_l_s = plan.severity(FaultName.VALVE_LEAKING) * fit.leak_l_min / 60.0
    if FaultName.SUPPLY_OFF in active:
        flow_l_s = 0.0
    if path is Flow.TO_DRAIN:
        return Flows(path, 0.0, flow_l_s, 0.0)
    if FaultName.HOSE_BURST in active:
        return Flows(path, 0.0, 0.0, flow_l_s * _BURST_FLOW)
    return Flows(path, flow_l_s, 0.0, 0.0)


@dataclass(slots=True)
class Account:
    """Total litres and milligrams over one boundary since the start."""

    litres: float = 0.0
    milligrams: float = 0.0

    def add(self, litres: float, milligrams: float) -> None:
        """Adds a movement."""
        self.litres += litres
        self.milligrams += milligrams


class Reservoir:
    """A stirred vessel with a rim; mutable. One ppm is one milligram a litre.

    Volume and mass change only in :meth:`exchange`, which records every movement. So contents = start +
    inflow + rain - drawn - evaporated - spilled, for litres and for mass.
    """

    def __init__(self, capacity_l: float, volume_l: float, ppm: float) -> None:
        """Starts with ``volume_l`` (0 to ``capacity_l``) at ``ppm``."""
        self.capacity_l = capacity_l
        self.volume_l = volume_l
        self.mass_mg = volume_l * ppm
        self.inflow = Account()
        self.rain = Account()
        self.drawn = Account()
        self.evaporated = Account()
        self.spilled = Account()

    @property
    def ppm(self) -> float:
        """Dissolved solids, mg/L; 0 when empty."""
        return self.mass_mg / self.volume_l if self.volume_l > 0.0 else 0.0

    def exchange(
        self,
        inflow_l: float,
        inflow_mg: float,
        rain_l: float,
        rain_mg: float,
        evaporated_l: float,
        drawn_l: float,
    ) -> float:
        """Runs one short step.

        The order: inflow and rain mix with the contents, pure water evaporates, water is drawn (at most the
        contents), and water over the rim spills at the concentration of the whole.

        Args:
            inflow_l: Product, L.
            inflow_mg: Salt in the product, mg.
            rain_l: Rain, L.
            rain_mg: Salt in the rain, mg.
            evaporated_l: Evaporation, L.
            drawn_l: Draw-off, L.

        Returns:
            The litres spilled over the rim.
        """
        if inflow_l:
            self.inflow.add(inflow_l, inflow_mg)
        if rain_l:
            self.rain.add(rain_l, rain_mg)
        volume_l = self.volume_l + inflow_l + rain_l
        mass_mg = self.mass_mg + inflow_mg + rain_mg
        # The last half litre never evaporates: dry salt has no concentration.
        evaporated_l = min(evaporated_l, max(0.0, volume_l - 0.5))
        self.evaporated.litres += evaporated_l
        volume_l -= evaporated_l
        if drawn_l > 0.0 and volume_l > 0.0:
            drawn_l = min(drawn_l, volume_l)
            drawn_mg = mass_mg * (drawn_l / volume_l)
            self.drawn.add(drawn_l, drawn_mg)
            volume_l -= drawn_l
            mass_mg -= drawn_mg
        spilled_l = 0.0
        if volume_l > self.capacity_l:
            spilled_l = volume_l - self.capacity_l
            spilled_mg = mass_mg * (spilled_l / volume_l)
            self.spilled.add(spilled_l, spilled_mg)
            volume_l = self.capacity_l
            mass_mg -= spilled_mg
        self.volume_l = volume_l
        self.mass_mg = mass_mg
        return spilled_l
