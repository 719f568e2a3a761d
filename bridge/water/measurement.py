"""A measurement: from a conductance and a temperature to dissolved solids.

Every measurement has its expanded uncertainty (k = 2) and its scale. A meter does not weigh the dissolved
solids. Its "ppm" is the conductivity at 25 °C times a chosen factor. A limit and a reading can be compared
only on the same scale, so every value in ppm has its scale.
"""

import math
from dataclasses import dataclass

from bridge.errors import OutOfRangeError
from bridge.water import uncertainty
from bridge.water.conductivity import (
    Cell,
    Compensation,
    Method,
    compensate,
    conductance_us,
    with_slope,
)
from bridge.water.uncertainty import (
    DEFAULT_UNCERTAINTIES,
    Budget,
    StandardUncertainties,
    expanded_ppm,
)

SMALLEST_FACTOR = 0.3
LARGEST_FACTOR = 1.5
DEFAULT_FACTOR = 0.5
"""The scale of most pocket meters, in ppm for each µS/cm at 25 °C. Many others use 0.7 (common practice, no
source)."""


def scale_label(factor: float) -> str:
    """Return the scale in words, as printed beside every value in ppm."""
    return f"{factor:g} ppm per µS/cm at 25 °C"


def checked_factor(factor: float) -> float:
    """Return the factor, in ppm for each µS/cm at 25 °C, if it is valid.

    Raises:
        OutOfRangeError: If the factor is outside 0.3 to 1.5, the range of natural waters.
    """
    if not SMALLEST_FACTOR <= factor <= LARGEST_FACTOR:
        raise OutOfRangeError(
            f"the factor {factor} does not convert conductivity to dissolved solids; it must lie between "
            f"{SMALLEST_FACTOR} and {LARGEST_FACTOR} ppm per µS/cm, and 0.5 and 0.7 are common"
        )
    return factor


@dataclass(frozen=True, slots=True)
class MeasuringChain:
    """The measuring chain of a probe: cell, compensation, scale, and the uncertainties of its parts.

    Raises:
        OutOfRangeError: If the factor is outside 0.3 to 1.5.
    """

    cell: Cell
    compensation: Compensation
    factor: float = DEFAULT_FACTOR
    uncertainties: StandardUncertainties = DEFAULT_UNCERTAINTIES

    def __post_init__(self) -> None:
        checked_factor(self.factor)


@dataclass(frozen=True, slots=True)
class Measurement:
    """The result of one reading."""

    conductance_us: float | None
    """As the cell measured it. None for a reading from a hand meter."""
    conductivity_us_cm: float
    """At the water's own temperature, or as the meter shows it."""
    temperature_c: float | None
    """None if a meter compensated the reading and the temperature is not known."""
    conductivity_25_us_cm: float
    dissolved_solids_ppm: float
    expanded_uncertainty_ppm: float
    """Expanded uncertainty (k = 2), on the scale of the dissolved solids."""
    factor: float
    """The factor of the scale, in ppm for each µS/cm at 25 °C."""
    method: Method
    """The compensation method. ``off`` if a meter compensated the reading."""


def measure(chain: MeasuringChain, conductance_us: float, temperature_c: float) -> Measurement:
    """Return the measurement of one reading: conductance in µS, water temperature in °C.

    Raises:
        OutOfRangeError: If the temperature lies outside the range of the chain's method, or the conductance
            is not a finite number.
    """
    cell, compensation, factor = chain.cell, chain.compensation, chain.factor
    conductivity_us_cm, per_us = with_slope(cell, conductance_us)
    compensated = compensate(compensation, conductivity_us_cm, temperature_c)
    at_25, method = compensated.conductivity_25_us_cm, compensation.method
    band_ppm = expanded_ppm(
        chain.uncertainties,
        method,
        factor,
        conductivity_us_cm,
        per_us,
        conductance_us - cell.offset_us,
        temperature_c,
        compensated,
    )
    return Measurement(
        conductance_us=conductance_us,
        conductivity_us_cm=conductivity_us_cm,
        temperature_c=temperature_c,
        conductivity_25_us_cm=at_25,
        dissolved_solids_ppm=factor * at_25,
        expanded_uncertainty_ppm=band_ppm,
        factor=factor,
        method=method,
    )


def budget_of(chain: MeasuringChain, measurement: Measurement) -> Budget:
    """Return the uncertainty budget of a measurement, line by line.

    Args:
        chain: the measuring chain.
        measurement: what :func:`measure` returned for this chain.

    Raises:
        OutOfRangeError: If the measurement is that of a hand meter: its contributions are not known.
    """
    conductance, temperature_c = measurement.conductance_us, measurement.temperature_c
    if conductance is None or temperature_c is None:
        raise OutOfRangeError("a budget needs a reading of a probe; this one is that of a hand meter")
    return uncertainty.budget(
        chain.uncertainties,
        measurement.method,
        measurement.factor,
        measurement.conductivity_us_cm,
        with_slope(chain.cell, conductance)[1],
        conductance - chain.cell.offset_us,
        temperature_c,
        compensate(chain.compensation, measurement.conductivity_us_cm, temperature_c),
    )


def budget_at(chain: MeasuringChain, ppm: float, temperature_c: float) -> Budget:
    """Return the uncertainty budget of a reading that would be ``ppm``, such as the limit, in water of °C.

    ``expanded_ppm`` of the result is the half of the interval (k = 2), and ``largest`` dominates it.

    Raises:
        OutOfRangeError: If the temperature lies outside the range of the chain's method, or the value is
            negative or not finite.
    """
    if not 0.0 <= ppm < math.inf:
        raise OutOfRangeError(f"a reading of {ppm} ppm is impossible; it must be zero or more")
    target = ppm / chain.factor
    raw = target
    for _ in range(8):
        seen = compensate(chain.compensation, raw, temperature_c)
        raw = max(raw + (target - seen.conductivity_25_us_cm) / seen.per_conductivity, 0.0)
    return budget_of(chain, measure(chain, conductance_us(chain.cell, raw), temperature_c))


USUAL_WATER_C = 15.0
"""Water from a cold pipe that stood a while (common practice, no source)."""


def budget_at_limit(chain: MeasuringChain, limit_ppm: float) -> tuple[Budget, float]:
    """Return the budget of a reading at the limit in usual water, and the temperature of that water in °C."""
    low_c, high_c = chain.compensation.method.range_c
    celsius = min(max(USUAL_WATER_C, low_c), high_c)
    return budget_at(chain, limit_ppm, celsius), celsius
