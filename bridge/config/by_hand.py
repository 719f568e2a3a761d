"""The tables about work by hand: purifiers and shelves that a person keeps, and hand meters."""

from typing import Literal

from pydantic import Field, model_validator

from bridge.config.reservoir import DEFAULT_LEAD_DAYS, CartridgeTable
from bridge.config.tables import Litres, Ppm, Table, from_zero, positive, refused, sound
from bridge.estimate.reservoir import RAIN_PPM
from bridge.estimate.verdict import LIMIT_PPM, default_target_ppm
from bridge.forecast.by_hand import HandPlan, ShelfPlan
from bridge.sourcing.rain import Collection
from bridge.water.measurement import LARGEST_FACTOR, SMALLEST_FACTOR, Scale
from bridge.water.meter import HandMeter, MeterUnit


class _ByHandTable(Table):
    """The keys that both tables have."""

    name: str | None = Field(default=None, min_length=1, description="what people call it")
    factor: float = Field(
        default=Scale.HALF.value,
        ge=SMALLEST_FACTOR,
        le=LARGEST_FACTOR,
        description="the scale of every ppm of it: ppm for each µS/cm at 25 °C, often 0.5 or 0.7",
    )
    limit_ppm: float = positive("the limit of its water in ppm", LIMIT_PPM)
    target_ppm: float | None = positive("the ppm from which its water is only marginal")

    @property
    def target(self) -> float:
        """The target in ppm, given or derived from the limit."""
        return default_target_ppm(self.limit_ppm) if self.target_ppm is None else self.target_ppm

    @model_validator(mode="after")
    def _target_under_limit(self) -> "_ByHandTable":
        if self.target > self.limit_ppm:
            raise refused("target_ppm", self.target_ppm, f"must be at most limit_ppm = {self.limit_ppm:g}")
        return self

    def called(self, ident: str) -> str:
        """Return the name, or make one from the id."""
        return self.name or ident.replace("-", " ").capitalize()


class HandTable(_ByHandTable):
    """``[purifier.<id>]``: a pitcher, a countertop still or a membrane without a controller."""

    feed_ppm: Ppm | None = positive("the feed's dissolved solids in ppm, until a sample is entered")
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

    price_per_l: float | None = from_zero("what a litre costs")
    lead_days: float = from_zero("the days until more stands on the shelf", DEFAULT_LEAD_DAYS, le=366)
    roof_m2: float | None = positive("the roof area in m², if rain fills it; with tank_l", le=100_000)
    tank_l: Litres | None = positive("the litres that its tank holds; with roof_m2")
    first_flush_mm: float = from_zero("the rain of a day that is led away because it washes the roof", 0.5)
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
    resolution: float = positive("one step of its display, in the unit that it shows")
    factor: float | None = Field(
        default=None,
        ge=SMALLEST_FACTOR,
        le=LARGEST_FACTOR,
        description="the factor of a meter that shows ppm: ppm for each µS/cm at 25 °C, often 0.5 or 0.7",
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
            Scale.HALF.factor if self.factor is None else self.factor,
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
