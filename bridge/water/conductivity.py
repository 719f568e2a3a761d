"""From the conductivity at the water's own temperature to that at the reference temperature, 25 °C.

Four methods, each with the range in which it may be used:

* ``natural`` (0 to 36 °C): the non-linear function for natural waters of ISO 7888:1985 (EN 27888), as a cubic
  through the standard's table of factors, which it meets within 0.0005. The standard recommends it for about
  60 to 1000 µS/cm: tap water, feed, rain. Outside that span it still answers, with less right to be believed.
* ``pure`` (0 to 50 °C): for product water. Salt and water conduct side by side and change with temperature
  differently, so the share of the water itself is taken off, the salt's share follows the curve of sodium
  chloride at infinite dilution (McCleskey et al. 2012, see :mod:`ionic_conductivity`), and the water's share
  at 25 °C is put back. Meant for neutral salts up to about 100 µS/cm.
* ``linear`` (0 to 50 °C): one coefficient in %/K for the whole way, common practice in simple meters. Good
  near 25 °C only; in very pure water, below about 2 µS/cm, wrong by tens of per cent.
* ``off`` (0 to 100 °C): no compensation. The figure stands for the water's own temperature.

The conductivity cell: from the conductance between the electrodes to the conductivity of the water.
"""

import math
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from bridge.errors import OutOfRangeError
from bridge.water import pure_water
from bridge.water.ions import CHLORIDE, SODIUM

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


REFERENCE_C = 25.0
NATURAL_LOW_US_CM = 60.0
NATURAL_HIGH_US_CM = 1000.0
"""The span for which ISO 7888 recommends its function: target, not a bound."""
LARGEST_LINEAR_PERCENT_PER_K = 3.5


class Method(StrEnum):
    """How a conductivity is brought to 25 °C."""

    NATURAL = "natural"
    PURE = "pure"
    LINEAR = "linear"
    OFF = "off"

    @property
    def range_c(self) -> tuple[float, float]:
        """The lowest and the highest water temperature, in °C, for which the method is valid."""
        return _RANGES[self]


_RANGES = {
    Method.NATURAL: (0.0, 36.0),
    Method.PURE: (pure_water.LOWEST_C, pure_water.HIGHEST_C),
    Method.LINEAR: (0.0, 50.0),
    Method.OFF: (0.0, 100.0),
}
# In Python 3.11 a member looked up on its enumeration costs six times as much as a name of the module.
_PURE, _NATURAL = Method.PURE, Method.NATURAL


@dataclass(frozen=True, slots=True)
class Compensation:
    """A method, and the coefficient that only ``linear`` uses.

    The coefficient is in per cent of the value at 25 °C for each kelvin.

    Raises :class:`OutOfRangeError` for a coefficient of 0 or less, or above 3.5 %/K; salts lie near 2 %/K.
    """

    method: Method
    linear_percent_per_k: float = 2.0
    low_c: float = field(init=False, repr=False, compare=False)
    """The method's range."""
    high_c: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not 0.0 < self.linear_percent_per_k <= LARGEST_LINEAR_PERCENT_PER_K:
            raise OutOfRangeError(
                f"a temperature coefficient of {self.linear_percent_per_k} %/K is not that of water with "
                f"salts in it; it must be above 0 and at most {LARGEST_LINEAR_PERCENT_PER_K} %/K, and 2 "
                "%/K is usual"
            )
        low_c, high_c = _RANGES[self.method]
        object.__setattr__(self, "low_c", low_c)
        object.__setattr__(self, "high_c", high_c)


class Compensated(NamedTuple):
    """A conductivity at 25 °C with its sensitivities (partial derivatives), for the uncertainty."""

    conductivity_25_us_cm: float
    per_conductivity: float
    """Change for each µS/cm of the measured conductivity, dimensionless."""
    per_kelvin: float
    """Change for each kelvin of the measured temperature, in µS/cm/K."""
    per_coefficient: float
    """Change for each %/K of the linear coefficient, in µS/cm per %/K; 0 for the other methods."""


