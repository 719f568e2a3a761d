"""Numbers as people read them off a tape measure and a label, with their units. Core."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from bridge.errors import InputError
from bridge.units import (
    CENTIMETRE,
    CONCENTRATION,
    INCH,
    LITRES_PER_US_GALLON,
    MASS,
    PPM,
    US_CM,
    Dimension,
    Unit,
)
from bridge.units import LENGTH as LENGTHS
from bridge.units import VOLUME as VOLUMES

_FRACTION = re.compile(r"(?:(\d{1,6})(?: +|-))?(\d{1,6})/(\d{1,6})", re.ASCII)
_PARTS = re.compile(r"([-+]?[\d.,]*\d[\d.,]*(?:(?: +|-)\d+/\d+|/\d+)?)\s*(.*)", re.ASCII)
_MINUTES_PER_DAY = 24 * 60


class UnitSystem(Enum):
    """The units of somebody's tape measure, in which figures are shown to them."""

    METRIC = "metric"
    US = "us"


@dataclass(frozen=True, slots=True)
class Quantity:
    """One kind of quantity, as it is asked for."""

    dimension: Dimension
    example: str
    """A right answer."""
    bare: Mapping[UnitSystem, Unit] | None
    """The unit of a number without one; None if every number needs its unit."""

    @property
    def base(self) -> Unit:
        """The unit in which the values are returned and ranges are stated."""
        return self.dimension.units[0]

    def read(self, text: str, system: UnitSystem) -> float:
        """Read a number with its unit, and convert it to the base unit.

        Raises:
            InputError: The text is no such number, or its unit is missing or unknown.
        """
        parts = _PARTS.fullmatch(text.strip())
        if parts is None:
            raise InputError(f"is not a number; write one such as '{self.example}'")
        number, written = self._number(parts[1]), parts[2].strip()
        if written:
            return self.dimension.unit(written).to_base(number)
        if self.bare is None:
            raise InputError(f"the unit is missing; write it, such as '{self.example}'")
        return self.bare[system].to_base(number)

    def _number(self, text: str) -> float:
        if "," in text:
            raise InputError(f"a comma can mean two things; write a decimal point, such as '{self.example}'")
        if (fraction := _FRACTION.fullmatch(text)) is not None:
            whole, above, below = (int(part or 0) for part in fraction.groups())
            if below == 0:
                raise InputError(f"divides by zero; write a number such as '{self.example}'")
            return whole + above / below
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise InputError(f"is not a number; write one such as '{self.example}'")
        return number


def _one(name: str, unit: Unit, example: str) -> Quantity:
    """Make a quantity that has one unit, which may be left out."""
    return Quantity(Dimension(name, (unit,)), example, dict.fromkeys(UnitSystem, unit))


LENGTH = Quantity(LENGTHS, "58 cm", {UnitSystem.METRIC: CENTIMETRE, UnitSystem.US: INCH})
VOLUME = Quantity(VOLUMES, "1200 L", None)
MASS_G = Quantity(MASS, "300 grain", None)
FLOW = Quantity(
    Dimension(
        "flow",
        (
            Unit("L/min", 1.0),
            Unit("L/h", 1.0 / 60.0),
            Unit("L/day", 1.0 / _MINUTES_PER_DAY),
            Unit("US gal/min", LITRES_PER_US_GALLON, spellings=("gpm", "us-gal/min")),
            Unit("US gal/day", LITRES_PER_US_GALLON / _MINUTES_PER_DAY, spellings=("gpd", "us-gal/day")),
        ),
    ),
    "2 L/min",
    None,
)
"""Labels of membranes have gpd, US gallons a day (common practice, no source)."""
PULSES = Quantity(
    Dimension(
        "pulses",
        (
            Unit("per L", 1.0, spellings=("/L", "per L")),
            Unit("per US gal", 1.0 / LITRES_PER_US_GALLON, spellings=("/us-gal", "per us-gal")),
        ),
    ),
    "450 per L",
    dict.fromkeys(UnitSystem, Unit("per L", 1.0)),
)
CELL = _one("cell constants", Unit("cm⁻¹", 1.0, spellings=("1/cm", "/cm")), "0.1 /cm")
PER_CENT = _one("shares", Unit("%", 1.0, spellings=("per cent", "percent", "%")), "96 %")
FRACTION = _one("fractions", Unit("", 1.0), "0.05")


def solids(factor: float) -> Quantity:
    """Return dissolved solids on a scale.

    Args:
        factor: The ppm for each µS/cm at 25 °C.
    """
    by_conductivity = Unit(US_CM.symbol, factor, spellings=US_CM.spellings)
    units = (*CONCENTRATION.units, by_conductivity)
    return Quantity(Dimension("dissolved solids", units), "320 ppm", dict.fromkeys(UnitSystem, PPM))
