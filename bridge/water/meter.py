"""Hand meters: what one shows, and how far that can be from the truth.

A meter has two accuracies on its data sheet: per cent of the reading, or per cent of full scale, which is the
same error at every reading. A pocket meter of 999 ppm that is good to 2 % of full scale can be wrong by 20
ppm in water of 3 ppm. Both are bounds, taken as rectangular (GUM 4.3.7): the standard uncertainty is the
bound over √3. This error belongs to the meter: it is the same for all samples, and a mean does not shrink it.

One step of the display is rectangular too, over √12. A meter that shows 0 shows "less than half a step": the
value is then a quarter of a step, and the uncertainty covers zero and half a step.

Most meters compensate the temperature with 2 % for each kelvin (common practice, no source). Salts follow
that well, acid and alkali do not: see :class:`bridge.water.uncertainty.WaterKind`.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from bridge.errors import OutOfRangeError
from bridge.water.conductivity import REFERENCE_C, Compensation, Method, compensate
from bridge.water.measurement import Measurement, checked_factor
from bridge.water.uncertainty import (
    COVERAGE_FACTOR,
    DEFAULT_UNCERTAINTIES,
    StandardUncertainties,
    curve_percent,
)

_ROOT_3 = math.sqrt(3.0)
_ROOT_12 = math.sqrt(12.0)
COLDEST_K = 21.0
"""How far below 25 °C a sample without a temperature may be: 4 °C (common practice, no source)."""
SMALLEST_STEP, LARGEST_STEP = 1e-4, 1000.0


class MeterUnit(StrEnum):
    """The unit that a meter shows."""

    PPM = "ppm"
    US_CM = "us/cm"

    @property
    def symbol(self) -> str:
        """The unit as people see it."""
        return "µS/cm" if self is MeterUnit.US_CM else self.value


@dataclass(frozen=True, slots=True)
class HandMeter:
    """One hand meter, by its data sheet.

    Raises:
        OutOfRangeError: If a value is outside its range, or no accuracy is given.
    """

    ident: str
    """The user's name for it."""
    unit: MeterUnit
    resolution: float
    """One step of the display, in its unit."""
    factor: float = 0.5
    """The factor of a meter that shows ppm: ppm for each µS/cm at 25 °C."""
    percent_of_reading: float = 0.0
    percent_of_full_scale: float = 0.0
    full_scale: float = 0.0
    """In its unit."""
    compensated: bool = True
    """True if the meter converts to 25 °C by itself."""

    def __post_init__(self) -> None:
        checked_factor(self.factor)
        if not SMALLEST_STEP <= self.resolution <= LARGEST_STEP:
            raise OutOfRangeError(
                f"the meter '{self.ident}' has a resolution of {self.resolution} {self.unit.symbol}; it must "
                f"lie between {SMALLEST_STEP:g} and {LARGEST_STEP:g}"
            )
        for what, percent in (
            ("of the reading", self.percent_of_reading),
            ("of full scale", self.percent_of_full_scale),
        ):
            if not 0.0 <= percent <= 50.0:
                raise OutOfRangeError(
                    f"the meter '{self.ident}' has an accuracy of {percent} % {what}; it must lie between 0 "
                    "and 50 %"
                )
        if self.percent_of_reading == 0.0 and self.percent_of_full_scale == 0.0:
            raise OutOfRangeError(
                f"the meter '{self.ident}' has no accuracy; give it in per cent of the reading or of full "
                "scale, from its data sheet"
            )
        if self.percent_of_full_scale > 0.0 and not self.resolution <= self.full_scale < math.inf:
            raise OutOfRangeError(
                f"the meter '{self.ident}' has a full scale of {self.full_scale} {self.unit.symbol}; an "
                "accuracy in per cent of full scale needs it"
            )


USUAL_METER = HandMeter("usual", MeterUnit.PPM, resolution=1.0, percent_of_full_scale=2.0, full_scale=999.0)
"""A pocket meter of which nothing is known. Such meters are good to about 2 % of full scale (common practice,
no source)."""
USUAL_CONDUCTIVITY_METER = HandMeter(
    "usual", MeterUnit.US_CM, resolution=1.0, percent_of_full_scale=2.0, full_scale=1999.0
)
"""The same for a meter that shows µS/cm."""