def conductivity_25(compensation: Compensation, conductivity_us_cm: float, temperature_c: float) -> float:
    """The conductivity at 25 °C in µS/cm, from that at ``temperature_c`` in °C.

    Raises :class:`OutOfRangeError` when the temperature lies outside the method's range.
    """
    return compensate(compensation, conductivity_us_cm, temperature_c).conductivity_25_us_cm


def compensate(compensation: Compensation, conductivity_us_cm: float, temperature_c: float) -> Compensated:
    """As :func:`conductivity_25`, with the sensitivities to each input."""
    return Compensated(*with_slopes(compensation, conductivity_us_cm, temperature_c))


def with_slopes(
    compensation: Compensation, conductivity_us_cm: float, temperature_c: float
) -> tuple[float, float, float, float]:
    """As :func:`compensate`, for every reading: the same four numbers without their names."""
    if not compensation.low_c <= temperature_c <= compensation.high_c:
        raise _outside(compensation, temperature_c)
    method = compensation.method
    if method is _PURE:
        return _pure(conductivity_us_cm, temperature_c)
    x = temperature_c - REFERENCE_C
    if method is _NATURAL:
        # Conductivity relative to that at 25 °C: least squares on the reciprocals of the standard's factors.
        relative = 1.0 + x * (0.0210616 + x * (6.63413e-5 - x * 4.10352e-7))
        slope = 0.0210616 + x * (1.326826e-4 - x * 1.231056e-6)
        at_25 = conductivity_us_cm / relative
        return at_25, 1.0 / relative, -at_25 * slope / relative, 0.0
    if method is Method.LINEAR:
        slope = 0.01 * compensation.linear_percent_per_k
        relative = 1.0 + slope * x
        at_25 = conductivity_us_cm / relative
        return at_25, 1.0 / relative, -at_25 * slope / relative, -0.01 * at_25 * x / relative
    return conductivity_us_cm, 1.0, 0.0, 0.0


# Λ° of sodium chloride as a quadratic in t - 25, relative to its value at 25 °C.
_SALT_AT_25 = SODIUM.limiting(REFERENCE_C) + CHLORIDE.limiting(REFERENCE_C)
_SALT_SQUARE = (SODIUM.limit[0] + CHLORIDE.limit[0]) / _SALT_AT_25
_SALT_FIRST = (SODIUM.limit[1] + CHLORIDE.limit[1]) / _SALT_AT_25 + 2.0 * REFERENCE_C * _SALT_SQUARE


def _pure(conductivity_us_cm: float, temperature_c: float) -> tuple[float, float, float, float]:
    water, water_slope, relative, slope = _water_and_salt(temperature_c)
    salt = conductivity_us_cm - water
    if salt < 0.0:
        # No water conducts so little: the probe is at fault, and its diagnosis says so. Here the figure only
        # has to stay orderly: below the pure-water line it is scaled by the water alone, so nothing falls to
        # zero but zero.
        scale = pure_water.AT_25_US_CM / water
        at_25 = conductivity_us_cm * scale
        return at_25, scale, -at_25 * water_slope / water, 0.0
    salt_25 = salt / relative
    per_kelvin = -(water_slope + salt_25 * slope) / relative
    return salt_25 + pure_water.AT_25_US_CM, 1.0 / relative, per_kelvin, 0.0


# A thermometer shows tenths or hundredths of a kelvin, so the same few temperatures come again and again.
@lru_cache(maxsize=256)
def _water_and_salt(temperature_c: float) -> tuple[float, float, float, float]:
    """What pure water conducts, and the salt relative to 25 °C, each with its change for each kelvin."""
    water, water_slope = pure_water.with_slope(temperature_c)
    x = temperature_c - REFERENCE_C
    relative = 1.0 + x * (_SALT_FIRST + x * _SALT_SQUARE)
    return water, water_slope, relative, _SALT_FIRST + 2.0 * x * _SALT_SQUARE


def _outside(compensation: Compensation, temperature_c: float) -> OutOfRangeError:
    return OutOfRangeError(
        f"the water temperature {temperature_c:g} °C lies outside the range of the method "
        f"'{compensation.method.value}', {compensation.low_c:g} to {compensation.high_c:g} °C; bring the "
        "sample into that range or choose a method that is valid there"
    )
