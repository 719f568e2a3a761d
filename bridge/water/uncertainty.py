"""The uncertainty budget of a reading, by the GUM (JCGM 100:2008).

The dissolved solids S follow from the conductance G, the cell constant K, the temperature T and the factor F:

    S = F · c(K · g(G), T)

where ``g`` removes offset and leads, and ``c`` converts the conductivity to 25 °C. The standard uncertainty
of each input is multiplied by its sensitivity (the partial derivative of S). The root of the sum of the
squares is the combined uncertainty. This takes the inputs as independent, because they come from different
instruments, standards and judgements. The expanded uncertainty is twice the combined one (k = 2, about 95 %).

One input counts twice in the measurement and once in the budget: the thermometer. A thermometer that reads
high at the calibration makes the constant too large, because the solution is taken for a warmer one. The same
thermometer in use makes the value at 25 °C too small. Both effects are about 2 % for each kelvin and nearly
cancel, so the sensitivity to the thermometer is their sum. This needs the same thermometer for both, as in
``clearwell calibrate``.

The compensation curve is that of one water, and no water follows it exactly. How far it is off depends on the
ions. See :class:`WaterKind`.
"""

import math
from dataclasses import dataclass, replace
from enum import Enum, StrEnum

from bridge.errors import OutOfRangeError
from bridge.water.conductivity import REFERENCE_C, Compensated, Method

COVERAGE_FACTOR = 2.0
LABEL_PERCENT = 5.0
"""Standard uncertainty of a cell constant from a label (common practice, no source)."""
_ROOT_12 = math.sqrt(12.0)
_ROOT_3 = math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class StandardUncertainties:
    """The standard uncertainties (k = 1) of all inputs of a reading.

    The defaults are common practice, no source, for a cell with a label and a digital thermometer.

    Raises:
        OutOfRangeError: If a value is negative or not a finite number.
    """

    cell_constant_percent: float = LABEL_PERCENT
    """Of the cell constant, from its label or its calibration, without the share of the thermometer."""
    calibration_percent_per_k: float = 0.0
    """Change of the cell constant, for each kelvin by which the thermometer read high at its calibration. 0
    for a constant from a label, or with another thermometer."""
    offset_us: float = 0.05
    """Of the offset, with the leakage of cable and plug, µS."""
    lead_resistance_ohm: float = 0.5
    """Of the resistance of both wires together, ohm."""
    conductance_percent: float = 0.5
    """Of the measured conductance, from the controller's input circuit."""
    conductance_step_us: float = 0.0
    """Resolution of the conductance, µS. Counts as step / √12."""
    temperature_k: float = 0.3
    """Of the water temperature, K."""
    linear_percent_per_k: float = 0.2
    """Of the coefficient of the ``linear`` method, %/K."""
    method_percent_per_k: float = 0.35
    """Of the compensation curve below 25 °C, in %/K. See :class:`WaterKind`."""
    method_above_percent_per_k: float = 0.6
    """Of the compensation curve above 25 °C."""
    fixed_percent_per_k: float = 0.4
    """Of the fixed compensation of a hand meter below 25 °C, in %/K. See :class:`WaterKind`."""
    fixed_above_percent_per_k: float = 0.53
    """Of the fixed compensation of a hand meter above 25 °C."""
    factor_percent: float = 0.0
    """Of the factor. 0 if limit and reading share the same scale, which is the normal case."""
    smallest_ppm: float = 0.05
    """Of water itself: its own ions and the gases in it. No interval is narrower than twice this."""

    def __post_init__(self) -> None:
        for name in self.__slots__:
            value = getattr(self, name)
            if not 0.0 <= value < math.inf:
                raise OutOfRangeError(
                    f"the standard uncertainty {name} is {value}; it must be a finite number, zero or more"
                )


DEFAULT_UNCERTAINTIES = StandardUncertainties()
"""The defaults, for a chain without its own values."""


