"""``[reservoir.<id>]``: the keys of one reservoir, their ranges and their meaning.

Messages about mistakes quote the descriptions, so each says what would be right.
"""

from dataclasses import replace
from typing import Any, Literal

from pydantic import Field, ModelWrapValidatorHandler, PrivateAttr, model_validator

from bridge.config.modbus import ModbusTable
from bridge.config.tables import ID_PATTERN, Grams, Litres, Ppm, Table, from_zero, given, positive, refused
from bridge.config.tank import LevelTable, ShapeTable
from bridge.estimate.verdict import LIMIT_PPM
from bridge.purifier.cartridge import (
    RATING_SD,
    Kind,
    RatedGrains,
    RatedGrams,
    RatedLitres,
    RatedResin,
    Rating,
    equivalent_weight_on_scale,
    rated_grams,
    rating_sd_on_scale,
)
from bridge.station.plan import CartridgePlan
from bridge.units import MASS, MILLIGRAMS_PER_GRAIN
from bridge.water import conductivity
from bridge.water.conductivity import LARGEST_LINEAR_PERCENT_PER_K, Compensation, Method
from bridge.water.measurement import LARGEST_FACTOR, SMALLEST_FACTOR, MeasuringChain, Scale
from bridge.water.probe import ProbeSettings
from bridge.water.uncertainty import StandardUncertainties, WaterKind, for_water

DEFAULT_LEAD_DAYS = 7.0
_OF_KIND = {
    "exchange": (
        "treats",
        "treats_of",
        "takes_up",
        "resin",
        "equivalents_per_l",
        "rating_sd_percent",
        "rating_factor",
    ),
    "membrane": ("rejection_percent",),
    "distiller": ("scale",),
}


class CartridgeTable(Table):
    """``cartridge``: an exchange cartridge, a membrane or a distiller, for the forecast."""

    kind: Literal["exchange", "membrane", "distiller"] = Field(
        description="'exchange' (resin), 'membrane' or 'distiller'"
    )
    treats: Litres | None = positive(
        "the litres that it treats, or a text such as '45 us-gal'; with treats_of"
    )
    treats_of: Ppm | None = positive("the ppm of the feed to which treats applies")
    takes_up: Grams | None = positive("the grams that it takes up, or a text such as '300 grain'")
    resin: Litres | None = positive("the litres of resin in it; with equivalents_per_l")
    equivalents_per_l: float | None = positive("the equivalents that a litre of the resin takes up")
    rating_sd_percent: float | None = Field(
        default=None, ge=1, le=100, description="one standard deviation of the rating in per cent, 1 to 100"
    )
    rating_factor: float | None = Field(
        default=None,
        ge=SMALLEST_FACTOR,
        le=LARGEST_FACTOR,
        description="the scale on which treats_of or takes_up is stated, if not that of the limit: ppm for "
        "each µS/cm at 25 °C, often 0.5",
    )
    rejection_percent: float | None = Field(
        default=None, ge=50, le=99.9, description="the rated rejection of a membrane in per cent"
    )
    scale: Grams | None = positive("the grams of scale that may collect in a distiller before it is descaled")
    price: float | None = from_zero("the price of a new one")
    lead_days: float = from_zero(
        "the days from the order until a new one is fitted", DEFAULT_LEAD_DAYS, le=366
    )

    # A rating in grains counts calcium carbonate, and one in grams the ppm of the reservoir's own scale.
    _in_grains: bool = PrivateAttr(default=False)

    @model_validator(mode="wrap")
    @classmethod
    def _with_unit(cls, values: Any, make: ModelWrapValidatorHandler["CartridgeTable"]) -> "CartridgeTable":
        table = make(values)
        written = values.get("takes_up") if isinstance(values, dict) else None
        table._in_grains = isinstance(written, str) and MASS.parse(written)[1] is MASS.unit("grain")
        return table

    @model_validator(mode="after")
    def _fits(self) -> "CartridgeTable":
        for kind, keys in _OF_KIND.items():
            for key in keys:
                if kind != self.kind and getattr(self, key) is not None:
                    raise refused(key, getattr(self, key), f"belongs to the kind '{kind}'; leave it out")
        for one, other in (("treats", "treats_of"), ("resin", "equivalents_per_l")):
            if (getattr(self, one) is None) != (getattr(self, other) is None):
                raise refused(one, getattr(self, one), f"goes together with {other}; give both")
        if self.rating_factor is not None and self.resin is not None:
            raise refused(
                "rating_factor", self.rating_factor, "does not go with resin, whose rating has no scale"
            )
        ratings = sum(x is not None for x in (self.treats, self.takes_up, self.resin))
        if self.kind == "exchange" and ratings != 1:
            raise refused("kind", self.kind, "needs one rating: treats and treats_of, or takes_up, or resin")
        if self.kind == "membrane" and self.rejection_percent is None:
            raise refused("kind", self.kind, "needs rejection_percent, the rated rejection")
        if self.kind == "distiller" and self.scale is None:
            raise refused("kind", self.kind, "needs scale, the grams of scale that may collect")
        return self

    def core(self, factor: float) -> CartridgePlan:
        """Make the plan of this cartridge.

        Args:
            factor: The scale of the reservoir, in ppm for each µS/cm at 25 °C.
        """
        rating = self._rating()
        rating_sd = RATING_SD if self.rating_sd_percent is None else self.rating_sd_percent / 100.0
        equivalent_g = equivalent_weight_on_scale(factor)
        rated_g = self.scale if rating is None else rated_grams(rating, equivalent_g)
        if rated_g is not None and self.rating_factor is not None:
            rated_g *= factor / self.rating_factor
        return CartridgePlan(
            kind=Kind(self.kind),
            rated_g=rated_g,
            rating_sd=rating_sd_on_scale(rating, rating_sd),
            rejection_percent=self.rejection_percent,
            price=self.price,
            lead_days=self.lead_days,
        )

    @property
    def rating_is_on_a_scale(self) -> bool:
        """True if the rating is in ppm or in grams of a meter. Grains and resin are equivalents."""
        return self.treats is not None or (self.takes_up is not None and not self._in_grains)

    def _rating(self) -> Rating | None:
        if self.treats is not None and self.treats_of is not None:
            return RatedLitres(self.treats, self.treats_of)
        if self.resin is not None and self.equivalents_per_l is not None:
            return RatedResin(self.resin, self.equivalents_per_l)
        if self.takes_up is None:
            return None
        if self._in_grains:
            return RatedGrains(self.takes_up * 1000.0 / MILLIGRAMS_PER_GRAIN)
        return RatedGrams(self.takes_up)


