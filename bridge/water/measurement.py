"""A measurement: from a conductance and a temperature, or from a hand meter, to dissolved solids.

Every measurement has its expanded uncertainty (k = 2) and its scale. A meter does not weigh the dissolved
solids. Its "ppm" is the conductivity at 25 °C times a chosen factor. A limit and a reading can be compared
only on the same scale, so every value in ppm has its scale.
"""

import math
from dataclasses import dataclass, replace
from enum import Enum

from bridge.errors import OutOfRangeError
from bridge.water import uncertainty
from bridge.water.conductivity import (
    REFERENCE_C,
    Cell,
    Compensated,
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
_UNIT_CELL = Cell(1.0)


class Scale(Enum):
    """The scales that pocket meters use most (common practice, no source)."""

    HALF = 0.5
    """About right for sodium chloride."""
    SEVEN_TENTHS = 0.7
    """About right for many tap waters."""

    @property
    def factor(self) -> float:
        """The factor, in ppm for each µS/cm at 25 °C."""
        return self.value

    @property
    def label(self) -> str:
        """The scale in words, as printed beside a value."""
        return scale_label(self.value)


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


def dissolved_solids_ppm(conductivity_25_us_cm: float, factor: float) -> float:
    """Return the dissolved solids in ppm on the scale of ``factor``, from the conductivity at 25 °C in µS/cm.

    Raises:
        OutOfRangeError: If the factor is outside 0.3 to 1.5.
    """
    return checked_factor(factor) * conductivity_25_us_cm


def on_other_scale(ppm: float, from_factor: float, to_factor: float) -> float:
    """Convert ppm from one scale to another: divide by one factor and multiply by the other.

    Raises:
        OutOfRangeError: If a factor is outside 0.3 to 1.5.
    """
    return ppm / checked_factor(from_factor) * checked_factor(to_factor)


@dataclass(frozen=True, slots=True)
class MeasuringChain:
    """The measuring chain of a probe: cell, compensation, scale, and the uncertainties of its parts.

    Raises:
        OutOfRangeError: If the factor is outside 0.3 to 1.5.
    """

    cell: Cell
    compensation: Compensation
    factor: float = Scale.HALF.value
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


def measure_conductivity(
    chain: MeasuringChain, conductivity_us_cm: float, temperature_c: float
) -> Measurement:
    """Return the measurement of an uncompensated hand reading in µS/cm, taken at ``temperature_c`` in °C.

    The chain's cell is not used. ``cell_constant_percent`` holds the accuracy of the meter, and
    ``conductance_step_us`` one step of its display, here in µS/cm.

    Raises:
        OutOfRangeError: If the temperature lies outside the range of the chain's method, or the conductivity
            is negative or not a finite number.
    """
    _check_shown(conductivity_us_cm, "µS/cm")
    # For a cell of 1 cm⁻¹ the conductance equals the conductivity.
    measured = measure(replace(chain, cell=_UNIT_CELL), conductivity_us_cm, temperature_c)
    return replace(measured, conductance_us=None)


def measure_compensated(
    chain: MeasuringChain, conductivity_25_us_cm: float, temperature_c: float | None = None
) -> Measurement:
    """Return the measurement of a hand reading in µS/cm that the meter has already converted to 25 °C.

    The method is ``off``. The compensation of the meter is not known. If the water temperature is given, the
    uncertainty of the compensation is calculated as for the ``linear`` method.

    Raises:
        OutOfRangeError: If a value is negative or not a finite number, or the temperature is outside 0 to
            100 °C.
    """
    _check_shown(conductivity_25_us_cm, "µS/cm")
    return _from_meter(chain, conductivity_25_us_cm, temperature_c)


def measure_pocket_meter(
    chain: MeasuringChain, shown_ppm: float, meter_factor: float, temperature_c: float | None = None
) -> Measurement:
    """Return the measurement of a pocket meter in ppm, converted to the factor of the chain.

    Such meters compensate the reading (common practice, no source), so the method is ``off``. The chain's
    ``conductance_step_us`` holds one step of the display, here in µS/cm: a step of 1 ppm at a factor of 0.5
    is 2 µS/cm.

    Raises:
        OutOfRangeError: If a value is negative or not a finite number, or the meter's factor is outside 0.3
            to 1.5.
    """
    _check_shown(shown_ppm, "ppm")
    return _from_meter(chain, shown_ppm / checked_factor(meter_factor), temperature_c)


def budget_of(chain: MeasuringChain, measurement: Measurement) -> Budget:
    """Return the uncertainty budget of a measurement, line by line.

    The measurement must come from :func:`measure` or :func:`measure_conductivity` with this chain.

    Raises:
        OutOfRangeError: If a meter compensated the reading: its contributions are not known.
    """
    temperature_c = measurement.temperature_c
    if temperature_c is None or measurement.method is not chain.compensation.method:
        raise OutOfRangeError(
            "a budget needs a reading that this chain compensated; a meter compensated this one"
        )
    if measurement.conductance_us is None:
        net_us, per_us = measurement.conductivity_us_cm, 1.0
    else:
        net_us = measurement.conductance_us - chain.cell.offset_us
        per_us = with_slope(chain.cell, measurement.conductance_us)[1]
    return uncertainty.budget(
        chain.uncertainties,
        measurement.method,
        measurement.factor,
        measurement.conductivity_us_cm,
        per_us,
        net_us,
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
    _check_shown(ppm, "ppm")
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


def _from_meter(
    chain: MeasuringChain, conductivity_25_us_cm: float, temperature_c: float | None
) -> Measurement:
    if temperature_c is None:
        compensated = Compensated(conductivity_25_us_cm, 1.0, 0.0, 0.0)
        at_c = REFERENCE_C
    else:
        low, high = Method.OFF.range_c
        if not low <= temperature_c <= high:
            raise OutOfRangeError(
                f"a water temperature of {temperature_c} °C is impossible; it must lie between {low:g} and "
                f"{high:g} °C"
            )
        percent_per_k = 0.01 * chain.compensation.linear_percent_per_k
        from_reference = temperature_c - REFERENCE_C
        compensated = Compensated(
            conductivity_25_us_cm,
            1.0,
            -percent_per_k * conductivity_25_us_cm,
            -0.01 * from_reference * conductivity_25_us_cm,
        )
        at_c = temperature_c
    factor = chain.factor
    return Measurement(
        conductance_us=None,
        conductivity_us_cm=conductivity_25_us_cm,
        temperature_c=temperature_c,
        conductivity_25_us_cm=conductivity_25_us_cm,
        dissolved_solids_ppm=factor * conductivity_25_us_cm,
        expanded_uncertainty_ppm=expanded_ppm(
            chain.uncertainties,
            Method.LINEAR,
            factor,
            conductivity_25_us_cm,
            1.0,
            conductivity_25_us_cm,
            at_c,
            compensated,
        ),
        factor=factor,
        method=Method.OFF,
    )


def _check_shown(value: float, unit: str) -> None:
    if not 0.0 <= value < math.inf:
        raise OutOfRangeError(f"a reading of {value} {unit} is impossible; it must be zero or more")