class WaterKind(StrEnum):
    """The kind of water in a cell, because the compensation curve fits some ions better than others.

    Each kind has two standard uncertainties of the compensation, below and above 25 °C, in per cent for each
    kelvin. They are the root mean square of the errors of the method for the waters that occur in the kind,
    by the ionic conductivities of McCleskey et al. (2012, see :mod:`bridge.water.conductivity`). Above 25 °C
    acid and alkali read low, which is the unsafe side, so the largest error of the kind counts there.

    A hand meter has a fixed compensation of 2 % for each kelvin instead, in some meters 1.9 % (common
    practice, no source). That is wrong in another way, so each kind has two values for it too. Below 25 °C
    it reads neutral salts high by 0.1 % for each kelvin, alkali by 0.5 % and acid by 0.7 % (root mean square
    from 4 °C on, by the same conductivities). Which of them a spent bed lets through is not known, so that of
    acid is the bound of a rectangular distribution (GUM 4.3.7). Above 25 °C the error of acid counts, 0.53 %.
    """

    EXCHANGE_PRODUCT = "exchange-product"
    """From resin. A spent bed lets neutral salts through, or acid, or alkali. Acid reads high by 0.7 % for
    each kelvin below 25 °C."""
    PERMEATE = "permeate"
    """From a membrane: the salts of the feed, and carbonic acid."""
    DISTILLED = "distilled"
    """Carbonic acid and traces of salt."""
    RAIN = "rain"
    """A mixture of neutral salts with some acid."""
    TAP = "tap"
    """The salts of hard and soft tap waters."""

    @property
    def method_percent_per_k(self) -> tuple[float, float]:
        """The uncertainties of the compensation below and above 25 °C, in per cent for each kelvin."""
        return _METHOD_PERCENT_PER_K[self]

    @property
    def fixed_percent_per_k(self) -> tuple[float, float]:
        """The same of the fixed compensation of a hand meter."""
        return _FIXED_PERCENT_PER_K[self]


_METHOD_PERCENT_PER_K = {
    WaterKind.EXCHANGE_PRODUCT: (0.35, 0.6),
    WaterKind.PERMEATE: (0.1, 0.15),
    WaterKind.DISTILLED: (0.15, 0.2),
    WaterKind.RAIN: (0.35, 0.6),
    WaterKind.TAP: (0.15, 0.25),
}
_FIXED_PERCENT_PER_K = {
    WaterKind.EXCHANGE_PRODUCT: (0.4, 0.53),
    WaterKind.PERMEATE: (0.22, 0.25),
    WaterKind.DISTILLED: (0.25, 0.28),
    WaterKind.RAIN: (0.4, 0.63),
    WaterKind.TAP: (0.25, 0.32),
}


def for_water(inputs: StandardUncertainties, kind: WaterKind) -> StandardUncertainties:
    """Return the uncertainties with those of the compensation for a kind of water."""
    (below, above), (fixed, fixed_above) = kind.method_percent_per_k, kind.fixed_percent_per_k
    return replace(
        inputs,
        method_percent_per_k=below,
        method_above_percent_per_k=above,
        fixed_percent_per_k=fixed,
        fixed_above_percent_per_k=fixed_above,
    )


