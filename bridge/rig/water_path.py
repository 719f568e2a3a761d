"""The true path of the water: the purifier, then the reservoir with the flows into it. Core.

The purifier is an optional membrane, then an exchange cartridge. Exchange: the bed takes up all salt but a
small floor until the salt brought to it nears its capacity. Then the front leaves the bed steeply, as a
logistic curve of the salt brought. Standing water: without flow, the water in the bed and behind the membrane
takes up salt towards an end value. The first litres carry it out, exponentially in the volume that flows.
Both are simplifications of our own for a test rig and not the model of a product.

Mass is conserved: the salt of the feed is in the product, in the concentrate or in the load. The truth that
the bridge is judged by stands here too.
"""

import json
import math
from dataclasses import dataclass

from bridge.guard.model import Flow
from bridge.protocol.messages import Feature
from bridge.rig.faults import FaultName, FaultPlan
from bridge.rig.scenario import Cartridge, Fittings, Membrane


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
    """Return the truth as a line of JSON without a line end, numbers rounded to six decimals."""
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
    """Compute the present flows.

    Where an overflow float is fitted, it is wired in series with the fill valve. So a driven valve shuts when
    the float is up, and a valve that is stuck open does not.

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
    cut = overflow_up and bool(fit.features & Feature.SWITCH_OVERFLOW)
    if path is Flow.TO_RESERVOIR and (cut or FaultName.VALVE_STUCK_CLOSED in active):
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
        """Add a movement."""
        self.litres += litres
        self.milligrams += milligrams


class Reservoir:
    """A stirred vessel with a rim; mutable. One ppm is one milligram a litre.

    Volume and mass change only in :meth:`exchange`, which records every movement. So contents = start +
    inflow + rain - drawn - evaporated - spilled, for litres and for mass.
    """

    def __init__(self, capacity_l: float, volume_l: float, ppm: float) -> None:
        """Start with ``volume_l`` (0 to ``capacity_l``) at ``ppm``."""
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
        """Run one short step.

        The order: inflow and rain mix with the contents, pure water evaporates, water is drawn (at most the
        contents), and water over the rim spills at the concentration of the whole.

        Args:
            inflow_l: Product, L.
            inflow_mg: Salt in the product, mg.
            rain_l: Rain, L.
            rain_mg: Salt in the rain, and in the dust that falls in, mg.
            evaporated_l: Evaporation, L.
            drawn_l: Draw-off, L.

        Returns:
            The litres spilled over the rim.
        """
        if inflow_l:
            self.inflow.add(inflow_l, inflow_mg)
        if rain_l or rain_mg:
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


@dataclass(frozen=True, slots=True)
class Passed:
    """One short flow through the purifier."""

    feed_l: float
    feed_mg: float
    product_mg: float
    concentrate_mg: float


@dataclass(frozen=True, slots=True)
class Ageing:
    """The effect of faults on the bed."""

    exhausted: bool = False
    """Whether the front has left the bed, at any load."""
    slip: float = 0.0
    """Fraction of the inflow that bypasses the bed, 0 to 1."""


FRESH = Ageing()


def leak_fraction(brought_fraction: float, front_width: float) -> float:
    """Return the fraction of the inflow that a bed lets through, 0 to 1.

    Args:
        brought_fraction: Salt brought to the bed, divided by its capacity.
        front_width: Scale of the logistic front, as a fraction of the capacity.

    Returns:
        The fraction.
    """
    # Far from the front exp would overflow.
    exponent = (1.0 - brought_fraction) / front_width
    if exponent > 40.0:
        return 0.0
    if exponent < -40.0:
        return 1.0
    return 1.0 / (1.0 + math.exp(exponent))


def passage(membrane: Membrane, temperature_c: float) -> float:
    """Return the fraction of the feed's salt that passes the membrane at this temperature, 0 to 1."""
    grown = (1.0 - membrane.rejection) * math.exp(membrane.passage_growth_per_k * (temperature_c - 25.0))
    return min(1.0, grown)


