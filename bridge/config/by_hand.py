"""The tables about work by hand: purifiers and shelves that a person keeps, hand meters, and trays."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from bridge.config.cartridge import DEFAULT_LEAD_DAYS, CartridgeTable
from bridge.config.mistakes import Mistakes, similar
from bridge.config.plan import TraysPlan
from bridge.config.tables import (
    TARGET_UNSTATED,
    Litres,
    Ppm,
    Table,
    check_target,
    from_zero,
    optional,
    positive,
    refused,
    sound,
)
from bridge.estimate.reservoir import RAIN_PPM
from bridge.estimate.verdict import LIMIT_PPM, default_target_ppm
from bridge.forecast.by_hand import HandPlan, ShelfPlan
from bridge.sourcing.rain import Collection
from bridge.tank.evapotranspiration import Site
from bridge.trays.round import RoundSettings
from bridge.trays.tray import TrayPlan
from bridge.water.measurement import DEFAULT_FACTOR, LARGEST_FACTOR, SMALLEST_FACTOR
from bridge.water.meter import HandMeter, MeterUnit


class _ByHandTable(Table):
    """The keys that both tables have."""

    name: str | None = optional("what people call it", "made from the id", min_length=1)
    factor: float = Field(
        default=DEFAULT_FACTOR,
        ge=SMALLEST_FACTOR,
        le=LARGEST_FACTOR,
        description="the scale of every ppm of it: ppm for each µS/cm at 25 °C, often 0.5 or 0.7",
    )
    limit_ppm: float = positive("the limit of its water in ppm", LIMIT_PPM)
    target_ppm: float | None = positive(
        "the ppm from which its water is only marginal", unstated=TARGET_UNSTATED
    )

    @property
    def target(self) -> float:
        """The target in ppm, given or derived from the limit."""
        return default_target_ppm(self.limit_ppm) if self.target_ppm is None else self.target_ppm

    @model_validator(mode="after")
    def _target_under_limit(self) -> "_ByHandTable":
        check_target(self.target_ppm, self.limit_ppm)
        return self

    def called(self, ident: str) -> str:
        """Return the name, or make one from the id."""
        return self.name or ident.replace("-", " ").capitalize()


class HandTable(_ByHandTable):
    """``[purifier.<id>]``: a pitcher, a countertop still or a membrane without a controller."""

    feed_ppm: Ppm | None = positive(
        "the feed's dissolved solids in ppm, until a sample is entered", unstated="not known"
    )
    cartridge: CartridgeTable = Field(
        description="a table about its cartridge, membrane or boiler, with 'kind' and a rating"
    )
    other_cost_per_l: float = from_zero(
        "what a litre costs beside the cartridge (energy, water), in the currency of the price", 0.0
    )

    def core(self, ident: str) -> HandPlan:
        """Make the plan of this purifier."""
        return HandPlan(
            ident=ident,
            name=self.called(ident),
            factor=self.factor,
            limit_ppm=self.limit_ppm,
            target_ppm=self.target,
            feed_ppm=self.feed_ppm,
            cartridge=self.cartridge.core(self.factor),
            other_cost_per_l=self.other_cost_per_l,
        )


class ShelfTable(_ByHandTable):
    """``[shelf.<id>]``: jugs that are bought, or filled elsewhere, or a tank that a roof fills."""

    price_per_l: float | None = from_zero("what a litre costs", unstated="not known")
    lead_days: float = from_zero("the days until more stands on the shelf", DEFAULT_LEAD_DAYS, le=366)
    roof_m2: float | None = positive(
        "the roof area in m², if rain fills it; with tank_l", unstated="no roof", le=100_000
    )
    tank_l: Litres | None = positive("the litres that its tank holds; with roof_m2", unstated="no roof")
    first_flush_mm: float = from_zero(
        "the rain of a day that is led away because it washes the roof, in mm", 0.5
    )
    rain_ppm: Ppm = from_zero("the ppm of the roof's water after its first flush", RAIN_PPM)

    @model_validator(mode="after")
    def _roof_with_tank(self) -> "ShelfTable":
        if (self.roof_m2 is None) != (self.tank_l is None):
            key = "tank_l" if self.tank_l is None else "roof_m2"
            raise refused(key, getattr(self, key), "is missing; a roof needs both roof_m2 and tank_l")
        return self

    def core(self, ident: str) -> ShelfPlan:
        """Make the plan of this shelf."""
        return ShelfPlan(
            ident=ident,
            name=self.called(ident),
            factor=self.factor,
            limit_ppm=self.limit_ppm,
            target_ppm=self.target,
            price_per_l=self.price_per_l,
            lead_days=self.lead_days,
            roof=(
                None
                if self.roof_m2 is None or self.tank_l is None
                else Collection(self.roof_m2, self.tank_l, first_flush_mm=self.first_flush_mm)
            ),
            rain_ppm=self.rain_ppm,
        )


class MeterTable(Table):
    """``[meter.<id>]``: a hand meter, by its data sheet."""

    shows: Literal["ppm", "us/cm"] = Field(description="the unit of its display: 'ppm' or 'us/cm'")
    resolution: float = positive("one step of its display, in the unit that it shows", ...)
    factor: float | None = optional(
        "the factor of a meter that shows ppm: ppm for each µS/cm at 25 °C, often 0.5 or 0.7",
        "none; a meter that shows ppm needs it",
        ge=SMALLEST_FACTOR,
        le=LARGEST_FACTOR,
    )
    percent_of_reading: float = from_zero("its accuracy in per cent of the reading", 0.0, le=50)
    percent_of_full_scale: float = from_zero("its accuracy in per cent of full scale", 0.0, le=50)
    full_scale: float = from_zero("the greatest number that it shows, in its unit", 0.0)
    compensated: bool = Field(default=True, description="true if it converts to 25 °C by itself")

    def core(self, ident: str) -> HandMeter:
        """Make the meter of the plan."""
        return HandMeter(
            ident,
            MeterUnit(self.shows),
            self.resolution,
            DEFAULT_FACTOR if self.factor is None else self.factor,
            self.percent_of_reading,
            self.percent_of_full_scale,
            self.full_scale,
            self.compensated,
        )

    @model_validator(mode="after")
    def _sound(self) -> "MeterTable":
        if self.shows == "ppm" and self.factor is None:
            raise refused("shows", self.shows, "needs factor, which is printed in the meter's manual")
        if self.shows != "ppm" and self.factor is not None:
            raise refused("factor", self.factor, "belongs to a meter that shows ppm; remove it")
        sound(lambda: self.core("this"))
        return self


_OWN = TrayPlan("tray", "Tray", 1.0, 30.0, 60.0, "")
"""Only for the defaults."""


class TrayTable(Table):
    """``[tray.<id>]``: a tray on a bench. The order of the tables is the order of the round."""

    name: str | None = optional("what people call it", "made from the id", min_length=1)
    fed_from: str | None = optional(
        "the id of the reservoir, purifier or shelf that its water comes from",
        "the only one; needed if there are several",
        min_length=1,
    )
    area_m2: float = positive("the inside area in m², such as 0.5", ..., le=1000)
    kept_mm: float = positive("the depth of water that is kept in growth, in mm", 30.0, le=1000)
    rim_mm: float = positive("the depth at which it runs over, in mm", 60.0, le=2000)
    dormant_mm: float = positive("the depth in the dormant months, in mm", _OWN.dormant_mm, le=1000)
    dormant_months: list[int] = Field(
        default_factory=list, description="the months of dormancy as numbers, such as [11, 12, 1, 2]"
    )
    pots: int = Field(default=0, ge=0, le=10_000, description="the number of pots in it")
    pot_draw_l: Litres = from_zero(
        "what one pot draws on a warm day of 5 mm of reference evapotranspiration, in litres",
        _OWN.pot_draw_l,
    )
    pot_holds_l: Litres = from_zero(
        "the water that moss and soil of one pot hold, in litres", _OWN.pot_holds_l
    )
    drained: bool = Field(
        default=False, description="true if a hole or a pipe at the kept depth lets the rest run off"
    )
    covered: bool = Field(default=False, description="true if no rain falls into it")
    limit_ppm: Ppm = positive("the limit of its water in ppm", LIMIT_PPM)
    target_ppm: Ppm | None = positive(
        "the ppm from which its water is only marginal", unstated=TARGET_UNSTATED
    )

    @model_validator(mode="after")
    def _sound(self) -> "TrayTable":
        sound(lambda: self.core("tray", ""))
        return self

    def core(self, ident: str, fed_from: str) -> TrayPlan:
        """Make the plan of this tray.

        Args:
            ident: Its id.
            fed_from: The id of its source, if the table has none.
        """
        return TrayPlan(
            ident=ident,
            name=self.name or ident.replace("-", " ").capitalize(),
            area_m2=self.area_m2,
            kept_mm=self.kept_mm,
            rim_mm=self.rim_mm,
            fed_from=self.fed_from or fed_from,
            pots=self.pots,
            pot_draw_l=self.pot_draw_l,
            pot_holds_l=self.pot_holds_l,
            drained=self.drained,
            covered=self.covered,
            limit_ppm=self.limit_ppm,
            target_ppm=default_target_ppm(self.limit_ppm) if self.target_ppm is None else self.target_ppm,
            dormant_mm=self.dormant_mm,
            dormant_months=tuple(self.dormant_months),
        )


class WeatherTable(Table):
    """``[weather]``: where the trays stand, and a file of the weather if there is one."""

    latitude_deg: float = Field(
        ge=-90, le=90, description="the latitude in degrees, negative on the southern hemisphere"
    )
    elevation_m: float = Field(default=0.0, ge=-500, le=9000, description="the height above the sea in m")
    file: str | None = optional(
        "a CSV file with the columns date, highest_c, lowest_c, and if known rain_mm, humidity_percent, "
        "solar_mj_m2, wind_m_s",
        "no file",
        min_length=1,
    )
    temperature_of: str | None = optional(
        "the id of the reservoir whose controller's temperature follows that of the air",
        "no reservoir",
        min_length=1,
    )

    def core(self) -> Site:
        """Make the place."""
        return Site(self.latitude_deg, self.elevation_m)


class RoundTable(Table):
    """``[round]``: how the watering round is walked."""

    can_l: Litres = positive("the litres of a watering can", RoundSettings().can_l)
    every_days: float = positive("the days from one round to the next", RoundSettings().every_days, le=60)
    flush_weeks: float = positive("the weeks that a flush shall last", RoundSettings().flush_weeks, le=52)

    def core(self) -> RoundSettings:
        """Make the settings."""
        return RoundSettings(self.can_l, self.every_days, self.flush_weeks)


def trays_plan(
    tables: Mapping[str, TrayTable],
    weather: WeatherTable | None,
    walked: RoundTable,
    sources: Sequence[str],
    directory: Path,
    mistakes: Mistakes,
) -> TraysPlan | None:
    """Build the plan of the trays; None if there are none.

    Args:
        tables: The tables of the trays by id, in the order of the benches.
        weather: The table ``[weather]``.
        walked: The table ``[round]``.
        sources: The ids of reservoirs, purifiers and shelves.
        directory: The directory that relative paths start from.
        mistakes: Receives the mistakes.
    """
    if not tables:
        return None
    trays = []
    for ident, table in tables.items():
        if table.fed_from is None and len(sources) != 1:
            mistakes.add(
                ("tray", ident, "fed_from"), f"is missing; give the id of its water: {', '.join(sources)}"
            )
        elif table.fed_from is not None and table.fed_from not in sources:
            sentence = f"there is no such reservoir, purifier or shelf; {similar(table.fed_from, [*sources])}"
            mistakes.add(("tray", ident, "fed_from"), sentence, table.fed_from)
        else:
            trays.append(table.core(ident, sources[0]))
    if weather is None:
        return TraysPlan(tuple(trays), walked.core())
    if weather.temperature_of is not None and weather.temperature_of not in sources:
        mistakes.add(("weather", "temperature_of"), "there is no such reservoir", weather.temperature_of)
    file = None if weather.file is None else directory / weather.file
    return TraysPlan(tuple(trays), walked.core(), weather.core(), file, weather.temperature_of)
