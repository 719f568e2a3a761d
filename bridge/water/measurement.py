"""The path of every reading: from a conductance and a temperature to dissolved solids with their
uncertainty."""

import math
from dataclasses import dataclass, replace

from bridge.errors import OutOfRangeError
from bridge.water import uncertainty
from bridge.water.conductivity import (
    REFERENCE_C,
    Cell,
    Compensated,
    Compensation,
    Method,
    compensate,
    with_slope,
    with_slopes,
)
from bridge.water.solids import Scale, checked_factor
from bridge.water.uncertainty import USUAL, Budget, StandardUncertainties, expanded_ppm

_NO_CELL = Cell(1.0)


@dataclass(frozen=True, slots=True)
class MeasuringChain:
    """All that stands between the water and the figure: cell, compensation, scale, and how sure each is.

    Raises :class:`OutOfRangeError` for a factor outside 0.3 to 1.5.
    """

    cell: Cell
    compensation: Compensation
    factor: float = Scale.HALF.value
    uncertainties: StandardUncertainties = USUAL

    def __post_init__(self) -> None:
        checked_factor(self.factor)


@dataclass(frozen=True, slots=True)
class Measurement:
    """One reading, worked out."""

    conductance_us: float | None
    """As it came from the cell; None for a reading taken with a meter of its own."""
    conductivity_us_cm: float
    """At the water's own temperature, or as the meter showed it."""
    temperature_c: float | None
    """None where a meter has compensated by itself and its temperature is not known."""
    conductivity_25_us_cm: float
    dissolved_solids_ppm: float
    expanded_uncertainty_ppm: float
    """k = 2, on the same scale as the dissolved solids."""
    factor: float
    """The scale: ppm for each µS/cm at 25 °C."""
    method: Method
    """How it was brought to 25 °C; ``off`` where a meter has done it already."""


def measure(chain: MeasuringChain, conductance_us: float, temperature_c: float) -> Measurement:
    """Work out one reading: conductance in µS, water temperature in °C. A few microseconds.

    Raises :class:`OutOfRangeError` when the temperature lies outside the range of the chain's method, or the
    conductance is no finite number.
    """
    cell, compensation, factor = chain.cell, chain.compensation, chain.factor
    conductivity_us_cm, per_us = with_slope(cell, conductance_us)
    compensated = with_slopes(compensation, conductivity_us_cm, temperature_c)
    at_25, method = compensated[0], compensation.method
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
        conductance_us,
        conductivity_us_cm,
        temperature_c,
        at_25,
        factor * at_25,
        band_ppm,
        factor,
        method,
    )


def measure_conductivity(
    chain: MeasuringChain, conductivity_us_cm: float, temperature_c: float
) -> Measurement:
    """Work out a hand reading in µS/cm, not compensated, taken at ``temperature_c`` in °C.

    The chain's cell plays no part: the meter's own accuracy stands in ``cell_constant_percent``, and one
    step of its display in ``conductance_step_us``, here in µS/cm.

    Raises :class:`OutOfRangeError` when the temperature lies outside the range of the chain's method, or the
    conductivity is negative or no finite number.
    """
    _check_shown(conductivity_us_cm, "µS/cm")
    # Of a cell of 1 cm⁻¹ the conductance is the conductivity.
    measured = measure(replace(chain, cell=_NO_CELL), conductivity_us_cm, temperature_c)
    return replace(measured, conductance_us=None)


def measure_compensated(
    chain: MeasuringChain, conductivity_25_us_cm: float, temperature_c: float | None = None
) -> Measurement:
    """Work out a reading in µS/cm that the meter has already brought to 25 °C by itself.

    No compensation is done and the method is ``off``. Where the water's temperature is given, the uncertainty
    of the meter's own compensation, which is not known, is reckoned like that of the ``linear`` method.

    Raises :class:`OutOfRangeError` when a value is negative or no finite number, or the temperature is not
    that of water.
    """
    _check_shown(conductivity_25_us_cm, "µS/cm")
    return _from_meter(chain, conductivity_25_us_cm, 1.0, temperature_c)


def measure_pocket_meter(
    chain: MeasuringChain, shown_ppm: float, meter_factor: float, temperature_c: float | None = None
) -> Measurement:
    """Work out a pocket meter's ppm, shown on the meter's own factor, on the scale of the chain.

    Such meters compensate by themselves (common practice, no source), so the method is ``off``. One step of
    the display stands in the chain's ``conductance_step_us``, here in µS/cm: a step of 1 ppm at a factor of
    0.5 is 2 µS/cm.

    Raises :class:`OutOfRangeError` when a value is negative or no finite number, or the meter's factor is
    outside 0.3 to 1.5.
    """
    _check_shown(shown_ppm, "ppm")
    return _from_meter(chain, shown_ppm / checked_factor(meter_factor), 1.0, temperature_c)


def budget_of(chain: MeasuringChain, measurement: Measurement) -> Budget:
    """The uncertainty budget behind a reading, line by line.

    The reading is one of :func:`measure` or :func:`measure_conductivity` with this chain.

    Raises :class:`OutOfRangeError` for a reading that a meter compensated: what its parts were is not known.
    """
    temperature_c = measurement.temperature_c
    if temperature_c is None or measurement.method is not chain.compensation.method:
        raise OutOfRangeError(
            "a budget needs a reading that this chain compensated; the meter did it for this one"
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


def _from_meter(
    chain: MeasuringChain, conductivity_25_us_cm: float, per_us: float, temperature_c: float | None
) -> Measurement:
    if temperature_c is None:
        as_if = Compensated(conductivity_25_us_cm, 1.0, 0.0, 0.0)
        seen_at_c = REFERENCE_C
    else:
        low, high = Method.OFF.range_c
        if not low <= temperature_c <= high:
            raise OutOfRangeError(
                f"a water temperature of {temperature_c} °C is impossible; it must lie between {low:g} and "
                f"{high:g} °C"
            )
        percent_per_k = 0.01 * chain.compensation.linear_percent_per_k
        from_reference = temperature_c - REFERENCE_C
        as_if = Compensated(
            conductivity_25_us_cm,
            1.0,
            -percent_per_k * conductivity_25_us_cm,
            -0.01 * from_reference * conductivity_25_us_cm,
        )
        seen_at_c = temperature_c
    factor = chain.factor
    return Measurement(
        None,
        conductivity_25_us_cm,
        temperature_c,
        conductivity_25_us_cm,
        factor * conductivity_25_us_cm,
        expanded_ppm(
            chain.uncertainties,
            Method.LINEAR,
            factor,
            conductivity_25_us_cm,
            per_us,
            conductivity_25_us_cm,
            seen_at_c,
            as_if,
        ),
        factor,
        Method.OFF,
    )


def _check_shown(value: float, unit: str) -> None:
    if not 0.0 <= value < math.inf:
        raise OutOfRangeError(f"a reading of {value} {unit} is impossible; it must be zero or more")
