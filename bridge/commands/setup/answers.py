"""The answers of ``clearwell setup`` as values in the units of the configuration. Core."""

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from bridge.commands.setup.quantities import UnitSystem
from bridge.purifier.cartridge import Kind
from bridge.tank import shapes


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
    """What is known so far, in the units of the configuration."""

    typed: Mapping[str, str] = field(default_factory=dict)
    """What the person typed, by the key of the question."""
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
        """The depth of water when the reservoir is brim-full."""
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
