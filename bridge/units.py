"""Units in which the trade states volumes and capacities, and their exact or published constants.

Units as people use them, for everything shown to a person. Core.

Inside the bridge, on the hub and in records, units never change: litres, °C, ppm on the reservoir's own
scale, UTC. Source of the factors: 1 US gal = 231 in³ = 3.785411784 L exactly; t/°F = 1.8 t/°C + 32 exactly
(NIST Special Publication 811, 2008, appendix B).
"""

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from enum import Enum
from zoneinfo import ZoneInfo

from bridge.errors import InputError

LITRES_PER_US_GALLON = 3.785411784
"""Exact: 231 cubic inches of 25.4 mm."""
MILLIGRAMS_PER_GRAIN = 64.79891
"""Exact: the international grain."""
PPM_PER_GRAIN_PER_US_GALLON = MILLIGRAMS_PER_GRAIN / LITRES_PER_US_GALLON
"""17.118 mg/L."""
LITRES_PER_CUBIC_FOOT = 28.316846592
"""Exact: a cube of 304.8 mm."""
CACO3_EQUIVALENT_WEIGHT_G = 50.04
"""Grams in one equivalent of calcium carbonate: molar mass 100.09 g/mol over two charges."""

_VOLUMES_L = {
    "l": 1.0,
    "ml": 0.001,
    "m3": 1000.0,
    "us-gal": LITRES_PER_US_GALLON,
    "ft3": LITRES_PER_CUBIC_FOOT,
}
_CONCENTRATIONS_PPM = {"ppm": 1.0, "mg/l": 1.0, "gpg": PPM_PER_GRAIN_PER_US_GALLON}
_MASSES_G = {"g": 1.0, "kg": 1000.0, "grain": MILLIGRAMS_PER_GRAIN / 1000.0}


def litres(value: float, unit: str) -> float:
    """A volume in litres; units ``l``, ``ml``, ``m3``, ``us-gal``, ``ft3``.

    Raises:
        InputError: an unknown unit, or a value that is negative or not finite.
    """
    return _convert("volume", value, unit, _VOLUMES_L)


def ppm(value: float, unit: str) -> float:
    """A concentration in ppm (mg/L); units ``ppm``, ``mg/l``, ``gpg`` (grains per US gallon).

    Raises:
        InputError: an unknown unit, or a value that is negative or not finite.
    """
    return _convert("concentration", value, unit, _CONCENTRATIONS_PPM)


def grams(value: float, unit: str) -> float:
    """A mass in grams; units ``g``, ``kg``, ``grain``.

    Raises:
        InputError: an unknown unit, or a value that is negative or not finite.
    """
    return _convert("mass", value, unit, _MASSES_G)


def _convert(quantity: str, value: float, unit: str, table: dict[str, float]) -> float:
    factor = table.get(unit.strip().lower())
    if factor is None:
        raise InputError(f"Unknown unit {unit!r} for a {quantity}; it must be one of {', '.join(table)}.")
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError(f"A {quantity} of {value:g} {unit}: it must be zero or more.")
    return value * factor


MOST_PLACES = 4
"""Decimals of ppm and µS/cm: two digits of the uncertainty of the purest water there is need no more."""


class VolumeUnit(Enum):
    """How volumes are shown."""

    LITRE = "L"
    US_GALLON = "US gal"


class TemperatureUnit(Enum):
    """How temperatures are shown."""

    CELSIUS = "°C"
    FAHRENHEIT = "°F"


