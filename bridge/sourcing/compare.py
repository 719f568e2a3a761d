"""Figures each way of making water on one need, so that they can be compared. Core."""

import math

from bridge.errors import InputError
from bridge.sourcing.cost import Assumption, Figure, given, over, plus, scaled, times
from bridge.sourcing.ways import (
    COMMON,
    DAYS_A_YEAR,
    Bought,
    Cartridge,
    Distiller,
    Membrane,
    Need,
    Offer,
    Rain,
    Suitability,
    Tariffs,
    Way,
    judge,
)

_PRICE_SD = 0.10


def compare(
    need: Need,
    tariffs: Tariffs,
    bought: Bought | None = None,
    distiller: Distiller | None = None,
    membrane: Membrane | None = None,
    cartridge: Cartridge | None = None,
    rain: Rain | None = None,
) -> tuple[Offer, ...]:
    """Compare every way for this need, the cheapest suitable one first; rain only if there is a roof.

    Raises:
        InputError: A price or the need is negative, the limit is under the target, or a recovery or rejection
            is out of range.
    """
    _check(need)
    case = _Case(need, tariffs)
    still, mem, cart = distiller or Distiller(), membrane or Membrane(), cartridge or Cartridge()
    offers = [
        case.tap(),
        case.bought(bought or Bought()),
        case.distiller(still),
        case.membrane(mem),
        case.cartridge(cart),
        case.membrane_and_cartridge(mem, cart),
    ]
    if rain is not None:
        offers.append(case.rain(rain))
    order = list(Suitability)
    return tuple(sorted(offers, key=lambda o: (order.index(o.suitability), not o.enough, o.cost_per_l.value)))


