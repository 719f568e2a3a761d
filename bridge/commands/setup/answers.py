"""The answers of ``clearwell setup`` in the units of the configuration, and how numbers are read. Core.

People type numbers as they read them off a tape measure and a label, with their units.
"""

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from bridge.errors import InputError
from bridge.purifier.cartridge import Kind
from bridge.tank import shapes
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


class ShapeKind(Enum):
    """The shapes that are asked for, by their names in the configuration."""

    UPRIGHT = "upright-cylinder"
    TAPERED = "tapered-barrel"
    LYING = "horizontal-cylinder"
    BOX = "box"


class LevelKind(Enum):
    """How the level is measured."""

    SENSOR = "sensor"
    SWITCHES = "switches"
    BOTH = "both"


class Page(Enum):
    """From where the page may be opened."""

    NO = "no"
    HERE = "this-machine"
    HOME = "home-network"


@dataclass(frozen=True, slots=True)
class Answers:
    """The answers so far, in the units of the configuration."""

    typed: Mapping[str, str] = field(default_factory=dict)
    """The text that the person typed, by the key of the question."""
    units: UnitSystem = UnitSystem.METRIC
    name: str = ""
    shape: ShapeKind = ShapeKind.UPRIGHT
    metres: Mapping[str, float] = field(default_factory=dict)
    """Inside dimensions and depths by the key of the question."""
    level: LevelKind = LevelKind.SENSOR
    reads: Mapping[str, float] = field(default_factory=dict)
    """The level sensor's fractions at the two ends of its way, by the key of the question."""
    overflow_float: bool = False
    purifier: Kind = Kind.EXCHANGE
    treats_l: float | None = None
    treats_of_ppm: float | None = None
    takes_up_g: float | None = None
    scale_g: float | None = None
    rejection_percent: float | None = None
    delivers_l_min: float = 0.0
    drain_valve: bool = False
    feed_ppm: float | None = None
    feed_cell: bool = False
    feed_cell_per_cm: float = 0.0
    product_cell_per_cm: float = 0.0
    pulses_per_l: float | None = None
    port: str = ""
    broker: tuple[str, int | None] | None = None
    """Host and port; None for no broker, and no port for the usual one."""
    broker_login: bool = False
    broker_tls: bool = False
    broker_ca: str | None = None
    page: Page = Page.NO

    @property
    def ident(self) -> str:
        """The id of the reservoir in the configuration."""
        return slug(self.name)

    @property
    def height_m(self) -> float:
        """The depth of water up to the brim."""
        return self.metres["diameter" if self.shape is ShapeKind.LYING else "height"]

    @property
    def has_sensor(self) -> bool:
        """Whether a level sensor is fitted."""
        return self.level is not LevelKind.SWITCHES

    @property
    def has_switches(self) -> bool:
        """Whether level switches are fitted."""
        return self.level is not LevelKind.SENSOR

    def tank(self) -> shapes.Shape:
        """Return the shape with its dimensions; all of them must be known."""
        m = self.metres
        match self.shape:
            case ShapeKind.UPRIGHT:
                return shapes.UprightCylinder(m["diameter"], m["height"])
            case ShapeKind.TAPERED:
                return shapes.TaperedBarrel(m["bottom_diameter"], m["top_diameter"], m["height"])
            case ShapeKind.LYING:
                return shapes.HorizontalCylinder(m["diameter"], m["length"])
            case ShapeKind.BOX:
                return shapes.Box(m["length"], m["width"], m["height"])

    def fraction_at(self, key: str) -> float:
        """Return the share of the capacity that lies below a depth, with six significant digits."""
        tank = self.tank()
        return float(f"{tank.volume_l(self.metres[key]) / tank.capacity_l:.6g}")


def slug(name: str) -> str:
    """Return the id that follows from a name; empty if the name has no plain letter or digit."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return "-".join(re.findall(r"[a-z0-9]+", plain))