class Source(Enum):
    """The source of one contribution to the uncertainty."""

    CELL_CONSTANT = "cell constant"
    CONDUCTANCE = "conductance"
    OFFSET = "offset and cable"
    LEADS = "lead resistance"
    RESOLUTION = "resolution"
    TEMPERATURE = "temperature"
    COEFFICIENT = "temperature coefficient"
    METHOD = "compensation method"
    FACTOR = "factor"
    SMALLEST = "water itself"


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of the budget."""

    source: Source
    standard_uncertainty: float
    unit: str
    sensitivity_ppm: float
    """Change of the dissolved solids in ppm for one unit of the input."""

    @property
    def ppm(self) -> float:
        """The contribution to the standard uncertainty of the result, in ppm, never negative."""
        return abs(self.sensitivity_ppm) * self.standard_uncertainty


@dataclass(frozen=True, slots=True)
class Budget:
    """The whole budget of one reading."""

    dissolved_solids_ppm: float
    contributions: tuple[Contribution, ...]

    @property
    def combined_ppm(self) -> float:
        """Combined standard uncertainty, ppm."""
        return math.sqrt(sum(line.ppm**2 for line in self.contributions))

    @property
    def expanded_ppm(self) -> float:
        """Expanded uncertainty, k = 2, ppm."""
        return COVERAGE_FACTOR * self.combined_ppm

    @property
    def largest(self) -> Contribution:
        """The largest contribution: the one to improve first."""
        return max(self.contributions, key=lambda line: line.ppm)


def curve_percent(inputs: StandardUncertainties, method: Method, temperature_c: float) -> float:
    """Return the standard uncertainty of the compensation curve, in per cent of the value at 25 °C.

    Without compensation the missing correction is the half-width of a rectangular distribution. It is
    calculated with 2 %/K, which is accurate enough here (common practice, no source).
    """
    from_reference = temperature_c - REFERENCE_C
    if method is Method.OFF:
        return 100.0 / _ROOT_3 * abs(1.0 / (1.0 + 0.02 * from_reference) - 1.0)
    return max(
        inputs.method_above_percent_per_k * from_reference, -inputs.method_percent_per_k * from_reference
    )


def expanded_ppm(
    inputs: StandardUncertainties,
    method: Method,
    factor: float,
    conductivity_us_cm: float,
    per_conductance: float,
    conductance_us: float,
    temperature_c: float,
    compensated: Compensated,
) -> float:
    """Return the expanded uncertainty (k = 2) of the dissolved solids in ppm.

    Args:
        inputs: the standard uncertainties of the inputs.
        method: the compensation method.
        factor: the factor of the scale, ppm for each µS/cm at 25 °C.
        conductivity_us_cm: the conductivity at the water's own temperature.
        per_conductance: the change of the conductivity for each µS of conductance, cm⁻¹.
        conductance_us: the conductance without the offset.
        temperature_c: the water temperature.
        compensated: the conductivity at 25 °C with its sensitivities.
    """
    at_25, per_conductivity, per_kelvin, per_coefficient = compensated
    through_cell = per_conductivity * per_conductance
    cell = per_conductivity * conductivity_us_cm * inputs.cell_constant_percent * 0.01
    circuit = through_cell * conductance_us * inputs.conductance_percent * 0.01
    step = through_cell * inputs.conductance_step_us / _ROOT_12
    offset = through_cell * inputs.offset_us
    leads = through_cell * conductance_us * conductance_us * 1e-6 * inputs.lead_resistance_ohm
    at_calibration = per_conductivity * conductivity_us_cm * inputs.calibration_percent_per_k * 0.01
    kelvin = (per_kelvin + at_calibration) * inputs.temperature_k
    coefficient = per_coefficient * inputs.linear_percent_per_k
    curve = at_25 * 0.01 * curve_percent(inputs, method, temperature_c)
    scale = at_25 * inputs.factor_percent * 0.01
    smallest = inputs.smallest_ppm / factor
    return (
        COVERAGE_FACTOR
        * factor
        * math.sqrt(
            cell * cell
            + circuit * circuit
            + offset * offset
            + leads * leads
            + step * step
            + kelvin * kelvin
            + coefficient * coefficient
            + curve * curve
            + scale * scale
            + smallest * smallest
        )
    )


def budget(
    inputs: StandardUncertainties,
    method: Method,
    factor: float,
    conductivity_us_cm: float,
    per_conductance: float,
    conductance_us: float,
    temperature_c: float,
    compensated: Compensated,
) -> Budget:
    """Return the budget line by line, for people. The arguments are those of :func:`expanded_ppm`."""
    at_25, per_conductivity, per_kelvin, per_coefficient = compensated
    per_us = factor * per_conductivity * per_conductance
    per_cell_percent = factor * per_conductivity * conductivity_us_cm * 0.01
    per_ohm = per_us * conductance_us * conductance_us * 1e-6
    per_k = factor * per_kelvin + per_cell_percent * inputs.calibration_percent_per_k
    solids = factor * at_25
    return Budget(
        solids,
        (
            Contribution(Source.CELL_CONSTANT, inputs.cell_constant_percent, "%", per_cell_percent),
            Contribution(Source.CONDUCTANCE, inputs.conductance_percent, "%", per_us * conductance_us * 0.01),
            Contribution(Source.OFFSET, inputs.offset_us, "µS", per_us),
            Contribution(Source.LEADS, inputs.lead_resistance_ohm, "ohm", per_ohm),
            Contribution(Source.RESOLUTION, inputs.conductance_step_us / _ROOT_12, "µS", per_us),
            Contribution(Source.TEMPERATURE, inputs.temperature_k, "K", per_k),
            Contribution(Source.COEFFICIENT, inputs.linear_percent_per_k, "%/K", factor * per_coefficient),
            Contribution(Source.METHOD, curve_percent(inputs, method, temperature_c), "%", solids * 0.01),
            Contribution(Source.FACTOR, inputs.factor_percent, "%", solids * 0.01),
            Contribution(Source.SMALLEST, inputs.smallest_ppm, "ppm", 1.0),
        ),
    )