@dataclass(frozen=True, slots=True)
class MeterReading:
    """A hand reading on the scale of the limit, with its uncertainty in two parts (k = 1)."""

    measurement: Measurement
    common_ppm: float
    """What all samples with this meter share: its accuracy and its compensation, which is wrong in the same
    direction for the same kind of water."""
    own_ppm: float
    """What is new with every sample: the step of the display."""
    below_resolution: bool
    """True if the meter showed 0: the value is under half a step, and is not that of a dry cell."""


def read(
    meter: HandMeter,
    shown: float,
    factor: float,
    temperature_c: float | None = None,
    compensation: Compensation | None = None,
    inputs: StandardUncertainties = DEFAULT_UNCERTAINTIES,
) -> MeterReading:
    """Return the reading of a hand meter, on the scale of ``factor``.

    Args:
        meter: the meter.
        shown: the number on its display, in its unit.
        factor: the factor of the result, ppm for each µS/cm at 25 °C.
        temperature_c: the temperature of the water, if it was measured. A meter that does not compensate
            needs it.
        compensation: for a meter that does not compensate: the method, by default ``natural``.
        inputs: the uncertainties of the compensation and the thermometer.

    Raises:
        OutOfRangeError: If the number or the temperature is impossible, or the temperature is missing.
    """
    checked_factor(factor)
    if not 0.0 <= shown < math.inf:
        raise OutOfRangeError(
            f"a reading of {shown} {meter.unit.symbol} is impossible; it must be zero or more"
        )
    below = shown < 0.5 * meter.resolution
    value = 0.25 * meter.resolution if below else shown
    per_unit = 1.0 if meter.unit is MeterUnit.US_CM else 1.0 / meter.factor
    raw_us_cm = value * per_unit
    accuracy = math.hypot(
        0.01 * meter.percent_of_reading * value, 0.01 * meter.percent_of_full_scale * meter.full_scale
    )
    common_us_cm = accuracy * per_unit / _ROOT_3
    step_us_cm = meter.resolution * per_unit / _ROOT_12
    if meter.compensated:
        at_25, method = raw_us_cm, Method.OFF
        from_reference_k = _from_reference_k(temperature_c)
        percent = max(
            inputs.fixed_above_percent_per_k * from_reference_k,
            -inputs.fixed_percent_per_k * from_reference_k,
        )
        curve_us_cm = 0.01 * at_25 * percent
    else:
        if temperature_c is None:
            raise OutOfRangeError(
                f"the meter '{meter.ident}' does not compensate; give the temperature of the water, in °C"
            )
        how = compensation or Compensation(Method.NATURAL)
        converted = compensate(how, raw_us_cm, temperature_c)
        at_25, method = converted.conductivity_25_us_cm, how.method
        common_us_cm *= converted.per_conductivity
        step_us_cm *= converted.per_conductivity
        curve_us_cm = math.hypot(
            0.01 * at_25 * curve_percent(inputs, method, temperature_c),
            converted.per_kelvin * inputs.temperature_k,
            converted.per_coefficient * inputs.linear_percent_per_k,
        )
    common_ppm = factor * math.hypot(common_us_cm, curve_us_cm)
    own_ppm = math.hypot(factor * step_us_cm, inputs.smallest_ppm)
    measurement = Measurement(
        conductance_us=None,
        conductivity_us_cm=raw_us_cm,
        temperature_c=temperature_c,
        conductivity_25_us_cm=at_25,
        dissolved_solids_ppm=factor * at_25,
        expanded_uncertainty_ppm=COVERAGE_FACTOR * math.hypot(common_ppm, own_ppm),
        factor=factor,
        method=method,
    )
    return MeterReading(measurement, common_ppm, own_ppm, below)


def _from_reference_k(temperature_c: float | None) -> float:
    if temperature_c is None:
        # The error is this distance, anywhere up to the coldest, times that of salt, alkali or acid: with a
        # standard uncertainty of 1/√2 of the coldest, 95 % of these products are in the interval of k = 2.
        return -COLDEST_K / math.sqrt(2.0)
    low, high = Method.OFF.range_c
    if not low <= temperature_c <= high:
        raise OutOfRangeError(
            f"a water temperature of {temperature_c} °C is impossible; it must lie between {low:g} and "
            f"{high:g} °C"
        )
    return temperature_c - REFERENCE_C
