"""The tables of the file of needs and prices."""

import tomllib
from pathlib import Path
from typing import Annotated, Any

from pydantic import (
    BeforeValidator,
    Field,
    ValidationError,
    model_validator,
)

from bridge.config.cartridge import RatedTable
from bridge.config.mistakes import Mistakes, from_validation
from bridge.config.tables import Grams, Litres, Ppm, Table, from_zero, positive, sound, unfit
from bridge.errors import InputError
from bridge.units import VOLUME
from bridge.water.measurement import DEFAULT_FACTOR, LARGEST_FACTOR, SMALLEST_FACTOR


def _unit_of_volume(unit: Any) -> Any:
    if isinstance(unit, str):
        sound(lambda: VOLUME.unit(unit))
    return unit


VolumeUnit = Annotated[str, BeforeValidator(_unit_of_volume)]


class NeedTable(Table):
    """``need``: the water needed."""

    per_day: Litres = positive("the litres needed a day, or a text with a unit such as '1 us-gal'", ...)
    limit_ppm: float | None = positive("the limit in ppm, at or over which water is unfit")
    target_ppm: float | None = positive("the target in ppm, from which water is marginal")
    hours_per_day: float | None = positive("the most hours of work a day that you want to spend", le=24)
    monthly: list[float] | None = Field(
        None,
        min_length=12,
        max_length=12,
        description="the need of the twelve months, as shares of per_day, such as 1.6 in July",
    )


class FeedTable(Table):
    """``feed``: the tap water."""

    solids: Ppm = positive("the feed's dissolved solids in ppm, or a text with a unit such as '18 gpg'", ...)
    sd_percent: float | None = from_zero("one standard deviation of the feed in per cent")
    factor: float = Field(
        default=DEFAULT_FACTOR,
        ge=SMALLEST_FACTOR,
        le=LARGEST_FACTOR,
        description="the scale of every ppm here: ppm for each µS/cm at 25 °C, often 0.5 or 0.7",
    )


class TariffsTable(Table):
    """``tariffs``: the prices of water and energy."""

    water: float = from_zero("the price of tap water", ...)
    water_per: VolumeUnit = Field(default="m3", description="the volume that this price is for, such as 'm3'")
    energy_per_kwh: float = from_zero("the price of a kilowatt-hour", ...)
    hour: float | None = from_zero("the price of an hour of your time; 0 does not count it")


class BoughtTable(Table):
    """``bought``: distilled water from a shop."""

    price: float | None = from_zero("the price of bought distilled water")
    per: VolumeUnit = Field(default="l", description="the volume that this price is for, such as 'us-gal'")
    price_sd_percent: float | None = from_zero("one standard deviation of the price in per cent")
    journey_brings: Litres | None = positive("the litres brought home on a journey")
    hours_per_journey: float | None = from_zero("the hours that a journey takes")
    solids: Ppm | None = from_zero("the dissolved solids of the bought water")


class DistillerTable(Table):
    """``distiller``: a countertop still."""

    price: float | None = from_zero("the price of a distiller")
    life_years: float | None = positive("the years that a distiller lasts")
    batch: Litres | None = positive("the litres of a batch")
    hours_per_batch: float | None = positive("the hours that a batch takes")
    attended_hours_per_batch: float | None = from_zero("the hours of work for a batch")
    energy_kwh_per_l: float | None = positive("the kilowatt-hours for a litre")
    boiling_hours_per_day: float | None = positive("the most hours a day that it boils", le=24)
    solids: Ppm | None = from_zero("the dissolved solids of its product")


class MembraneTable(Table):
    """``membrane``: a reverse-osmosis set."""

    price: float | None = from_zero("the price of a membrane set")
    life_years: float | None = positive("the years that a membrane set lasts")
    upkeep_per_year: float | None = from_zero("what its spare parts cost a year")
    rejection_percent: float | None = from_zero("the share of the solids held back in per cent", lt=100)
    recovery_percent: float | None = positive(
        "the share of the feed that becomes product, in per cent", le=100
    )
    makes_per_day: Litres | None = positive("the litres it makes a day")
    attended_hours_per_month: float | None = from_zero("the hours of work a month")