class Purifier:
    """The state of bed and membrane; mutable. Volumes are product litres, ppm is mg/L."""

    def __init__(self, cartridge: Cartridge, membrane: Membrane | None = None) -> None:
        """Start with a new cartridge without standing water."""
        self.cartridge = cartridge
        self.membrane = membrane
        self.load_mg = 0.0
        self.brought_mg = 0.0
        self.removed_with_cartridges_mg = 0.0
        self.treated_l = 0.0
        self._standing_ppm = 0.0
        self._crept_ppm = 0.0

    @property
    def load_fraction(self) -> float:
        """The load divided by the capacity; it ends near 1, after the front has left."""
        return self.load_mg / (self.cartridge.capacity_g * 1000.0)

    def stand(self, seconds: float, feed_ppm: float) -> None:
        """Let the water stand for a time."""
        cartridge = self.cartridge
        share = -math.expm1(-seconds / cartridge.standing_time_s)
        self._standing_ppm += (cartridge.standing_ppm - self._standing_ppm) * share
        membrane = self.membrane
        if membrane is not None:
            share = -math.expm1(-seconds / membrane.creep_time_s)
            self._crept_ppm += (membrane.creep_fraction * feed_ppm - self._crept_ppm) * share

    def product_ppm(self, feed_ppm: float, temperature_c: float, ageing: Ageing = FRESH) -> float:
        """Return the dissolved solids at the outlet now, ppm."""
        to_bed_ppm = feed_ppm
        if self.membrane is not None:
            to_bed_ppm = passage(self.membrane, temperature_c) * feed_ppm + self._crept_ppm
        return self._bed_ppm(to_bed_ppm, self.brought_mg, ageing) + self._standing_ppm

    def flow(self, litres: float, feed_ppm: float, temperature_c: float, ageing: Ageing = FRESH) -> Passed:
        """Let product through.

        Args:
            litres: Product, less than the hold-up, so that the front moves little.
            feed_ppm: Dissolved solids of the feed, ppm.
            temperature_c: Temperature of the water, °C.
            ageing: The effect of faults.

        Returns:
            The flows of this step.
        """
        cartridge = self.cartridge
        feed_l = litres
        to_bed_ppm = feed_ppm
        membrane = self.membrane
        if membrane is not None:
            feed_l = litres / membrane.recovery
            crept_ppm, self._crept_ppm = _washed(self._crept_ppm, litres, membrane.hold_up_l)
            to_bed_ppm = passage(membrane, temperature_c) * feed_ppm + crept_ppm
        standing_ppm, self._standing_ppm = _washed(self._standing_ppm, litres, cartridge.hold_up_l)
        to_bed_mg = to_bed_ppm * litres
        # The front is evaluated in the middle of the step.
        product_ppm = self._bed_ppm(to_bed_ppm, self.brought_mg + 0.5 * to_bed_mg, ageing) + standing_ppm
        product_mg = product_ppm * litres
        self.brought_mg += to_bed_mg
        feed_mg = feed_ppm * feed_l
        # Standing water takes its salt from the bed, so the load may fall a little.
        self.load_mg += to_bed_mg - product_mg
        self.treated_l += litres
        return Passed(feed_l, feed_mg, product_mg, feed_mg - to_bed_mg)

    def change_cartridge(self) -> None:
        """Fit a new cartridge, filled with fresh water; the membrane stays."""
        self.removed_with_cartridges_mg += self.load_mg
        self.load_mg = 0.0
        self.brought_mg = 0.0
        self.treated_l = 0.0
        self._standing_ppm = 0.0

    def _bed_ppm(self, to_bed_ppm: float, brought_mg: float, ageing: Ageing) -> float:
        brought = brought_mg / (self.cartridge.capacity_g * 1000.0)
        leak = 1.0 if ageing.exhausted else leak_fraction(brought, self.cartridge.front_width)
        leak = max(leak, ageing.slip)
        return min(to_bed_ppm, self.cartridge.floor_ppm) * (1.0 - leak) + to_bed_ppm * leak


def _washed(ppm: float, litres: float, hold_up_l: float) -> tuple[float, float]:
    """Return the mean of an excess while ``litres`` wash it out, and the excess left."""
    if ppm < 1e-6:
        return 0.0, 0.0
    ratio = litres / hold_up_l
    left = math.exp(-ratio)
    return ppm * (1.0 - left) / ratio, ppm * left
