"""Makes the values that are compared from the tables of needs and prices."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.commands.sources.file import BlendTable, FeedTable, RainTable, SourcesTable, stated
from bridge.errors import InputError
from bridge.estimate.verdict import LIMIT_PPM, default_target_ppm
from bridge.purifier.cartridge import (
    RatedGrains,
    RatedGrams,
    RatedLitres,
    RatedResin,
    Rating,
    equivalent_weight_on_scale,
    litres_on_feed,
    rated_grams,
)
from bridge.sourcing.compare import compare
from bridge.sourcing.rain import (
    Blend,
    Collection,
    Water,
    recorded_reliability,
    reliability,
    tap_into_rain,
)
from bridge.sourcing.ways import Bought, Cartridge, Distiller, Membrane, Need, Offer, Rain, Tariffs
from bridge.units import VOLUME

"""The limit if none is stated (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Case:
    """The needs and prices, and the ways compared.

    Attributes:
        currency: The word for money.
        need: The water needed, and its feed.
        offers: The ways, the best first.
        cartridge_l: The litres of this feed that a cartridge treats.
        stated: The keys that were stated.
        remarks: More about single assumptions, by their key.
        rain: The rain, if there is a roof.
        blend: The tap water that a tank of rain can take, if that was asked for.
    """

    currency: str
    need: Need
    offers: tuple[Offer, ...]
    cartridge_l: float
    stated: frozenset[str]
    remarks: dict[str, str]
    rain: Rain | None
    blend: Blend | None


def make(table: SourcesTable, base: Path) -> Case:
    """Compare every way.

    Args:
        table: The needs and prices.
        base: The directory that file names in the table start from.

    Raises:
        InputError: Values do not fit together, or a file of daily rain cannot be read.
        OutOfRangeError: A rating is impossible.
    """
    if table.need.monthly is not None and not sum(table.need.monthly) > 0.0:
        raise InputError("need.monthly is zero in every month; give shares such as 0.4 to 1.6.")
    limit_ppm = LIMIT_PPM if table.need.limit_ppm is None else table.need.limit_ppm
    need = Need(
        table.feed.solids,
        table.need.per_day,
        limit_ppm,
        default_target_ppm(limit_ppm) if table.need.target_ppm is None else table.need.target_ppm,
        **_renamed(table.feed, feed_sd_share=("sd_percent", 0.01)),
        **_renamed(table.need, "hours_per_day"),
    )
    tariffs = Tariffs(
        table.tariffs.water * 1000.0 / VOLUME.unit(table.tariffs.water_per).factor,
        table.tariffs.energy_per_kwh,
        **_renamed(table.tariffs, "hour"),
    )
    cartridge = _cartridge(table)
    cartridge_l = litres_on_feed(cartridge.capacity_g, need.feed_ppm)
    words = _rating_in_words(table.cartridge.rating, table.feed.factor)
    remarks = {"cartridge.takes_up": f"{words}, so {cartridge_l:.3g} L of this feed"}
    rain = None
    if table.rain is not None:
        rain, remarks["rain.roof_m2"] = _rain(table.rain, need.litres_per_day, table.need.monthly, base)
    offers = compare(need, tariffs, _bought(table), _distiller(table), _membrane(table), cartridge, rain)
    return Case(
        table.currency or "money",
        need,
        offers,
        cartridge_l,
        stated(table),
        remarks,
        rain,
        None if table.blend is None else _blend(table.blend, table.feed, need, rain),
    )


def _renamed(table: Any, *same: str, **others: tuple[str, float]) -> dict[str, Any]:
    """Return the stated values as keywords: some unchanged, others renamed and multiplied by a factor."""
    made = {key: getattr(table, key) for key in same if getattr(table, key) is not None}
    for name, (key, factor) in others.items():
        if getattr(table, key) is not None:
            made[name] = getattr(table, key) * factor
    return made


def _bought(table: SourcesTable) -> Bought:
    way = table.bought
    return Bought(
        **_renamed(
            way,
            "hours_per_journey",
            price_per_l=("price", 1.0 / VOLUME.unit(way.per).factor),
            price_sd_share=("price_sd_percent", 0.01),
            litres_per_journey=("journey_brings", 1.0),
            product_ppm=("solids", 1.0),
        )
    )


def _distiller(table: SourcesTable) -> Distiller:
    way, default = table.distiller, Distiller()
    batch_l = default.litres_per_batch if way.batch is None else way.batch
    pace: dict[str, Any] = (
        {} if way.hours_per_batch is None else {"hours_per_l": way.hours_per_batch / batch_l}
    )
    return Distiller(
        **pace,
        **_renamed(
            way,
            "price",
            "life_years",
            "energy_kwh_per_l",
            "attended_hours_per_batch",
            "boiling_hours_per_day",
            litres_per_batch=("batch", 1.0),
            product_ppm=("solids", 1.0),
        ),
    )


def _membrane(table: SourcesTable) -> Membrane:
    return Membrane(
        **_renamed(
            table.membrane,
            "price",
            "life_years",
            "upkeep_per_year",
            "rejection_percent",
            "attended_hours_per_month",
            recovery=("recovery_percent", 0.01),
            litres_per_day=("makes_per_day", 1.0),
        )
    )


def _cartridge(table: SourcesTable) -> Cartridge:
    way = table.cartridge
    # A resin takes up equivalents, and an equivalent has more ppm on a larger scale.
    equivalent_g = equivalent_weight_on_scale(table.feed.factor)
    capacity: dict[str, Any] = (
        {} if way.rating is None else {"capacity_g": rated_grams(way.rating, equivalent_g)}
    )
    return Cartridge(
        **capacity,
        **_renamed(
            way,
            "price",
            "holder_price",
            "holder_life_years",
            "pouring_hours_per_day",
            capacity_sd_share=("capacity_sd_percent", 0.01),
            hours_per_l=("minutes_per_l", 1.0 / 60.0),
            attended_hours_per_l=("attended_minutes_per_l", 1.0 / 60.0),
            product_ppm=("solids", 1.0),
        ),
    )


def _rating_in_words(rating: Rating | None, factor: float) -> str:
    match rating:
        case RatedLitres(litres, at_ppm):
            return f"{litres:.4g} L of {at_ppm:.4g} ppm"
        case RatedGrams(_):
            return "as rated"
        case RatedGrains(grains):
            return (
                f"{grains:.4g} grains of calcium carbonate, {equivalent_weight_on_scale(factor):g} g/eq on "
                f"the scale of {factor:g}"
            )
        case RatedResin(resin_l, equivalents_per_l):
            return (
                f"{resin_l:.4g} L of resin, {equivalents_per_l:.4g} eq/L, "
                f"{equivalent_weight_on_scale(factor):g} g/eq on the scale of {factor:g}"
            )
        case _:
            return "47.5 US gallons of 95 ppm"


def _rain(
    way: RainTable, need_l_per_day: float, shares: Sequence[float] | None, base: Path
) -> tuple[Rain, str]:
    """Simulate the rain's yield and reliability, and describe the simulation."""
    collection = Collection(
        way.roof_m2, way.tank, **_renamed(way, "first_flush_mm", runoff=("runoff_percent", 0.01))
    )
    place = (
        f"{way.roof_m2:g} m2 of roof, {collection.runoff * 100:g} % of the rain less a first flush of "
        f"{collection.first_flush_mm:g} mm, a tank of {way.tank:.4g} L"
    )
    monthly_l = [need_l_per_day * share for share in shares or (1.0,) * 12]
    if way.daily_file is not None:
        found = recorded_reliability(_daily_mm(base / way.daily_file), collection, monthly_l)
        how = f"{found.years:.3g} recorded years from 1 January on"
    else:
        monthly, wet = way.monthly_mm or [], way.wet_days or []
        found = reliability(monthly, wet, collection, monthly_l)
        how = (
            f"{found.years:g} years drawn from {sum(monthly):g} mm on {sum(wet):g} days a year; the worst "
            f"year in ten meets {100 * found.one_year_in_ten:.0f} % of its days"
        )
    how += (
        f"; longest dry spell {found.longest_dry_days} days; the need is met on {100 * found.mean:.1f} % of "
        f"the days, 95 %: {100 * found.low95:.1f} to {100 * found.high95:.1f} %"
    )
    rain = Rain(
        found.mean,
        found.given_l_per_day,
        reliability_low=found.low95,
        **_renamed(
            way,
            "price",
            "life_years",
            "attended_hours_per_month",
            product_ppm=("solids", 1.0),
            product_sd_share=("solids_sd_percent", 0.01),
        ),
    )
    return rain, f"{place}; {how}"


def _daily_mm(path: Path) -> Sequence[float]:
    from bridge.commands.shared.terminal import read_columns

    return [row.values[0] for row in read_columns(path, ("rain_mm",))]


def _blend(blend: BlendTable, feed: FeedTable, need: Need, rain: Rain | None) -> Blend:
    default = rain or Rain(1.0, need.litres_per_day)
    ppm = default.product_ppm if blend.rain_solids is None else blend.rain_solids
    share = default.product_sd_share if blend.rain_sd_percent is None else blend.rain_sd_percent / 100.0
    if feed.solids < ppm:
        raise InputError(
            f"blend: the rain ({ppm:g} ppm) is harder than the tap water ({feed.solids:g} ppm); check both."
        )
    tap = Water(need.feed_ppm, 2.0 * need.feed_sd_share * need.feed_ppm)
    return tap_into_rain(blend.rain, blend.room, Water(ppm, 2.0 * share * ppm), tap, need.limit_ppm)
