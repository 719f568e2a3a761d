"""Conductivity: from the conductance in a cell to the conductivity at 25 °C.

The cell constant turns a conductance into the conductivity at the water's own temperature, after the offset
and the lead resistance are removed. A compensation method converts this to the reference temperature of 25
°C. There are four methods, each with its valid range:

* ``natural`` (0 to 36 °C): the non-linear function for natural waters of ISO 7888:1985 (EN 27888). A cubic
  reproduces the standard's table of factors within 0.0005. The standard recommends it for about 60 to
  1000 µS/cm: tap water, feed, rain. Outside this span the method still gives a value, which is less reliable.
* ``pure`` (0 to 50 °C): for product water. Salt and water conduct in parallel, and each changes differently
  with temperature. The method subtracts the conductivity of the water, converts the rest with the curve of
  sodium chloride at infinite dilution, and adds the conductivity of the water at 25 °C. The curve is that of
  R. B. McCleskey, D. K. Nordstrom, J. N. Ryan and J. W. Ball, Geochim. Cosmochim. Acta 77 (2012) 369, fitted
  to measurements from 5 to 90 °C. Meant for neutral salts up to about 100 µS/cm.
* ``linear`` (0 to 50 °C): one coefficient in %/K, common practice in simple meters. Good near 25 °C only. In
  very pure water, below about 2 µS/cm, it is wrong by tens of per cent.
* ``off`` (0 to 100 °C): no compensation. The value is that at the water's own temperature.

The conductivity of pure water comes from its own hydrogen and hydroxide ions:

    κ = 10³ · Λ · ρ · √Kw    (κ in µS/cm, Λ in S·cm²/mol, ρ in g/cm³, √Kw in mol/kg, factor for the units)

* Λ, the limiting conductances of H⁺ and OH⁻ together: IAPWS, Electrolytic Conductivity (Specific Conductance)
  of Liquid and Dense Supercritical Water from 0 °C to 800 °C, guideline of 1990, after W. L. Marshall,
  J. Chem. Eng. Data 32 (1987) 221.
* Kw, the ion product: H. S. Harned, W. J. Hamer, J. Am. Chem. Soc. 55 (1933) 2194, 0 to 60 °C.
* ρ, the density: M. Tanaka et al., Metrologia 38 (2001) 301, 0 to 40 °C; at 50 °C still correct to 0.01 %.

Uncertainty: at 0 and at 25 °C the published formulations agree within 2 %. At other temperatures they differ:
the ionic conductivities of McCleskey et al. (2012) give 5 % more at 10 °C and 3 % less at 40 °C than the
guideline used here. Above 1 µS/cm the share of the water itself is so small that this does not matter.
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from bridge.errors import OutOfRangeError

SMALLEST_CONSTANT_PER_CM = 0.001
LARGEST_CONSTANT_PER_CM = 100.0
LARGEST_LEAD_RESISTANCE_OHM = 1000.0
LARGEST_OFFSET_US = 1000.0

REFERENCE_C = 25.0
PURE_LOWEST_C = 0.0
PURE_HIGHEST_C = 50.0
LARGEST_LINEAR_PERCENT_PER_K = 3.5


@dataclass(frozen=True, slots=True)
class Cell:
    """One conductivity cell as it is wired to the controller.

    Attributes:
        constant_per_cm: the cell constant, the distance of the electrodes over their area, 0.001 to 100 cm⁻¹.
            A constant of 0.01 to 0.1 cm⁻¹ suits purified water, 1 cm⁻¹ tap water.
        lead_resistance_ohm: the resistance of both wires of the cable together, 0 to 1000 ohm.
        offset_us: the reading with the cell dry and clean, within ±1000 µS.

    Raises:
        OutOfRangeError: If a value is outside its range.
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
    """Return the conductivity in µS/cm at the water's own temperature, from the conductance in µS.

    A conductance below the offset gives a negative conductivity. The probe diagnosis needs this value.

    Raises:
        OutOfRangeError: If the conductance is not a finite number, or is higher than that of the leads alone.
    """
    return with_slope(cell, conductance_us)[0]


def with_slope(cell: Cell, conductance_us: float) -> tuple[float, float]:
    """Return the conductivity in µS/cm, and its change for each µS of conductance, in cm⁻¹."""
    net_us = conductance_us - cell.offset_us
    water_share = 1.0 - net_us * cell.lead_resistance_ohm * 1e-6
    if not (water_share > 0.0 and math.isfinite(net_us)):
        raise OutOfRangeError(
            f"the conductance {conductance_us} µS cannot come from a cell whose leads have "
            f"{cell.lead_resistance_ohm:g} ohm; check the lead resistance and look for a short circuit"
        )
    return (
        cell.constant_per_cm * net_us / water_share,
        cell.constant_per_cm / (water_share * water_share),
    )


