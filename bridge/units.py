"""One table of units: what people may write, what they are shown, and the exact factors. Core.

Inside the bridge, on the hub and in records, units never change: litres, grams, °C, ppm on one scale for
each reservoir, UTC. Sources: NIST Special Publication 811 (2008), appendix B, for 1 US gal = 231 in³,
1 in = 0.0254 m, 1 ft = 0.3048 m, 1 grain = 64.79891 mg and t/°C = (t/°F - 32) / 1.8, all of them exact.
"""

import math
import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from decimal import Decimal
from enum import Enum
from zoneinfo import ZoneInfo

from bridge.errors import InputError

LITRES_PER_US_GALLON = 3.785411784
MILLIGRAMS_PER_GRAIN = 64.79891
METRES_PER_INCH = 0.0254
LITRES_PER_CUBIC_FOOT = 28.316846592
CACO3_EQUIVALENT_WEIGHT_G = 50.04
"""Grams in one equivalent of calcium carbonate: molar mass 100.09 g/mol over two charges."""

_VOLUMES = re.compile(r"(\d+(?:\.\d+)?)(?: ± (\d+(?:\.\d+)?))? L(?![^\W\d_])")
_DECIMAL_COMMA = re.compile(r"([+-]?\d*),(\d+)(?![\d,])")
_NUMBER_AND_UNIT = re.compile(r"(\S*[0-9.])\s*((?:[^\W\d_]|°).*)")


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit and how it becomes the base unit of its dimension."""

    symbol: str
    """As it is shown to people."""
    factor: float
    """How many base units one of it is."""
    zero: float = 0.0
    """The number on this unit's scale at which the base unit reads 0."""
    spellings: tuple[str, ...] = ()
    """Other ways to write it, for keyboards that lack its sign."""

    def to_base(self, number: float) -> float:
        """Convert a number of this unit to the base unit."""
        return (number - self.zero) * self.factor

    def from_base(self, number: float) -> float:
        """Convert a number of the base unit to this unit."""
        return number / self.factor + self.zero

    @property
    def plain(self) -> str:
        """How it is written on any keyboard."""
        return self.spellings[-1] if self.spellings else self.symbol

    def is_written(self, text: str) -> bool:
        """Whether a text means this unit; case, and a space or a hyphen between words, do not matter."""
        return _folded(text) in {_folded(one) for one in (self.symbol, *self.spellings)}


@dataclass(frozen=True, slots=True)
class Dimension:
    """The units of one kind of quantity, the base unit first."""

    name: str
    units: tuple[Unit, ...]

    def unit(self, text: str) -> Unit:
        """Find the unit that a text means.

        Raises:
            InputError: No unit of this dimension is written so.
        """
        for unit in self.units:
            if unit.is_written(text):
                return unit
        raise InputError(
            f"{text!r} is not a unit of {self.name}; it must be one of "
            f"{', '.join(one.plain for one in self.units)}"
        )

    def parse(self, text: str) -> tuple[float, Unit]:
        """Read a number with its unit, such as ``12 us-gal``; a bare number counts in the base unit.

        Raises:
            InputError: The text is no such number, or its unit is not known.
        """
        base = self.units[0]
        written = text.strip()
        try:
            return _finite(written), base
        except ValueError:
            parts = _NUMBER_AND_UNIT.fullmatch(written)
        try:
            number = _finite(parts[1] if parts else "")
        except ValueError:
            comma = _DECIMAL_COMMA.match(written)
            hint = f"; write a decimal point: '{comma[1]}.{comma[2]}'" if comma else ""
            raise InputError(
                f"{text!r} must be a number, or one with a unit, such as '10 {base.symbol}'{hint}"
            ) from None
        assert parts is not None
        return number, self.unit(parts[2])

    def read(self, text: str) -> float:
        """Read a number with its unit as :meth:`parse` does, and convert it to the base unit.

        Raises:
            InputError: The text is no such number, or its unit is not known.
        """
        number, unit = self.parse(text)
        return unit.to_base(number)


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(text)
    return number


def _folded(text: str) -> str:
    # Case folding also makes the micro sign U+00B5 the Greek letter U+03BC, which looks the same.
    return "-".join(text.casefold().split())


LITRE = Unit("L", 1.0)
US_GALLON = Unit("US gal", LITRES_PER_US_GALLON, spellings=("us-gal",))
CELSIUS = Unit("°C", 1.0, spellings=("C",))
FAHRENHEIT = Unit("°F", 5.0 / 9.0, zero=32.0, spellings=("F",))
PPM = Unit("ppm", 1.0)
US_CM = Unit("µS/cm", 1.0, spellings=("µS", "uS", "uS/cm"))
MS_CM = Unit("mS/cm", 1000.0, spellings=("mS", "mS/cm"))
"""Meters often show both without the /cm."""

