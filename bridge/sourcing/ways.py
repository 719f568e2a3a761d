"""The ways to get pure water, and their costs and effort as values whose defaults the user can change.

Unless a line says otherwise the defaults are common practice, no source; money is in the user's own currency.
"""

from dataclasses import dataclass
from enum import Enum

from bridge.units import LITRES_PER_US_GALLON

COMMON = "common practice, no source"


class Way(Enum):
    """A way to get pure water."""

    TAP = "tap as it is"
    BOUGHT = "bought distilled water"
    DISTILLER = "distiller"
    MEMBRANE = "membrane"
    CARTRIDGE = "exchange cartridge"
    MEMBRANE_AND_CARTRIDGE = "membrane, then cartridge"
    RAIN = "rain with its storage"


class Suitability(Enum):
    """The verdict on the product by its limit and target."""

    SUITABLE = "suitable"
    MARGINAL = "marginal"
    UNSUITABLE = "unsuitable"


@dataclass(frozen=True, slots=True)
class Need:
    """The water needed and its feed, in ppm on one scale; ``feed_sd_share`` is a relative deviation."""

    feed_ppm: float
    litres_per_day: float
    limit_ppm: float = 50.0
    target_ppm: float = 25.0
    feed_sd_share: float = 0.10
    hours_per_day: float = 1.0
    """The most hours of work a day, on average, that the person wants to spend."""


@dataclass(frozen=True, slots=True)
class Tariffs:
    """Prices of water and energy, and of an hour of the person's time (0: not counted)."""

    water_per_m3: float
    energy_per_kwh: float
    hour: float = 0.0


@dataclass(frozen=True, slots=True)
class Bought:
    """Water in jugs from a shop. A gallon costs 1.00 to 1.60: two deviations either side of 1.30."""

    price_per_l: float = 1.30 / LITRES_PER_US_GALLON
    price_sd_share: float = 0.115
    litres_per_journey: float = 40.0
    hours_per_journey: float = 0.75
    product_ppm: float = 2.0


@dataclass(frozen=True, slots=True)
class Distiller:
    """A countertop still: 4 hours for a gallon.

    To heat a litre from 15 °C and boil it away takes 0.73 kWh (2.257 MJ/kg, 4.19 kJ/(kg K)); with losses 0.8.
    """

    price: float = 120.0
    life_years: float = 5.0
    hours_per_l: float = 4.0 / LITRES_PER_US_GALLON
    energy_kwh_per_l: float = 0.80
    product_ppm: float = 3.0
    attended_hours_per_batch: float = 0.15
    litres_per_batch: float = LITRES_PER_US_GALLON
    boiling_hours_per_day: float = 16.0
    most_units: int = 4


@dataclass(frozen=True, slots=True)
class Membrane:
    """A small reverse-osmosis set on tap pressure."""

    price: float = 150.0
    life_years: float = 8.0
    upkeep_per_year: float = 60.0
    rejection_percent: float = 95.0
    recovery: float = 0.25
    litres_per_day: float = 150.0
    attended_hours_per_month: float = 0.5
    most_units: int = 20


@dataclass(frozen=True, slots=True)
class Cartridge:
    """An exchange cartridge, as in a pitcher: 45 to 50 US gallons of 95 ppm, a gallon in 15 minutes."""

    price: float = 15.0
    capacity_g: float = 47.5 * LITRES_PER_US_GALLON * 0.095
    capacity_sd_share: float = 0.20
    holder_price: float = 30.0
    holder_life_years: float = 5.0
    hours_per_l: float = 0.25 / LITRES_PER_US_GALLON
    attended_hours_per_l: float = 0.05
    product_ppm: float = 1.0
    pouring_hours_per_day: float = 4.0


@dataclass(frozen=True, slots=True)
class Rain:
    """A tank under a roof.

    ``reliability`` is the share of days on which the need is met, from a simulation or a record, and
    ``reliability_low`` the lower end of its 95 % interval.
    """

    reliability: float
    litres_per_day: float
    product_ppm: float = 10.0
    product_sd_share: float = 0.40
    price: float = 150.0
    life_years: float = 15.0
    attended_hours_per_month: float = 0.5
    reliability_low: float | None = None