def conductance_us(cell: Cell, conductivity_us_cm: float) -> float:
    """Return the conductance in µS of this cell in water of this conductivity in µS/cm.

    Raises:
        OutOfRangeError: If the conductivity is negative or not finite.
    """
    if not 0.0 <= conductivity_us_cm < math.inf:
        raise OutOfRangeError(
            f"a conductivity of {conductivity_us_cm} µS/cm is impossible; it must be zero or more"
        )
    water_us = conductivity_us_cm / cell.constant_per_cm
    return water_us / (1.0 + water_us * cell.lead_resistance_ohm * 1e-6) + cell.offset_us


class Method(StrEnum):
    """A method that converts a conductivity to 25 °C."""

    NATURAL = "natural"
    PURE = "pure"
    LINEAR = "linear"
    OFF = "off"

    @property
    def range_c(self) -> tuple[float, float]:
        """The lowest and the highest water temperature, in °C, at which the method is valid."""
        return _RANGES[self]


_RANGES = {
    Method.NATURAL: (0.0, 36.0),
    Method.PURE: (PURE_LOWEST_C, PURE_HIGHEST_C),
    Method.LINEAR: (0.0, 50.0),
    Method.OFF: (0.0, 100.0),
}


@dataclass(frozen=True, slots=True)
class Compensation:
    """A compensation method, and the coefficient of ``linear``.

    The coefficient is in per cent of the value at 25 °C for each kelvin. The other methods do not use it.

    Raises:
        OutOfRangeError: If the coefficient is 0 or less, or above 3.5 %/K. Salts have about 2 %/K.
    """

    method: Method
    linear_percent_per_k: float = 2.0

    def __post_init__(self) -> None:
        if not 0.0 < self.linear_percent_per_k <= LARGEST_LINEAR_PERCENT_PER_K:
            raise OutOfRangeError(
                f"a temperature coefficient of {self.linear_percent_per_k} %/K is impossible for water with "
                f"dissolved salts; it must be above 0 and at most {LARGEST_LINEAR_PERCENT_PER_K} %/K, and "
                "2 %/K is common"
            )


class Compensated(NamedTuple):
    """A conductivity at 25 °C, with its sensitivities (partial derivatives) for the uncertainty."""

    conductivity_25_us_cm: float
    per_conductivity: float
    """Change for each µS/cm of the measured conductivity, dimensionless."""
    per_kelvin: float
    """Change for each kelvin of the measured temperature, in µS/cm/K."""
    per_coefficient: float
    """Change for each %/K of the linear coefficient, in µS/cm per %/K; 0 for the other methods."""


def conductivity_25(compensation: Compensation, conductivity_us_cm: float, temperature_c: float) -> float:
    """Return the conductivity at 25 °C in µS/cm, from the conductivity at ``temperature_c`` in °C.

    Raises:
        OutOfRangeError: If the temperature lies outside the method's range.
    """
    return compensate(compensation, conductivity_us_cm, temperature_c).conductivity_25_us_cm


def compensate(compensation: Compensation, conductivity_us_cm: float, temperature_c: float) -> Compensated:
    """Return the conductivity at 25 °C, from that at ``temperature_c`` in °C, with its sensitivities.

    Raises:
        OutOfRangeError: If the temperature lies outside the method's range.
    """
    method = compensation.method
    low_c, high_c = _RANGES[method]
    if not low_c <= temperature_c <= high_c:
        raise OutOfRangeError(
            f"the water temperature {temperature_c:g} °C lies outside the range of the method "
            f"'{method.value}', {low_c:g} to {high_c:g} °C; bring the sample into that range or choose a "
            "method that is valid there"
        )
    if method is Method.PURE:
        return _pure(conductivity_us_cm, temperature_c)
    x = temperature_c - REFERENCE_C
    if method is Method.NATURAL:
        # Conductivity relative to that at 25 °C: least squares on the reciprocals of the standard's factors.
        relative = 1.0 + x * (0.0210616 + x * (6.63413e-5 - x * 4.10352e-7))
        slope = 0.0210616 + x * (1.326826e-4 - x * 1.231056e-6)
        at_25 = conductivity_us_cm / relative
        return Compensated(at_25, 1.0 / relative, -at_25 * slope / relative, 0.0)
    if method is Method.LINEAR:
        slope = 0.01 * compensation.linear_percent_per_k
        relative = 1.0 + slope * x
        at_25 = conductivity_us_cm / relative
        return Compensated(at_25, 1.0 / relative, -at_25 * slope / relative, -0.01 * at_25 * x / relative)
    return Compensated(conductivity_us_cm, 1.0, 0.0, 0.0)


_LN_10 = math.log(10.0)
_INVERSE_AT_0 = 1.0 / 1410.0
_VANISHING_AT_0 = 1.0 / 11.6