CENTIMETRE = Unit("cm", 0.01)
INCH = Unit("in", METRES_PER_INCH, spellings=('"', "inch", "inches", "in"))

LENGTH = Dimension(
    "length",
    (Unit("m", 1.0), CENTIMETRE, Unit("mm", 0.001), INCH,
     Unit("ft", 12.0 * METRES_PER_INCH, spellings=("foot", "feet", "ft"))),
)  # fmt: skip
VOLUME = Dimension(
    "volume",
    (LITRE, Unit("mL", 0.001), Unit("m³", 1000.0, spellings=("m3",)), US_GALLON,
     Unit("ft³", LITRES_PER_CUBIC_FOOT, spellings=("ft3",))),
)  # fmt: skip
CONCENTRATION = Dimension(
    "concentration",
    (PPM, Unit("mg/L", 1.0), Unit("gpg", MILLIGRAMS_PER_GRAIN / LITRES_PER_US_GALLON)),
)
"""A grain per US gallon is a unit of the trade for hardness."""
MASS = Dimension("mass", (Unit("g", 1.0), Unit("kg", 1000.0), Unit("grain", MILLIGRAMS_PER_GRAIN / 1000.0)))
TEMPERATURE = Dimension("temperature", (CELSIUS, FAHRENHEIT))
CONDUCTIVITY = Dimension("conductivity", (US_CM, MS_CM))
CONDUCTANCE = Dimension("conductance", (Unit("µS", 1.0, spellings=("uS",)), Unit("mS", 1000.0)))

MOST_PLACES = 4
"""Decimals of ppm and µS/cm. Two digits of the uncertainty of the purest water need no more."""


class VolumeUnit(Enum):
    """How volumes are shown."""

    LITRE = LITRE.symbol
    US_GALLON = US_GALLON.symbol


class TemperatureUnit(Enum):
    """How temperatures are shown."""

    CELSIUS = CELSIUS.symbol
    FAHRENHEIT = FAHRENHEIT.symbol


class SolidsUnit(Enum):
    """How dissolved solids are shown: on the reservoir's ppm scale, or as the conductivity behind it."""

    PPM = PPM.symbol
    US_CM = US_CM.symbol