class UncertaintyTable(Table):
    """``uncertainty``: the standard uncertainties (k = 1) of the inputs of a reading."""

    cell_constant_percent: float | None = from_zero("that of the cell constant, in per cent; of a label 5")
    offset_us: float | None = from_zero("that of the offset with the leakage of the cable, in µS")
    lead_resistance_ohm: float | None = from_zero("that of the resistance of both wires, in ohm")
    conductance_percent: float | None = from_zero("that of the measured conductance, in per cent")
    conductance_step_us: float | None = from_zero("one step of the measured conductance, in µS")
    temperature_k: float | None = from_zero("that of the water temperature, in kelvin")
    linear_percent_per_k: float | None = from_zero("that of the coefficient of 'linear', in %/K")
    method_percent_per_k: float | None = from_zero(
        "that of the compensation, in % for each K from 25 °C; usually that of the kind of water"
    )
    factor_percent: float | None = from_zero("that of the factor, in per cent; 0 for a stated scale")


class WatchTable(Table):
    """``watch``: the limits beyond which the probe is faulty."""

    over_range_us_cm: float | None = positive("the upper end of the probe's range in µS/cm")
    floor_tolerance: float | None = from_zero("how far below pure water a value may lie, 0 to 1", lt=1)
    resolution_us_cm: float | None = from_zero("one step of the reading in µS/cm")
    lowest_c: float | None = Field(default=None, description="the lowest possible temperature, in °C")
    highest_c: float | None = Field(default=None, description="the highest possible temperature, in °C")
    fault_codes_c: list[float] | None = Field(
        default=None, description="the temperatures that the sensor reports when it has failed, in °C"
    )
    frozen_after_s: float | None = positive("after how long without any movement a value is frozen, in s")
    noise_fraction: float | None = positive("the jump that counts as noise, as a fraction of the reading")
    noise_us_cm: float | None = from_zero("the jump that is too small to count as noise, in µS/cm")
    swapped_ratio: float | None = Field(
        default=None, ge=1, description="how many times the feed the product may read before they are swapped"
    )
    swapped_after_s: float | None = from_zero("after how long that is a fault, in seconds; 0 for never")

    @model_validator(mode="after")
    def _rising(self) -> "WatchTable":
        default = ProbeSettings()
        low_c = default.lowest_c if self.lowest_c is None else self.lowest_c
        high_c = default.highest_c if self.highest_c is None else self.highest_c
        if low_c >= high_c:
            raise refused("lowest_c", low_c, f"must be below highest_c = {high_c:g}")
        return self