def pure_water_us_cm(temperature_c: float) -> float:
    """Return the conductivity of pure water in µS/cm, 0 to 50 °C, within 2 % of the IAPWS guideline.

    Raises:
        OutOfRangeError: If the temperature is outside this range.
    """
    return pure_water_with_slope(temperature_c)[0]


# Compensation and diagnosis of both probes need the same temperatures: saves 0.9 µs a call.
@lru_cache(maxsize=256)
def pure_water_with_slope(temperature_c: float) -> tuple[float, float]:
    """Return the conductivity of pure water in µS/cm, and its change for each kelvin, 0 to 50 °C.

    Raises:
        OutOfRangeError: If the temperature is outside this range.
    """
    t = temperature_c
    if not PURE_LOWEST_C <= t <= PURE_HIGHEST_C:
        raise OutOfRangeError(
            f"the water temperature is {t} °C; the conductivity of pure water is known from "
            f"{PURE_LOWEST_C:g} to {PURE_HIGHEST_C:g} °C"
        )
    kelvin = t + 273.15

    # The ion product as √Kw, with d ln √Kw / dt.
    root_kw = 10.0 ** (0.5 * (6.0875 - 4470.99 / kelvin - 0.01706 * kelvin))
    root_kw_log_slope = 0.5 * _LN_10 * (4470.99 / (kelvin * kelvin) - 0.01706)

    # Density: 1 - (t - a)² (t + b) / (c (t + d)).
    from_densest = t - 3.983035
    shrink = from_densest * from_densest * (t + 301.797) / (522528.9 * (t + 69.34881))
    density = 0.99997495 * (1.0 - shrink)
    density_slope = -0.99997495 * (
        2.0 * from_densest * (t + 301.797) / (522528.9 * (t + 69.34881))
        + shrink / (t + 301.797)
        - shrink / (t + 69.34881)
    )

    # Conductance at density zero, and the density at which the conductance would vanish.
    lower = _INVERSE_AT_0 + t * (2.16417e-6 + t * (1.81609e-7 + t * (-1.75297e-9 + t * 7.20708e-12)))
    lower_slope = 2.16417e-6 + t * (3.63218e-7 + t * (-5.25891e-9 + t * 2.882832e-11))
    thin = 1850.0 - 1.0 / lower
    thin_slope = lower_slope / (lower * lower)
    inverse = _VANISHING_AT_0 + t * (3.26e-4 + t * (-2.3e-6 + t * 1.1e-8))
    inverse_slope = 3.26e-4 + t * (-4.6e-6 + t * 3.3e-8)
    vanishing = 16.0 - 1.0 / inverse
    vanishing_slope = inverse_slope / (inverse * inverse)
    share = 1.0 - density / vanishing
    share_slope = (density * vanishing_slope / vanishing - density_slope) / vanishing

    conductivity = 1e3 * thin * share * density * root_kw
    log_slope = thin_slope / thin + share_slope / share + density_slope / density + root_kw_log_slope
    return conductivity, conductivity * log_slope


PURE_WATER_AT_25_US_CM = pure_water_us_cm(25.0)


# Λ° of sodium chloride, that of Na⁺ and of Cl⁻, as a quadratic in t - 25, relative to its value at 25 °C.
_SQUARE, _LINEAR, _CONSTANT = 0.003763 + 0.003817, 0.8770 + 1.337, 26.23 + 40.99
_SALT_AT_25 = (_SQUARE * REFERENCE_C + _LINEAR) * REFERENCE_C + _CONSTANT
_SALT_SQUARE = _SQUARE / _SALT_AT_25
_SALT_FIRST = _LINEAR / _SALT_AT_25 + 2.0 * REFERENCE_C * _SALT_SQUARE


def _pure(conductivity_us_cm: float, temperature_c: float) -> Compensated:
    water, water_slope = pure_water_with_slope(temperature_c)
    salt = conductivity_us_cm - water
    if salt < 0.0:
        # No water conducts so little, and the probe diagnosis reports it. Here the result only has to stay
        # continuous and above zero, so it is scaled like pure water.
        scale = PURE_WATER_AT_25_US_CM / water
        at_25 = conductivity_us_cm * scale
        return Compensated(at_25, scale, -at_25 * water_slope / water, 0.0)
    x = temperature_c - REFERENCE_C
    relative = 1.0 + x * (_SALT_FIRST + x * _SALT_SQUARE)
    slope = _SALT_FIRST + 2.0 * x * _SALT_SQUARE
    salt_25 = salt / relative
    per_kelvin = -(water_slope + salt_25 * slope) / relative
    return Compensated(salt_25 + PURE_WATER_AT_25_US_CM, 1.0 / relative, per_kelvin, 0.0)