class SolidsUnit(Enum):
    """How dissolved solids are shown: on the reservoir's ppm scale, or as the conductivity behind it."""

    PPM = "ppm"
    US_CM = "µS/cm"


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number as it is shown, with its unit."""

    number: float
    unit: str
    text: str
    """Number and unit with the digits that mean something, such as ``12.4 L``."""


@dataclass(frozen=True, slots=True)
class DisplayUnits:
    """The one setting of how things are shown."""

    volume: VolumeUnit = VolumeUnit.LITRE
    temperature: TemperatureUnit = TemperatureUnit.CELSIUS
    solids: SolidsUnit = SolidsUnit.PPM
    currency: str = ""
    """A code or a sign, such as ``EUR``; empty where none was named."""
    zone: str | None = None
    """An IANA time zone; None is this machine's own."""

    def litres(self, volume_l: float) -> Quantity:
        """A volume, from litres."""
        if self.volume is VolumeUnit.US_GALLON:
            return _quantity(volume_l / LITRES_PER_US_GALLON, self.volume.value)
        return _quantity(volume_l, self.volume.value)

    def celsius(self, temperature_c: float) -> Quantity:
        """A temperature, from °C, with one decimal."""
        number = (
            1.8 * temperature_c + 32.0 if self.temperature is TemperatureUnit.FAHRENHEIT else temperature_c
        )
        return Quantity(number, self.temperature.value, f"{_signed(number, 1)} {self.temperature.value}")

    def ppm(self, ppm: float, factor: float) -> Quantity:
        """Dissolved solids, from ppm on the scale ``factor`` (ppm for each µS/cm at 25 °C)."""
        return _quantity(ppm / factor if self.solids is SolidsUnit.US_CM else ppm, self.solids.value)

    def measured(
        self, ppm: float, expanded_ppm: float | None, factor: float
    ) -> tuple[Quantity, Quantity | None]:
        """Dissolved solids as they were measured, with their expanded uncertainty; both from ppm.

        The uncertainty has two significant digits, and the value as many decimals as it (JCGM 100:2008,
        7.2.6). Where none is known, it is None and the value is as :meth:`ppm` has it.
        """
        value = self.ppm(ppm, factor)
        if expanded_ppm is None or not 0.0 < expanded_ppm < math.inf:
            return value, None
        band = self.ppm(expanded_ppm, factor).number
        places = min(1 - int(f"{band:.1e}".partition("e")[2]), MOST_PLACES)
        # At the last decimal it is rounded up: an uncertainty is never nothing.
        band = max(band, 10.0**-places)
        return _with_places(value, places), _with_places(Quantity(band, value.unit, ""), places)

    def scale(self, factor: float) -> str:
        """The scale in words, which stands beside every ppm: a ppm without it says little."""
        return "at 25 °C" if self.solids is SolidsUnit.US_CM else f"{factor:g} ppm per µS/cm"

    def money(self, amount: float) -> str:
        """An amount with its currency, two decimals."""
        return f"{amount:.2f} {self.currency}".rstrip()

    def per_volume(self, amount_per_l: float) -> str:
        """A cost, from the amount for one litre, for one unit of volume."""
        per = f"{self.currency}/{self.volume.value}" if self.currency else f"per {self.volume.value}"
        return f"{self.cost_number(amount_per_l):.2f} {per}"

    def litres_as(self, volume_l: float, spec: str) -> str:
        """A volume, from litres, with the digits that a format such as ``.3g`` asks for."""
        shown = self.litres(volume_l)
        return f"{shown.number:{spec}} {shown.unit}"

    def celsius_as(self, temperature_c: float, spec: str) -> str:
        """A temperature, from °C, with the digits of a format."""
        shown = self.celsius(temperature_c)
        return f"{shown.number:{spec}} {shown.unit}"

    def ppm_as(self, ppm: float, factor: float | None, spec: str) -> str:
        """Dissolved solids, from ppm, with the digits of a format; as ppm where the scale is not known."""
        shown = Quantity(ppm, SolidsUnit.PPM.value, "") if factor is None else self.ppm(ppm, factor)
        return f"{shown.number:{spec}} {shown.unit}"

    def cost_as(self, amount_per_l: float, spec: str) -> str:
        """A cost, from the amount for one litre, with the digits of a format: ``0.31 EUR per US gal``."""
        return f"{self.cost_number(amount_per_l):{spec}} {self.cost_unit}"

    def cost_number(self, amount_per_l: float) -> float:
        """A cost for one unit of volume, from the amount for one litre."""
        return amount_per_l * (LITRES_PER_US_GALLON if self.volume is VolumeUnit.US_GALLON else 1.0)

    @property
    def cost_unit(self) -> str:
        """What a cost is for, with the currency where one was named: ``EUR per litre``."""
        per = "litre" if self.volume is VolumeUnit.LITRE else self.volume.value
        return f"{self.currency} per {per}".lstrip()

    def local(self, utc_s: float) -> datetime:
        """A moment of a record (seconds of UTC since 1970) in the time zone of the people."""
        zone: tzinfo | None = None if self.zone is None else ZoneInfo(self.zone)
        return datetime.fromtimestamp(utc_s, UTC).astimezone(zone)


def _quantity(number: float, unit: str) -> Quantity:
    # Three digits are what a level float, a flow sensor or a conductivity cell can tell.
    places = 2 if abs(number) < 9.995 else 1 if abs(number) < 99.95 else 0
    return Quantity(number, unit, f"{_signed(number, places)} {unit}")


def _with_places(quantity: Quantity, places: int) -> Quantity:
    return replace(quantity, text=f"{_signed(quantity.number, places)} {quantity.unit}")


def _signed(number: float, places: int) -> str:
    """With fixed decimals and no minus before a zero; with -1, rounded to tens."""
    return f"{round(number, places) + 0.0:.{max(places, 0)}f}"
