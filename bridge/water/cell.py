"""The conductivity cell: from the conductance between the electrodes to the conductivity of the water."""

import math
from dataclasses import dataclass

from bridge.errors import OutOfRangeError

SMALLEST_CONSTANT_PER_CM = 0.001
LARGEST_CONSTANT_PER_CM = 100.0
LARGEST_LEAD_RESISTANCE_OHM = 1000.0
LARGEST_OFFSET_US = 1000.0


@dataclass(frozen=True, slots=True)
class Cell:
    """One conductivity cell as it is wired to the controller.

    ``constant_per_cm`` is the cell constant, the electrodes' distance over their area; 0.01 to 0.1 cm⁻¹
    suits purified water, 1 cm⁻¹ tap water. ``lead_resistance_ohm`` is the resistance of the cable in series
    with the water, both wires together. ``offset_us`` is what the input reads with the cell dry and clean.

    Raises :class:`OutOfRangeError` for a value that no real cell has.
    """

    constant_per_cm: float
    lead_resistance_ohm: float = 0.0
    offset_us: float = 0.0

    def __post_init__(self) -> None:
        if not SMALLEST_CONSTANT_PER_CM <= self.constant_per_cm <= LARGEST_CONSTANT_PER_CM:
            raise OutOfRangeError(
                f"the cell constant {self.constant_per_cm} cm⁻¹ is not that of a real cell; it must lie "
                f"between {SMALLEST_CONSTANT_PER_CM} and {LARGEST_CONSTANT_PER_CM:g} cm⁻¹"
            )
        if not 0.0 <= self.lead_resistance_ohm <= LARGEST_LEAD_RESISTANCE_OHM:
            raise OutOfRangeError(
                f"the lead resistance {self.lead_resistance_ohm} ohm is impossible; it must lie between 0 "
                f"and {LARGEST_LEAD_RESISTANCE_OHM:g} ohm"
            )
        if not -LARGEST_OFFSET_US <= self.offset_us <= LARGEST_OFFSET_US:
            raise OutOfRangeError(
                f"the offset {self.offset_us} µS is impossible; it must lie within ±{LARGEST_OFFSET_US:g} µS"
            )


def conductivity_us_cm(cell: Cell, conductance_us: float) -> float:
    """Conductivity in µS/cm, at the water's own temperature, from the measured conductance in µS.

    The offset is subtracted, the lead resistance taken out of the series circuit, and the rest multiplied by
    the cell constant. A conductance below the offset gives a negative conductivity: that is left as it is,
    for the probe diagnosis to see.

    Raises :class:`OutOfRangeError` when the conductance is no finite number, or so high that the leads alone
    would conduct less.
    """
    return with_slope(cell, conductance_us)[0]


def with_slope(cell: Cell, conductance_us: float) -> tuple[float, float]:
    """The conductivity in µS/cm, and by how much it changes for each µS of conductance, in cm⁻¹."""
    seen_us = conductance_us - cell.offset_us
    through_water = 1.0 - seen_us * cell.lead_resistance_ohm * 1e-6
    if not (through_water > 0.0 and math.isfinite(seen_us)):
        raise OutOfRangeError(
            f"the conductance {conductance_us} µS cannot come from a cell whose leads have "
            f"{cell.lead_resistance_ohm:g} ohm; check the lead resistance and look for a short circuit"
        )
    return (
        cell.constant_per_cm * seen_us / through_water,
        cell.constant_per_cm / (through_water * through_water),
    )


def conductance_us(cell: Cell, conductivity_us_cm: float) -> float:
    """What the controller would read, in µS, with this cell in water of this conductivity: the way back.

    Raises :class:`OutOfRangeError` for a conductivity below zero or not finite.
    """
    if not 0.0 <= conductivity_us_cm < math.inf:
        raise OutOfRangeError(
            f"a conductivity of {conductivity_us_cm} µS/cm is impossible; it must be zero or more"
        )
    water_us = conductivity_us_cm / cell.constant_per_cm
    return water_us / (1.0 + water_us * cell.lead_resistance_ohm * 1e-6) + cell.offset_us