class _Case:
    """The figures that all ways share: the need, the feed and the tariffs."""

    def __init__(self, need: Need, tariffs: Tariffs) -> None:
        self.need = need
        self.feed = given(need.feed_ppm, need.feed_sd_share, "ppm", "feed", key="feed.solids")
        self.per_day = given(need.litres_per_day, 0.0, "L/day", "need", key="need.per_day")
        self.water = scaled(
            given(tariffs.water_per_m3, 0.0, "per m3", "tap water", key="tariffs.water"), 0.001, "per L"
        )
        self.hour = given(tariffs.hour, 0.0, "per h", "an hour of work", key="tariffs.hour")
        self.energy = given(tariffs.energy_per_kwh, 0.0, "per kWh", "energy", key="tariffs.energy_per_kwh")

    def offer(
        self,
        way: Way,
        product: Figure,
        fixed: Figure,
        per_l: Figure,
        makes: Figure,
        hours: Figure,
        journeys: Figure | None = None,
        waste: Figure | None = None,
        energy: Figure | None = None,
        days_met_share: float = 1.0,
        days_met_low: float | None = None,
        most_units: int = 1,
    ) -> Offer:
        # ``fixed`` and ``makes`` are those of one unit.
        units = 1
        if makes.value > 0.0:
            units = min(max(math.ceil(self.per_day.value / makes.value), 1), most_units)
        fixed, makes = scaled(fixed, units, fixed.unit), scaled(makes, units, makes.unit)
        if self.hour.value > 0.0:
            work = over("h/L", hours, scaled(self.per_day, DAYS_A_YEAR / 12, "L/month"))
            per_l = plus("per L", per_l, times("per L", work, self.hour))
        per_year = scaled(self.per_day, DAYS_A_YEAR, "L/year")
        cost = plus("per L", over("per L", fixed, per_year), per_l)
        met = min(days_met_share, makes.value / self.per_day.value)
        return Offer(
            way,
            product,
            judge(product, self.need),
            fixed,
            per_l,
            cost,
            makes,
            hours,
            journeys or _none("journeys/month", "no journeys"),
            waste or _none("L/L", "no waste water"),
            energy or _none("kWh/L", "no energy"),
            met,
            met if days_met_low is None else min(met, days_met_low),
            units,
            most_units,
            self.need.hours_per_day,
            self.need.litres_per_day,
        )

    def tap(self) -> Offer:
        makes = Figure(math.inf, 0.0, "L/day", (Assumption("the tap gives whatever is needed"),))
        return self.offer(
            Way.TAP, self.feed, _none("per year", "no equipment"), self.water, makes, _none("h/month")
        )

    def bought(self, way: Bought) -> Offer:
        per_l = _common(way.price_per_l, way.price_sd_share, "per L", "distilled water", "bought.price")
        journeys = over(
            "journeys/month",
            scaled(self.per_day, DAYS_A_YEAR / 12, "L/month"),
            _common(way.litres_per_journey, 0.0, "L", "brought home on a journey", "bought.journey_brings"),
        )
        hours = times(
            "h/month",
            journeys,
            _common(way.hours_per_journey, 0.3, "h", "a journey", "bought.hours_per_journey"),
        )
        product = _common(way.product_ppm, 0.5, "ppm", "bought water", "bought.solids")
        makes = Figure(math.inf, 0.0, "L/day", (Assumption("the shop has whatever is needed"),))
        return self.offer(
            Way.BOUGHT, product, _none("per year", "no equipment"), per_l, makes, hours, journeys
        )

    def distiller(self, way: Distiller) -> Offer:
        energy = given(
            way.energy_kwh_per_l,
            0.08,
            "kWh/L",
            "distiller's energy",
            "boiling, with losses",
            key="distiller.energy_kwh_per_l",
        )
        pace = _common(way.hours_per_l, 0.10, "h/L", "distiller's pace", "distiller.hours_per_batch")
        boiling = _common(
            way.boiling_hours_per_day, 0.0, "h/day", "boiling", "distiller.boiling_hours_per_day"
        )
        makes = over("L/day", boiling, pace)
        batches = over(
            "batches/month",
            scaled(self.per_day, DAYS_A_YEAR / 12, "L/month"),
            _common(way.litres_per_batch, 0.0, "L", "distiller's batch", "distiller.batch"),
        )
        hours = times(
            "h/month",
            batches,
            _common(
                way.attended_hours_per_batch,
                0.3,
                "h",
                "work for a batch",
                "distiller.attended_hours_per_batch",
            ),
        )
        per_l = plus("per L", times("per L", energy, self.energy), self.water)
        fixed = _owned("distiller", way.price, way.life_years, "distiller.price", "distiller.life_years")
        product = _common(way.product_ppm, 0.5, "ppm", "distilled water", "distiller.solids")
        return self.offer(
            Way.DISTILLER, product, fixed, per_l, makes, hours, energy=energy, most_units=way.most_units
        )

    def membrane(self, way: Membrane) -> Offer:
        product, drawn, waste = self._through_membrane(way)
        makes = _common(way.litres_per_day, 0.2, "L/day", "membrane's output", "membrane.makes_per_day")
        hours = _common(
            way.attended_hours_per_month,
            0.3,
            "h/month",
            "membrane's upkeep",
            "membrane.attended_hours_per_month",
        )
        return self.offer(
            Way.MEMBRANE,
            product,
            _membrane_fixed(way),
            times("per L", drawn, self.water),
            makes,
            scaled(hours, self._sets(way), "h/month"),
            None,
            waste,
            most_units=way.most_units,
        )

    def _sets(self, way: Membrane) -> int:
        """Return how many membrane sets the need takes."""
        if not way.litres_per_day > 0.0:
            return 1
        return min(max(math.ceil(self.need.litres_per_day / way.litres_per_day), 1), way.most_units)

    def cartridge(self, way: Cartridge) -> Offer:
        makes, hours = self._poured(way)
        per_l = plus("per L", _cartridge_per_l(way, self.feed), self.water)
        fixed = _owned(
            "cartridge's holder",
            way.holder_price,
            way.holder_life_years,
            "cartridge.holder_price",
            "cartridge.holder_life_years",
        )
        product = _common(way.product_ppm, 0.5, "ppm", "cartridge's product", "cartridge.solids")
        return self.offer(Way.CARTRIDGE, product, fixed, per_l, makes, hours)

    def membrane_and_cartridge(self, mem: Membrane, cart: Cartridge) -> Offer:
        between, drawn, waste = self._through_membrane(mem)
        per_l = plus("per L", _cartridge_per_l(cart, between), times("per L", drawn, self.water))
        holder = _owned(
            "cartridge's holder",
            cart.holder_price,
            cart.holder_life_years,
            "cartridge.holder_price",
            "cartridge.holder_life_years",
        )
        fixed = plus("per year", _membrane_fixed(mem), holder)
        makes = _common(mem.litres_per_day, 0.2, "L/day", "membrane's output", "membrane.makes_per_day")
        hours = _common(
            mem.attended_hours_per_month,
            0.3,
            "h/month",
            "membrane's upkeep",
            "membrane.attended_hours_per_month",
        )
        product = _common(cart.product_ppm, 0.5, "ppm", "cartridge's product", "cartridge.solids")
        return self.offer(
            Way.MEMBRANE_AND_CARTRIDGE,
            product,
            fixed,
            per_l,
            makes,
            scaled(hours, self._sets(mem), "h/month"),
            None,
            waste,
            most_units=mem.most_units,
        )

    def rain(self, way: Rain) -> Offer:
        product = _common(way.product_ppm, way.product_sd_share, "ppm", "rain from the roof", "rain.solids")
        makes = given(way.litres_per_day, 0.1, "L/day", "rain's yield", "simulated", key="rain.roof_m2")
        hours = _common(
            way.attended_hours_per_month, 0.3, "h/month", "tank's upkeep", "rain.attended_hours_per_month"
        )
        fixed = _owned("tank", way.price, way.life_years, "rain.price", "rain.life_years")
        return self.offer(
            Way.RAIN,
            product,
            fixed,
            _none("per L", "rain is free"),
            makes,
            hours,
            days_met_share=way.reliability,
            days_met_low=way.reliability_low,
        )

    def _through_membrane(self, way: Membrane) -> tuple[Figure, Figure, Figure]:
        """Return the product in ppm, and the litres drawn and wasted for each litre of product."""
        if not 0.0 < way.recovery <= 1.0:
            raise InputError(f"Membrane: a recovery of {way.recovery:g}; give more than 0 and at most 1.")
        if not 0.0 <= way.rejection_percent < 100.0:
            raise InputError(f"Membrane: a rejection of {way.rejection_percent:g} %; give 0 to under 100.")
        passage = _common(
            1.0 - way.rejection_percent / 100.0,
            0.3,
            "of the feed",
            "membrane lets through",
            "membrane.rejection_percent",
        )
        recovery = _common(
            way.recovery, 0.2, "of the feed", "membrane's recovery", "membrane.recovery_percent"
        )
        drawn = over("L/L", Figure(1.0, 0.0, "L", ()), recovery)
        waste = Figure(max(drawn.value - 1.0, 0.0), drawn.sd, "L/L", drawn.assumed)
        return times("ppm", passage, self.feed), drawn, waste

    def _poured(self, way: Cartridge) -> tuple[Figure, Figure]:
        pace = _common(way.hours_per_l, 0.2, "h/L", "cartridge's pace", "cartridge.minutes_per_l")
        pouring = _common(
            way.pouring_hours_per_day, 0.0, "h/day", "pouring", "cartridge.pouring_hours_per_day"
        )
        makes = over("L/day", pouring, pace)
        work = _common(way.attended_hours_per_l, 0.3, "h/L", "pouring", "cartridge.attended_minutes_per_l")
        return makes, times("h/month", work, scaled(self.per_day, DAYS_A_YEAR / 12, "L/month"))


