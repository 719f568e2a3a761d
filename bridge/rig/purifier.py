"""The true purifier: an optional membrane, then an exchange cartridge that exhausts.

Exchange. The bed takes up everything but a small floor until nearly its capacity was brought to it;
then the front leaves the bed, as a logistic curve of what was brought, steeply.
Standing water. At rest the water in the bed and behind the membrane takes up salt towards an end value;
the first litres after the rest carry it out, exponentially in the volume that flowed.
Both are simplifications of our own for a test rig, not a model of a make of cartridge.

Mass is kept: what enters with the feed is in the product, in the concentrate or in the load.
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
    """What faults do to the bed beyond its load."""

    exhausted: bool = False
    """The front has passed, whatever the load."""
    slip: float = 0.0
    """Fraction of the inflow that slips past the bed, 0 to 1."""


FRESH = Ageing()


def leak_fraction(brought_fraction: float, front_width: float) -> float:
    """Fraction of the inflow that a bed lets through, 0 to 1, by what was brought to it over its capacity."""
    # Far outside the front the curve is flat and exp would only overflow.
    exponent = (1.0 - brought_fraction) / front_width
    if exponent > 40.0:
        return 0.0
    if exponent < -40.0:
        return 1.0
    return 1.0 / (1.0 + math.exp(exponent))


def passage(membrane: Membrane, temperature_c: float) -> float:
    """Fraction of the feed's salt that passes the membrane at this temperature, 0 to 1."""
    grown = (1.0 - membrane.rejection) * math.exp(membrane.passage_growth_per_k * (temperature_c - 25.0))
    return min(1.0, grown)


class Purifier:
    """State of the bed and the membrane; mutable. Volumes are product litres, ppm is mg/L."""

    def __init__(self, cartridge: Cartridge, membrane: Membrane | None = None) -> None:
        """Start with a fresh cartridge that has not stood yet."""
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
        """What the bed holds divided by its capacity; ends near 1, when the front has passed."""
        return self.load_mg / (self.cartridge.capacity_g * 1000.0)

    def rest(self, seconds: float, feed_ppm: float) -> None:
        """Let the water stand for a time."""
        cartridge = self.cartridge
        share = -math.expm1(-seconds / cartridge.standing_time_s)
        self._standing_ppm += (cartridge.standing_ppm - self._standing_ppm) * share
        membrane = self.membrane
        if membrane is not None:
            share = -math.expm1(-seconds / membrane.creep_time_s)
            self._crept_ppm += (membrane.creep_fraction * feed_ppm - self._crept_ppm) * share

    def product_ppm(self, feed_ppm: float, temperature_c: float, ageing: Ageing = FRESH) -> float:
        """Dissolved solids at the outlet at this moment, ppm."""
        to_bed_ppm = feed_ppm
        if self.membrane is not None:
            to_bed_ppm = passage(self.membrane, temperature_c) * feed_ppm + self._crept_ppm
        return self._bed_ppm(to_bed_ppm, self.brought_mg, ageing) + self._standing_ppm

    def flow(self, litres: float, feed_ppm: float, temperature_c: float, ageing: Ageing = FRESH) -> Passed:
        """Let some product litres through: less than the hold-up, so that the front moves little."""
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
        # The front is read in the middle of the step.
        product_ppm = self._bed_ppm(to_bed_ppm, self.brought_mg + 0.5 * to_bed_mg, ageing) + standing_ppm
        product_mg = product_ppm * litres
        self.brought_mg += to_bed_mg
        feed_mg = feed_ppm * feed_l
        # Standing water gets its salt out of the bed: the load may fall by a little, as it should.
        self.load_mg += to_bed_mg - product_mg
        self.treated_l += litres
        return Passed(feed_l, feed_mg, product_mg, feed_mg - to_bed_mg)

    def change_cartridge(self) -> None:
        """Put in a fresh cartridge, filled with fresh water; the membrane stays."""
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
    """The mean of an excess while ``litres`` wash it out, and what is left of it."""
    if ppm < 1e-6:
        return 0.0, 0.0
    ratio = litres / hold_up_l
    left = math.exp(-ratio)
    return ppm * (1.0 - left) / ratio, ppm * left