_UNIT_OF: dict[VolumeUnit | TemperatureUnit, Unit] = {
    VolumeUnit.LITRE: LITRE,
    VolumeUnit.US_GALLON: US_GALLON,
    TemperatureUnit.CELSIUS: CELSIUS,
    TemperatureUnit.FAHRENHEIT: FAHRENHEIT,
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number as it is shown, with its unit."""

    number: float
    unit: str
    text: str
    """Number and unit with the digits that mean something, such as ``12.4 L``."""


@dataclass(frozen=True, slots=True)
class DisplayUnits:
    """How quantities, money and times are shown to people."""

    volume: VolumeUnit = VolumeUnit.LITRE
    temperature: TemperatureUnit = TemperatureUnit.CELSIUS
    solids: SolidsUnit = SolidsUnit.PPM
    currency: str = ""
    """A code or a sign, such as ``EUR``; empty where none was named."""
    zone: str | None = None
    """An IANA time zone; None is this machine's own."""

    def litres(self, volume_l: float) -> Quantity:
        """Show a volume given in litres."""
        return _quantity(_UNIT_OF[self.volume].from_base(volume_l), self.volume.value)

    def celsius(self, temperature_c: float) -> Quantity:
        """Show a temperature given in °C, with one decimal."""
        number = _UNIT_OF[self.temperature].from_base(temperature_c)
        return Quantity(number, self.temperature.value, f"{_signed(number, 1)} {self.temperature.value}")

    def ppm(self, ppm: float, factor: float) -> Quantity:
        """Show dissolved solids given in ppm on the scale ``factor`` (ppm for each µS/cm at 25 °C)."""
        return _quantity(ppm / factor if self.solids is SolidsUnit.US_CM else ppm, self.solids.value)

    def measured(
        self, ppm: float, expanded_ppm: float | None, factor: float
    ) -> tuple[Quantity, Quantity | None]:
        """Show a measurement with its expanded uncertainty, both given in ppm.

        The uncertainty has two significant digits, and the value has as many decimals (JCGM 100:2008, 7.2.6).
        If no uncertainty is known, the second result is None and the value is rounded as by :meth:`ppm`.
        """
        value = self.ppm(ppm, factor)
        if expanded_ppm is None or not 0.0 < expanded_ppm < math.inf:
            return value, None
        band = self.ppm(expanded_ppm, factor).number
        places = min(1 - int(f"{band:.1e}".partition("e")[2]), MOST_PLACES)
        # Rounded up at the last decimal, because an uncertainty of 0 would be false.
        band = max(band, 10.0**-places)
        return _with_places(value, places), _with_places(Quantity(band, value.unit, ""), places)

    def scale(self, factor: float) -> str:
        """Name the scale, which is shown beside every ppm because a ppm without its scale means little."""
        return "at 25 °C" if self.solids is SolidsUnit.US_CM else f"{factor:g} ppm per µS/cm"

    def money(self, amount: float) -> str:
        """Show an amount of money with its currency and two decimals."""
        return f"{amount:.2f} {self.currency}".rstrip()

    def per_volume(self, amount_per_l: float) -> str:
        """Show a cost for one unit of volume, given for one litre."""
        per = f"{self.currency}/{self.volume.value}" if self.currency else f"per {self.volume.value}"
        return f"{self.cost_number(amount_per_l):.2f} {per}"

    def litres_as(self, volume_l: float, spec: str) -> str:
        """Show a volume given in litres with the digits of a format such as ``.3g``."""
        shown = self.litres(volume_l)
        return f"{plain(shown.number, spec)} {shown.unit}"

    def celsius_as(self, temperature_c: float, spec: str) -> str:
        """Show a temperature given in °C with the digits of a format."""
        shown = self.celsius(temperature_c)
        return f"{plain(shown.number, spec)} {shown.unit}"

    def ppm_as(self, ppm: float, factor: float | None, spec: str) -> str:
        """Show dissolved solids with the digits of a format; in ppm if the scale is not known."""
        shown = Quantity(ppm, SolidsUnit.PPM.value, "") if factor is None else self.ppm(ppm, factor)
        return f"{plain(shown.number, spec)} {shown.unit}"

    def cost_as(self, amount_per_l: float, spec: str) -> str:
        """Show a cost given for one litre with the digits of a format: ``0.31 EUR per US gal``."""
        return f"{plain(self.cost_number(amount_per_l), spec)} {self.cost_unit}"

    def cost_number(self, amount_per_l: float) -> float:
        """Convert a cost for one litre to a cost for one unit of volume."""
        return _UNIT_OF[self.volume].to_base(amount_per_l)

    @property
    def cost_unit(self) -> str:
        """The unit of a cost, with the currency if one was named: ``EUR per litre``."""
        per = "litre" if self.volume is VolumeUnit.LITRE else self.volume.value
        return f"{self.currency} per {per}".lstrip()

    def sentence(self, text: str) -> str:
        """Show the litres within a recorded sentence, such as ``use 2.97 ± 1.7 L/day``, in these units."""
        if self.volume is VolumeUnit.LITRE:
            return text
        unit = _UNIT_OF[self.volume]

        def shown(found: re.Match[str]) -> str:
            numbers = [plain(unit.from_base(float(one))) for one in found.groups() if one is not None]
            return f"{' ± '.join(numbers)} {self.volume.value}"

        return _VOLUMES.sub(shown, text)

    def local(self, utc_s: float) -> datetime:
        """Convert the time of a record (seconds of UTC since 1970) to the time zone of the people."""
        zone: tzinfo | None = None if self.zone is None else ZoneInfo(self.zone)
        return datetime.fromtimestamp(utc_s, UTC).astimezone(zone)


def plain(number: float, spec: str = ".3g") -> str:
    """Format a number for people, who do not read an exponent: ``1240``, not ``1.24e+03``."""
    text = f"{number:{spec}}"
    return f"{Decimal(text):f}" if "e" in text else text


def _quantity(number: float, unit: str) -> Quantity:
    # Three digits are what a level float, a flow sensor or a conductivity cell can tell.
    places = 2 if abs(number) < 9.995 else 1 if abs(number) < 99.95 else 0
    return Quantity(number, unit, f"{_signed(number, places)} {unit}")


def _with_places(quantity: Quantity, places: int) -> Quantity:
    return replace(quantity, text=f"{_signed(quantity.number, places)} {quantity.unit}")


def _signed(number: float, places: int) -> str:
    """Format with fixed decimals and no minus before a zero; -1 rounds to tens."""
    return f"{round(number, places) + 0.0:.{max(places, 0)}f}"