def _common(value: float, sd_share: float, unit: str, what: str, key: str) -> Figure:
    return given(value, sd_share, unit, what, COMMON, key=key)


def _cartridge_per_l(way: Cartridge, feed: Figure) -> Figure:
    price = given(way.price, 0.0, "each", "cartridge", key="cartridge.price")
    capacity = given(
        way.capacity_g, way.capacity_sd_share, "g", "cartridge takes up", key="cartridge.takes_up"
    )
    litres = scaled(over("L", capacity, feed), 1000.0, "L")
    return over("per L", price, litres)


def _membrane_fixed(way: Membrane) -> Figure:
    upkeep = _common(
        way.upkeep_per_year, 0.2, "per year", "membrane's spare parts", "membrane.upkeep_per_year"
    )
    return plus(
        "per year",
        _owned("membrane set", way.price, way.life_years, "membrane.price", "membrane.life_years"),
        upkeep,
    )


def _owned(what: str, price: float, life_years: float, price_key: str, life_key: str) -> Figure:
    if not life_years > 0.0:
        raise InputError(f"{what}: a life of {life_years:g} years; it must be above zero.")
    bought = _common(price, _PRICE_SD, "each", what, price_key)
    life = _common(life_years, 0.3, "years", f"life of the {what}", life_key)
    return over("per year", bought, life)


def _none(unit: str, why: str = "no work") -> Figure:
    return Figure(0.0, 0.0, unit, (Assumption(why),))


def _check(need: Need) -> None:
    if not (math.isfinite(need.litres_per_day) and need.litres_per_day > 0.0):
        raise InputError(f"Need: {need.litres_per_day:g} litres a day; it must be above zero.")
    if not (math.isfinite(need.feed_ppm) and need.feed_ppm > 0.0):
        raise InputError(f"Feed: {need.feed_ppm:g} ppm; it must be above zero.")
    if not (math.isfinite(need.hours_per_day) and 0.0 < need.hours_per_day <= 24.0):
        raise InputError(f"Need: {need.hours_per_day:g} hours of work a day; give more than 0, at most 24.")
    if not 0.0 < need.target_ppm <= need.limit_ppm:
        raise InputError(
            f"Need: target {need.target_ppm:g} ppm and limit {need.limit_ppm:g} ppm; "
            "the target must be above zero and not over the limit."
        )