class ProbeTable(Table):
    """``product`` or ``feed``: one conductivity probe with its temperature sensor."""

    cell_constant_per_cm: float = Field(
        ge=conductivity.SMALLEST_CONSTANT_PER_CM,
        le=conductivity.LARGEST_CONSTANT_PER_CM,
        description="the cell constant in cm⁻¹, from its label or its calibration, such as 0.1",
    )
    offset_us: float = Field(
        default=0.0,
        ge=-conductivity.LARGEST_OFFSET_US,
        le=conductivity.LARGEST_OFFSET_US,
        description="what the input reads with the cell dry and clean, in µS",
    )
    lead_resistance_ohm: float = from_zero(
        "the resistance of both wires together, in ohm", 0.0, le=conductivity.LARGEST_LEAD_RESISTANCE_OHM
    )
    method: Literal["natural", "pure", "linear", "off"] | None = Field(
        default=None, description="how the reading is converted to 25 °C"
    )
    linear_percent_per_k: float = positive(
        "the coefficient of the method 'linear' in %/K", 2.0, le=LARGEST_LINEAR_PERCENT_PER_K
    )
    water: WaterKind | None = Field(
        default=None,
        description="the kind of water: 'exchange-product', 'permeate', 'distilled', 'rain' or 'tap'",
    )
    uncertainty: UncertaintyTable = Field(default=UncertaintyTable(), description="a table of uncertainties")
    watch: WatchTable = Field(
        default=WatchTable(), description="a table of limits beyond which the probe is faulty"
    )

    def chain(self, default: Method, factor: float, usual: WaterKind) -> MeasuringChain:
        """Make the measuring chain.

        Args:
            default: The method of compensation if none is given.
            factor: The scale of the reservoir in ppm for each µS/cm at 25 °C.
            usual: The kind of water if none is given.
        """
        inputs = for_water(StandardUncertainties(), usual if self.water is None else self.water)
        stated = given(self.uncertainty)
        if "method_percent_per_k" in stated:
            stated["method_above_percent_per_k"] = stated["method_percent_per_k"]
        method = default if self.method is None else Method(self.method)
        return MeasuringChain(
            conductivity.Cell(self.cell_constant_per_cm, self.lead_resistance_ohm, self.offset_us),
            Compensation(method, self.linear_percent_per_k),
            factor,
            replace(inputs, **stated),
        )

    def watching(self) -> ProbeSettings:
        """Make the settings of the probe's diagnosis."""
        values: dict[str, Any] = given(self.watch)
        if "fault_codes_c" in values:
            values["fault_codes_c"] = tuple(values["fault_codes_c"])
        step_us = self.uncertainty.conductance_step_us
        if step_us is not None:
            values.setdefault("resolution_us_cm", step_us * self.cell_constant_per_cm)
        return ProbeSettings(**values)


class PurifierTable(Table):
    """``purifier``: its feed, its flow and its drain valve."""

    drain_valve: bool = Field(default=False, description="true if a valve can send product to a drain")
    feed_ppm: float | None = positive("the feed's dissolved solids in ppm on the reservoir's scale")
    litres_per_pulse: float | None = positive(
        "the litres for each pulse of the flow sensor: 1 divided by the pulses per litre on its label"
    )
    flow_max_l_min: float = positive("the greatest flow of the purifier, in litres a minute", 6.0)


