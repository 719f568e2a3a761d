"""The true purifier: an optional membrane, then an exchange cartridge. Core.

Exchange: the bed takes up all salt but a small floor until the salt brought to it nears its capacity. Then
the front leaves the bed steeply, as a logistic curve of the salt brought. Standing water: without flow, the
water in the bed and behind the membrane takes up salt towards an end value. The first litres carry it out,
exponentially in the volume that flows. Both are simplifications of our own for a test rig and not the model
of a product.

Mass is conserved: the salt of the feed is in the product, in the concentrate or in the load.
"""

import math
from dataclasses import dataclass

from bridge.rig.scenario import Cartridge, Membrane


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
    """Returns the fraction of the inflow that a bed lets through, 0 to 1.

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
    """Returns the fraction of the feed's salt that passes the membrane at this temperature, 0 to 1."""
    grown = (1.0 - membrane.rejection) * math.exp(membrane.passage_growth_per_k * (temperature_c - 25.0))
    return min(1.0, grown)


class Purifier:
    """The state of bed and membrane; mutable. Volumes are product litres, ppm is mg/L."""

    def __init__(self, cartridge: Cartridge, membrane: Membrane | None = None) -> None:
        """Starts with a new cartridge without standing water."""
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
        """Lets the water stand for a time."""
        cartridge = self.cartridge
        share = -math.expm1(-seconds / cartridge.standing_time_s)
        self._standing_ppm += (cartridge.standing_ppm - self._standing_ppm) * share
        membrane = self.membrane
        if membrane is not None:
            share = -math.expm1(-seconds / membrane.creep_time_s)
            self._crept_ppm += (membrane.creep_fraction * feed_ppm - self._crept_ppm) * share

    def product_ppm(self, feed_ppm: float, temperature_c: float, ageing: Ageing = FRESH) -> float:
        """Returns the dissolved solids at the outlet now, ppm."""
        to_bed_ppm = feed_ppm
        if self.membrane is not None:
            to_bed_ppm = passage(self.membrane, temperature_c) * feed_ppm + self._crept_ppm
        return self._bed_ppm(to_bed_ppm, self.brought_mg, ageing) + self._standing_ppm

    def flow(self, litres: float, feed_ppm: float, temperature_c: float, ageing: Ageing = FRESH) -> Passed:
        """Lets product through.

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
        """Fits a new cartridge, filled with fresh water; the membrane stays."""
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
    """Returns the mean of an excess while ``litres`` wash it out, and the excess left."""
    if ppm < 1e-6:
        return 0.0, 0.0
    ratio = litres / hold_up_l
    left = math.exp(-ratio)
    return ppm * (1.0 - left) / ratio, ppm * left
