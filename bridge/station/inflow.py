"""Water that flows into a reservoir: litres, and what the readings of the same moments say is in them. Core.

A fill has many readings, so an inflow is collected before it enters the estimate of the reservoir.
"""

from dataclasses import dataclass

from bridge.estimate import reservoir
from bridge.estimate.reservoir import Reservoir
from bridge.station.plan import StationPlan

MOST_OWN_PERCENT = 50.0
"""Nearly pure product has a larger uncertainty than value. No error is taken as larger than this share."""


@dataclass(frozen=True, slots=True)
class Passed:
    """Litres that flowed in, with what the readings of the same moments say is in them."""

    litres: float = 0.0
    product_mg: float = 0.0
    """By the readings."""
    worst_mg: float = 0.0
    """By the readings with their guard bands."""
    unmeasured_mg: float = 0.0
    """In product without a sound probe, which counts as half of gross. The guard counts gross."""

    def ppm(self, milligrams: float) -> float:
        """Return one of the sums for each litre."""
        return milligrams / self.litres


_NOTHING = Passed()


@dataclass(frozen=True, slots=True)
class Inflow:
    """The inflow that is not in the estimate yet."""

    risen: Passed = _NOTHING
    """By the rise of the level."""
    counted: Passed = _NOTHING
    """By the flow meter."""
    own_percent: float = 0.0
    """See :func:`bridge.estimate.reservoir.own_percent_of`; the largest of the inflow."""

    @property
    def litres(self) -> float:
        """The litres that are in the reservoir for certain."""
        return self.risen.litres

    @property
    def mixed(self) -> Passed:
        """The sums that say what water it is.

        The level follows the flow later, so by the level the standing water of the first litres would count
        as the water after it.
        """
        by_meter = self.counted.litres >= 0.5 * self.risen.litres and self.counted.litres > 0.0
        return self.counted if by_meter else self.risen


NO_INFLOW = Inflow()


@dataclass(frozen=True, slots=True)
class Product:
    """The product at one reading, as an inflow would count."""

    ppm: float
    worst_ppm: float
    own_percent: float
    known: bool

    @classmethod
    def of(cls, plan: StationPlan, ppm: float | None, guard_band_ppm: float) -> "Product":
        """Return the product of a reading. ``ppm`` is None without a sound probe."""
        if ppm is None:
            gross_ppm = plan.limits.gross_ppm
            return cls(gross_ppm, gross_ppm, 0.0, False)
        shown_ppm = max(ppm, 0.0)
        percent = plan.product.chain.uncertainties.cell_constant_percent
        own_percent = reservoir.own_percent_of(shown_ppm, guard_band_ppm, percent)
        return cls(shown_ppm, max(ppm + guard_band_ppm, 0.0), min(own_percent, MOST_OWN_PERCENT), True)


def more(inflow: Inflow, litres: float, counted_l: float, product: Product) -> Inflow:
    """Return an inflow with the litres of one more reading: by the level, and by the flow meter."""
    own_percent = max(inflow.own_percent, product.own_percent) if litres or counted_l else inflow.own_percent
    return Inflow(_add(inflow.risen, litres, product), _add(inflow.counted, counted_l, product), own_percent)


def _add(passed: Passed, litres: float, product: Product) -> Passed:
    if litres <= 0.0:
        return passed
    mg, unmeasured_mg = litres * product.ppm, 0.0
    if not product.known:
        mg, unmeasured_mg = 0.0, 0.5 * mg
    return Passed(
        passed.litres + litres,
        passed.product_mg + mg,
        passed.worst_mg + litres * product.worst_ppm,
        passed.unmeasured_mg + unmeasured_mg,
    )


def likely_ppm(water: Reservoir, inflow: Inflow) -> float:
    """Return what an inflow has in it by the estimate of the cell's error, in ppm. It must not be empty."""
    mixed = inflow.mixed
    measured_ppm = reservoir.true_of(water, mixed.ppm(mixed.product_mg), inflow.own_percent)
    return measured_ppm + mixed.ppm(mixed.unmeasured_mg)


def at_worst_ppm(water: Reservoir, inflow: Inflow) -> float:
    """Return what the guard counts of an inflow, in ppm. It must not be empty."""
    return max(inflow.mixed.ppm(inflow.mixed.worst_mg), likely_ppm(water, inflow))