class CartridgeTable(RatedTable):
    """``cartridge``: exchange resin, rated in litres of a ppm, in grams, or in equivalents of its resin."""

    price: float | None = from_zero("the price of a cartridge")
    treats: Litres | None = positive("the litres that a cartridge treats; with treats_of")
    treats_of: Ppm | None = positive("the ppm of the feed to which treats applies")
    takes_up: Grams | None = positive("the grams that a cartridge takes up, or a text such as '300 grain'")
    resin: Litres | None = positive("the litres of resin in it; with equivalents_per_l")
    equivalents_per_l: float | None = positive("the equivalents that a litre of the resin takes up")
    capacity_sd_percent: float | None = from_zero("one standard deviation of the rating in per cent")
    holder_price: float | None = from_zero("the price of its holder or pitcher")
    holder_life_years: float | None = positive("the years that the holder lasts")
    minutes_per_l: float | None = positive("the minutes that a litre takes to run through")
    attended_minutes_per_l: float | None = from_zero("the minutes of work for a litre")
    pouring_hours_per_day: float | None = positive("the most hours a day that water is poured", le=24)
    solids: Ppm | None = from_zero("the dissolved solids of its product")

    @model_validator(mode="after")
    def _one_rating(self) -> "CartridgeTable":
        if self.count_of_ratings > 1:
            raise unfit("there is more than one rating; give treats, takes_up or resin.")
        return self


class RainTable(Table):
    """A roof and its tank, and the rain on it: twelve months, or a file of days."""

    roof_m2: float = positive("the roof's area in square metres, seen from above", ...)
    tank: Litres = positive("the litres that the tank holds", ...)
    runoff_percent: float | None = positive("the share of the rain that reaches the tank", le=100)
    first_flush_mm: float | None = from_zero("the rain of each wet day that is led away")
    monthly_mm: list[float] | None = Field(
        None, min_length=12, max_length=12, description="the rain of the twelve months in mm"
    )
    wet_days: list[float] | None = Field(
        None, min_length=12, max_length=12, description="the days with rain in each of the twelve months"
    )
    daily_file: str | None = Field(None, description="a CSV file with a column rain_mm, a row for each day")
    solids: Ppm | None = from_zero("the dissolved solids of the rain in the tank")
    solids_sd_percent: float | None = from_zero("one standard deviation of them in per cent")
    price: float | None = from_zero("the price of tank and gutter")
    life_years: float | None = positive("the years that the tank lasts")
    attended_hours_per_month: float | None = from_zero("the hours of work a month")

    @model_validator(mode="after")
    def _one_record(self) -> "RainTable":
        if (self.monthly_mm is None) != (self.wet_days is None):
            raise unfit("monthly_mm goes together with wet_days; give both.")
        if (self.monthly_mm is None) == (self.daily_file is None):
            raise unfit("give the rain: either monthly_mm with wet_days, or daily_file.")
        return self


class BlendTable(Table):
    """``blend``: a tank of rain that tap water is added to."""

    rain: Litres = positive("the litres of rain in the tank", ...)
    room: Litres = from_zero("the litres that still fit", ...)
    rain_solids: Ppm | None = from_zero("the dissolved solids of that rain")
    rain_sd_percent: float | None = from_zero("one standard deviation of them in per cent")


class SourcesTable(Table):
    """All tables of the file."""

    currency: str | None = Field(None, min_length=1, max_length=12, description="a word for your money")
    need: NeedTable = Field(description="a table with per_day, the water needed")
    feed: FeedTable = Field(description="a table with solids, the feed's dissolved solids")
    tariffs: TariffsTable = Field(description="a table with water and energy_per_kwh, the prices of the two")
    bought: BoughtTable = BoughtTable()
    distiller: DistillerTable = DistillerTable()
    membrane: MembraneTable = MembraneTable()
    cartridge: CartridgeTable = CartridgeTable()
    rain: RainTable | None = None
    blend: BlendTable | None = None


def written(path: Path) -> dict[str, Any]:
    """Read the file.

    Raises:
        InputError: The file cannot be read, or is not TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}; give a TOML file.") from None
    except UnicodeDecodeError:
        raise InputError(f"{path} is not text in UTF-8; give a TOML file.") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path} is not TOML: {error}.") from None


def checked(values: dict[str, Any], where: str) -> SourcesTable:
    """Check the tables.

    Args:
        values: The values of the file and the options.
        where: The name of the file in messages.

    Raises:
        InputError: There are mistakes: a line for each, with its key and what would be right.
    """
    try:
        return SourcesTable.model_validate(values)
    except ValidationError as error:
        mistakes = Mistakes(where)
        for one in error.errors(include_url=False):
            mistakes.note(from_validation(SourcesTable, one))
        mistakes.refuse()
        raise


def stated(table: SourcesTable) -> frozenset[str]:
    """Return the keys that were stated, such as ``cartridge.price``."""
    keys = {"currency"} if table.currency is not None else set()
    for name in SourcesTable.model_fields:
        part = getattr(table, name)
        if isinstance(part, Table):
            keys |= {f"{name}.{key}" for key in part.model_fields_set}
    return frozenset(keys)