class GuardTable(Table):
    """``guard``: the bounds. Those that are not given follow from the capacity or have a default."""

    limit_ppm: float | None = positive("the limit of the product in ppm on the reservoir's scale")
    target_ppm: float | None = positive("the ppm from which product is only marginal")
    gross_ppm: float | None = positive("the ppm at which the product trips without delay")
    reservoir_limit_ppm: float | None = positive("the limit of the water in the reservoir, in ppm")
    persistence_s: float | None = positive("how long an excess lasts until it causes a trip, in seconds")
    excursions_max: int | None = Field(
        default=None, ge=1, description="how many excesses within one fill cause a trip"
    )
    pause_s: float | None = positive("how long an interrupted fill waits, in seconds")
    rinse_min_s: float | None = positive("the shortest rinse, in seconds")
    rinse_max_s: float | None = positive("the longest rinse, in seconds")
    in_spec_s: float | None = positive("how long product must be good before a rinse ends, in seconds")
    lease_s: float | None = Field(
        default=None,
        ge=2,
        le=30,
        description="for how long the valve may stay open without a renewal, in seconds",
    )
    stale_after_s: float | None = Field(
        default=None, ge=1, le=30, description="after how long a reading is too old, in seconds"
    )
    link_lost_after_s: float | None = positive("after how long a silent controller causes a trip, in seconds")
    link_steady_s: float | None = positive(
        "how long the link must be steady before its trip can be reset, in seconds"
    )
    probe_failure_after_s: float | None = positive("after how long a failed probe causes a trip, in seconds")
    level_failure_after_s: float | None = positive(
        "after how long an unknown level causes a trip, in seconds"
    )
    temperature_low_c: float | None = Field(
        default=None, description="the coldest water that may flow, in °C"
    )
    temperature_high_c: float | None = Field(
        default=None, description="the warmest water that may flow, in °C"
    )
    fill_max_s: float | None = positive("how long a fill may last, in seconds")
    fill_max_l: float | None = positive("the greatest volume of one fill, in litres")
    daily_max_l: float | None = positive("the greatest volume in 24 hours, in litres")
    no_rise_after_s: float | None = positive("how long water may flow without a rise, in seconds")
    no_rise_l: float | None = positive("the rise that the flow must cause in that time, in litres")
    settle_s: float | None = positive("how long the level may move after the valve shut, in seconds")
    rise_closed_l: float | None = positive("the rise that causes a trip with the valve shut, in litres")
    blocked_after_s: float | None = positive(
        "how long a pending fill may be blocked before an alarm, in seconds"
    )
    command_max_age_s: float | None = positive("how old a command from the hub may be, in seconds")
    shelve_max_minutes: float | None = positive("how long an alarm may be shelved, in minutes", le=1440)

    @model_validator(mode="after")
    def _rising(self) -> "GuardTable":
        limit_ppm = LIMIT_PPM if self.limit_ppm is None else self.limit_ppm
        if self.target_ppm is not None and self.target_ppm > limit_ppm:
            raise refused("target_ppm", self.target_ppm, f"must be at most limit_ppm = {limit_ppm:g}")
        if self.gross_ppm is not None and self.gross_ppm < limit_ppm:
            raise refused("gross_ppm", self.gross_ppm, f"must be at least limit_ppm = {limit_ppm:g}")
        return self


class ReservoirTable(Table):
    """``[reservoir.<id>]``: one reservoir with its purifier and its controller."""

    port: str = Field(
        min_length=1,
        pattern=r"^[^\x00-\x1f]+$",
        description='the device path of the controller, such as "/dev/serial/by-id/..."',
    )
    name: str | None = Field(default=None, min_length=1, description="what people call the reservoir")
    controller_id: str | None = Field(
        default=None,
        pattern=r"^[A-Za-z0-9._+-]{1,24}$",
        description="the id that the controller sends in its hello: no other controller may open the valve",
    )
    baud: int = Field(default=115200, ge=1200, le=1_000_000, description="the speed of the line in bit/s")
    factor: float = Field(
        default=Scale.HALF.value,
        ge=SMALLEST_FACTOR,
        le=LARGEST_FACTOR,
        description="the scale of every ppm of this reservoir: ppm for each µS/cm at 25 °C, often 0.5 or 0.7",
    )
    assumed_ppm: float | None = from_zero("the ppm of the reservoir until a sample is sent")
    meter: str | None = Field(
        default=None,
        pattern=ID_PATTERN,
        description="the id of a table [meter.<id>]: the hand meter of readings that hub and page send",
    )
    rain_ppm: float | None = from_zero("the dissolved solids of rain that falls in, in ppm")
    shape: ShapeTable = Field(
        description="a table with 'kind' (upright-cylinder, horizontal-cylinder, box, tapered-barrel or "
        "strapping-table) and the inside dimensions in metres"
    )
    level: LevelTable = Field(
        description="a table with 'sensor', or with 'low_switch' and 'full_switch', or with all of them"
    )
    product: ProbeTable = Field(description="the table of the product probe, with 'cell_constant_per_cm'")
    feed: ProbeTable | None = Field(default=None, description="the table of the feed probe, if one is fitted")
    check_cell: ProbeTable | None = Field(
        default=None,
        description="the table of a second cell in the product, on the channel of the feed probe",
    )
    purifier: PurifierTable = Field(default=PurifierTable(), description="a table about the purifier")
    cartridge: CartridgeTable | None = Field(
        default=None, description="a table about the cartridge, membrane or distiller, for the forecast"
    )
    guard: GuardTable = Field(default=GuardTable(), description="a table of bounds")
    modbus: ModbusTable | None = Field(
        default=None,
        description="a table, if transmitters and relays on a Modbus line replace the controller",
    )
