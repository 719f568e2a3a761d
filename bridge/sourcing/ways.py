"""The ways to get pure water with their defaults, what each offers, and the cheapest at each size. Core.

Unless a line says otherwise the defaults are common practice, no source; money is in the user's own currency.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

from bridge.sourcing.cost import Figure, overtakes_at
from bridge.units import LITRES_PER_US_GALLON

COMMON = "common practice, no source"
DAYS_A_YEAR = 365.25


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


@dataclass(frozen=True, slots=True)
class Offer:
    """One way for one need. Every figure carries its assumptions.

    ``fixed_per_year`` is paid at any size, ``per_l`` for every litre, and ``cost_per_l`` is both together at
    the need. ``makes_l_per_day`` is the most that ``units`` of the way can supply. Waste and energy
    are per litre of product. ``days_met_low`` is the lower end of the 95 % interval of ``days_met_share``.
    """

    way: Way
    product_ppm: Figure
    suitability: Suitability
    fixed_per_year: Figure
    per_l: Figure
    cost_per_l: Figure
    makes_l_per_day: Figure
    attended_hours_per_month: Figure
    journeys_per_month: Figure
    waste_l_per_l: Figure
    energy_kwh_per_l: Figure
    days_met_share: float = 1.0
    days_met_low: float = 1.0
    units: int = 1
    most_units: int = 1
    hours_allowed_per_day: float = math.inf
    need_l_per_day: float = 1.0

    @property
    def work_grows(self) -> bool:
        """Whether the work grows with every litre, as pouring, carrying and filling a boiler does."""
        return self.way in (Way.BOUGHT, Way.DISTILLER, Way.CARTRIDGE)

    @property
    def in_time(self) -> bool:
        """Whether the work fits into the hours a day that the person wants to spend."""
        return self.attended_hours_per_month.value <= self.hours_allowed_per_day * DAYS_A_YEAR / 12

    @property
    def enough(self) -> bool:
        """Whether the way meets the need on nearly every day: in capacity, in dry spells and in hours."""
        return self.days_met_low >= 0.99 and self.in_time


def crossover(dearer_per_l: Offer, dearer_to_own: Offer) -> Figure | None:
    """Find the litres a day from which the second way is cheaper than the first; None if it never is."""
    a, b = dearer_per_l, dearer_to_own
    return overtakes_at(a.fixed_per_year, a.per_l, b.fixed_per_year, b.per_l)


def judge(product: Figure, need: Need) -> Suitability:
    """Judge a product by the upper end of its interval, as every verdict here.

    It is unsuitable from the limit and marginal from the target (common practice, no source).
    """
    if product.high >= need.limit_ppm:
        return Suitability.UNSUITABLE
    return Suitability.MARGINAL if product.high >= need.target_ppm else Suitability.SUITABLE


@dataclass(frozen=True, slots=True)
class Overtaking:
    """From ``at`` litres a day ``later`` is cheaper than ``first``; ``beyond`` if it cannot make them."""

    first: Offer
    later: Offer
    at: Figure
    beyond: bool


@dataclass(frozen=True, slots=True)
class Stretch:
    """From ``low_l`` to ``high_l`` litres a day ``offer`` is the cheapest; ``high_l`` may be infinite."""

    low_l: float
    high_l: float
    offer: Offer


def fit(offers: Sequence[Offer]) -> list[Offer]:
    """Return the ways whose product the plants tolerate."""
    return [offer for offer in offers if offer.suitability is not Suitability.UNSUITABLE]


def overtakings(offers: Sequence[Offer]) -> list[Overtaking]:
    """Return each size from which one fit way is cheaper than another, the smallest first."""
    found = []
    for first in fit(offers):
        for later in fit(offers):
            at = None if first is later else crossover(first, later)
            if at is not None and at.value > 0.0:
                found.append(Overtaking(first, later, at, at.value > most_l_per_day(later)))
    return sorted(found, key=lambda one: one.at.value)


def cost_per_l(offer: Offer, litres_per_day: float) -> float:
    """Return the cost of a litre for a need of so many litres a day, above 0."""
    units = _units_for(offer, litres_per_day)
    fixed = offer.fixed_per_year.value / offer.units * units
    return fixed / (DAYS_A_YEAR * litres_per_day) + offer.per_l.value


def _units_for(offer: Offer, litres_per_day: float) -> int:
    each = offer.makes_l_per_day.value / offer.units
    return min(max(math.ceil(litres_per_day / each - 1e-9), 1), offer.most_units) if each > 0.0 else 1


def most_l_per_day(offer: Offer) -> float:
    """Return the most litres a day that the way can supply, with as many units as are sensible."""
    most = offer.makes_l_per_day.value / offer.units * offer.most_units
    allowed, month = offer.hours_allowed_per_day, offer.attended_hours_per_month
    per_l = month.value * 12 / DAYS_A_YEAR / offer.need_l_per_day if offer.work_grows else 0.0
    return min(most, allowed / per_l) if per_l > 0.0 else most


def cheapest(offers: Sequence[Offer]) -> list[Stretch]:
    """Return the cheapest fit way for every size of collection that it can supply, the smallest first."""
    ways = fit(offers)
    marks = {one.at.value for one in overtakings(offers)} | {most_l_per_day(offer) for offer in ways}
    for offer in ways:
        each = offer.makes_l_per_day.value / offer.units
        marks |= {each * count for count in range(1, offer.most_units + 1)}
    ends = sorted({0.0, float("inf"), *marks})
    made: list[Stretch] = []
    for low, high in pairwise(ends):
        inside = 0.5 * (low + high) if high < float("inf") else 2.0 * low + 1.0
        able = [offer for offer in ways if most_l_per_day(offer) >= inside]
        if not able:
            break
        best = min(able, key=lambda offer: cost_per_l(offer, inside))
        if made and made[-1].offer is best:
            made[-1] = Stretch(made[-1].low_l, high, best)
        else:
            made.append(Stretch(low, high, best))
    return made
