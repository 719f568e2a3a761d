"""``[reservoir.<id>]``: the keys of one reservoir, their ranges and their meaning.

Messages about mistakes quote the descriptions, so each says what would be right.
"""

from dataclasses import replace
from typing import Any, Literal

from pydantic import Field, model_validator

from bridge.config.cartridge import CartridgeTable
from bridge.config.modbus import ModbusTable
from bridge.config.tables import (
    ID_PATTERN,
    TARGET_UNSTATED,
    Table,
    check_target,
    from_zero,
    given,
    optional,
    positive,
    refused,
)
from bridge.config.tank import LevelTable, ShapeTable
from bridge.estimate.verdict import LIMIT_PPM
from bridge.guard.limits import Limits
from bridge.water import conductivity
from bridge.water.conductivity import LARGEST_LINEAR_PERCENT_PER_K, Compensation, Method
from bridge.water.measurement import DEFAULT_FACTOR, LARGEST_FACTOR, SMALLEST_FACTOR, MeasuringChain
from bridge.water.probe import ProbeSettings
from bridge.water.uncertainty import StandardUncertainties, WaterKind, for_water

_INPUTS = StandardUncertainties()
_PROBE = ProbeSettings()
_LIMITS = Limits()
"""Only for the defaults."""


class UncertaintyTable(Table):
    """``uncertainty``: the standard uncertainties (k = 1) of the inputs of a reading."""

    cell_constant_percent: float = from_zero(
        "that of the cell constant, in per cent", _INPUTS.cell_constant_percent
    )
    offset_us: float = from_zero("that of the offset with the leakage of the cable, in µS", _INPUTS.offset_us)
    lead_resistance_ohm: float = from_zero(
        "that of the resistance of both wires, in ohm", _INPUTS.lead_resistance_ohm
    )
    conductance_percent: float = from_zero(
        "that of the measured conductance, in per cent", _INPUTS.conductance_percent
    )
    conductance_step_us: float = from_zero(
        "one step of the measured conductance, in µS", _INPUTS.conductance_step_us
    )
    temperature_k: float = from_zero("that of the water temperature, in kelvin", _INPUTS.temperature_k)
    linear_percent_per_k: float = from_zero(
        "that of the coefficient of 'linear', in %/K", _INPUTS.linear_percent_per_k
    )
    method_percent_per_k: float | None = from_zero(
        "that of the compensation, in % for each K from 25 °C", unstated="that of the kind of water"
    )
    factor_percent: float = from_zero(
        "that of the factor, in per cent; 0 for a stated scale", _INPUTS.factor_percent
    )


class WatchTable(Table):
    """``watch``: the limits beyond which the probe is faulty."""

    over_range_us_cm: float = positive("the upper end of the probe's range in µS/cm", _PROBE.over_range_us_cm)
    floor_tolerance: float = from_zero(
        "how far below pure water a value may lie, as a fraction", _PROBE.floor_tolerance, lt=1
    )
    resolution_us_cm: float | None = from_zero(
        "one step of the reading in µS/cm", unstated="conductance_step_us times the cell constant"
    )
    lowest_c: float = Field(default=_PROBE.lowest_c, description="the lowest possible temperature, in °C")
    highest_c: float = Field(default=_PROBE.highest_c, description="the highest possible temperature, in °C")
    fault_codes_c: list[float] = Field(
        default=list(_PROBE.fault_codes_c),
        description="the temperatures that the sensor reports when it has failed, in °C",
    )
    frozen_after_s: float = positive(
        "after how long without any movement a value is frozen, in seconds", _PROBE.frozen_after_s
    )
    noise_fraction: float = positive(
        "the jump that counts as noise, as a fraction of the reading", _PROBE.noise_fraction
    )
    noise_us_cm: float = from_zero(
        "the jump that is too small to count as noise, in µS/cm", _PROBE.noise_us_cm
    )
    swapped_ratio: float = Field(
        default=_PROBE.swapped_ratio,
        ge=1,
        description="how many times the feed the product may read before they are swapped",
    )
    swapped_after_s: float = from_zero(
        "after how long that is a fault, in seconds; 0 for never", _PROBE.swapped_after_s
    )

    @model_validator(mode="after")
    def _rising(self) -> "WatchTable":
        if self.lowest_c >= self.highest_c:
            raise refused("lowest_c", self.lowest_c, f"must be below highest_c = {self.highest_c:g}")
        return self


class ProbeTable(Table):
    """``product``, ``feed`` or ``check_cell``: one conductivity cell with its temperature sensor."""

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
    method: Literal["natural", "pure", "linear", "off"] | None = optional(
        "how the reading is converted to 25 °C", "pure, and natural for the feed"
    )
    linear_percent_per_k: float = positive(
        "the coefficient of the method 'linear' in %/K", 2.0, le=LARGEST_LINEAR_PERCENT_PER_K
    )
    water: WaterKind | None = optional(
        "the kind of water, for the uncertainty of the compensation: 'exchange-product', 'permeate', "
        "'distilled', 'rain' or 'tap'",
        "that of the kind of cartridge, and tap for the feed",
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
        values["fault_codes_c"] = tuple(self.watch.fault_codes_c)
        step_us = self.uncertainty.conductance_step_us
        values.setdefault("resolution_us_cm", step_us * self.cell_constant_per_cm)
        return ProbeSettings(**values)


class PurifierTable(Table):
    """``purifier``: its feed, its flow and its drain valve."""

    drain_valve: bool = Field(default=False, description="true if a valve can send product to a drain")
    feed_ppm: float | None = positive(
        "the feed's dissolved solids in ppm on the reservoir's scale, if no cell measures them",
        unstated="not known",
    )
    litres_per_pulse: float | None = positive(
        "the litres for each pulse of the flow sensor: 1 divided by the pulses per litre on its label",
        unstated="no flow sensor",
    )
    flow_max_l_min: float = positive("the greatest flow of the purifier, in litres a minute", 6.0)


LARGEST_SURFACE_M2 = 1000.0
FILL_SHARE, DAILY_SHARE = 1.1, 2.0
"""Of the volume at the fill mark, and of the capacity."""
RISE_SHARE, RISE_STEPS = 0.025, 2.0
NO_RISE_SHARE, NO_RISE_STEPS = 0.005, 1.2
"""Of the capacity, and steps of the level sensor."""


class GuardTable(Table):
    """``guard``: the bounds. Those that follow from the capacity are the project's own rules of thumb."""

    limit_ppm: float = positive("the limit of the product in ppm on the reservoir's scale", LIMIT_PPM)
    target_ppm: float | None = positive(
        "the ppm from which product is only marginal", unstated=TARGET_UNSTATED
    )
    gross_ppm: float | None = positive(
        "the ppm at which the product trips without delay", unstated="twice limit_ppm"
    )
    reservoir_limit_ppm: float | None = positive(
        "the limit of the water in the reservoir, in ppm", unstated="limit_ppm"
    )
    persistence_s: float = positive(
        "how long an excess lasts until it causes a trip, in seconds", _LIMITS.persistence_s
    )
    excursions_max: int = Field(
        default=_LIMITS.excursions_max, ge=1, description="how many excesses within one fill cause a trip"
    )
    pause_s: float = positive("how long an interrupted fill waits, in seconds", _LIMITS.pause_s)
    rinse_min_s: float = positive("the shortest rinse, in seconds", _LIMITS.rinse_min_s)
    rinse_max_s: float = positive("the longest rinse, in seconds", _LIMITS.rinse_max_s)
    in_spec_s: float = positive(
        "how long product must be good before a rinse ends, in seconds", _LIMITS.in_spec_s
    )
    lease_s: float = Field(
        default=_LIMITS.lease_s,
        ge=2,
        le=30,
        description="for how long the valve may stay open without a renewal, in seconds",
    )
    stale_after_s: float = Field(
        default=_LIMITS.stale_after_s,
        ge=1,
        le=30,
        description="after how long a reading is too old, in seconds",
    )
    link_lost_after_s: float = positive(
        "after how long a silent controller causes a trip, in seconds", _LIMITS.link_lost_after_s
    )
    link_steady_s: float = positive(
        "how long the link must be steady before its trip can be reset, in seconds", _LIMITS.link_steady_s
    )
    probe_failure_after_s: float = positive(
        "after how long a failed probe causes a trip, in seconds", _LIMITS.probe_failure_after_s
    )
    level_failure_after_s: float = positive(
        "after how long an unknown level causes a trip, in seconds", _LIMITS.level_failure_after_s
    )
    temperature_low_c: float = Field(
        default=_LIMITS.temperature_low_c, description="the coldest water that may flow, in °C"
    )
    temperature_high_c: float = Field(
        default=_LIMITS.temperature_high_c, description="the warmest water that may flow, in °C"
    )
    fill_max_s: float = positive("how long a fill may last, in seconds", _LIMITS.fill_max_s)
    fill_max_l: float | None = positive(
        "the greatest volume of one fill, in litres",
        unstated=f"{FILL_SHARE:g} times the volume at the fill mark, enough for an empty reservoir",
    )
    daily_max_l: float | None = positive(
        "the greatest volume in 24 hours, in litres", unstated=f"{DAILY_SHARE:g} times the capacity"
    )
    no_rise_after_s: float = positive(
        "how long water may flow without a rise, in seconds", _LIMITS.no_rise_after_s
    )
    no_rise_l: float | None = positive(
        "the rise that the flow must cause in that time, in litres",
        unstated=f"{NO_RISE_SHARE:g} of the capacity, at least {NO_RISE_STEPS:g} steps of the level sensor",
    )
    settle_s: float = positive(
        "how long the level may move after the valve shut, in seconds", _LIMITS.settle_s
    )
    rise_closed_l: float | None = positive(
        "the rise that causes a trip with the valve shut, in litres",
        unstated=f"{RISE_SHARE:g} of the capacity, at least {RISE_STEPS:g} steps of the level sensor; no "
        "trip if rain falls in",
    )
    blocked_after_s: float = positive(
        "how long a pending fill may be blocked before an alarm, in seconds", _LIMITS.blocked_after_s
    )
    proof_test_days: float = positive(
        "after how many days the overflow float is tested by hand again", _LIMITS.proof_test_days
    )
    command_max_age_s: float = positive(
        "how old a command from the hub may be, in seconds", _LIMITS.command_max_age_s
    )
    shelve_max_minutes: float = positive(
        "how long an alarm may be shelved, in minutes", _LIMITS.shelve_max_minutes, le=1440
    )

    @model_validator(mode="after")
    def _rising(self) -> "GuardTable":
        check_target(self.target_ppm, self.limit_ppm)
        if self.gross_ppm is not None and self.gross_ppm < self.limit_ppm:
            raise refused("gross_ppm", self.gross_ppm, f"must be at least limit_ppm = {self.limit_ppm:g}")
        return self


class ReservoirTable(Table):
    """``[reservoir.<id>]``: one reservoir with its purifier and its controller."""

    port: str = Field(
        min_length=1,
        pattern=r"^[^\x00-\x1f]+$",
        description='the device path of the controller, such as "/dev/serial/by-id/..."',
    )
    name: str | None = optional("what people call the reservoir", "made from the id", min_length=1)
    controller_id: str | None = optional(
        "the id that the controller sends in its hello: no other controller may open the valve",
        "any controller on the port",
        pattern=r"^[A-Za-z0-9._+-]{1,24}$",
    )
    baud: int = Field(default=115200, ge=1200, le=1_000_000, description="the speed of the line in bit/s")
    factor: float = Field(
        default=DEFAULT_FACTOR,
        ge=SMALLEST_FACTOR,
        le=LARGEST_FACTOR,
        description="the scale of every ppm of this reservoir: ppm for each µS/cm at 25 °C, often 0.5 or 0.7",
    )
    assumed_ppm: float | None = from_zero(
        "the ppm of the reservoir until a sample is sent",
        unstated="the target, at most half of the reservoir's limit",
    )
    meter: str | None = optional(
        "the id of a table [meter.<id>]: the hand meter of readings that hub and page send",
        "a reading has its own uncertainty, or none",
        pattern=ID_PATTERN,
    )
    rain_ppm: float | None = from_zero(
        "the dissolved solids of rain that falls in, in ppm", unstated="no rain falls in"
    )
    open_surface_m2: float = from_zero(
        "the water surface that is open to the air, in m²: its evaporation leaves the solids behind; 0 for a "
        "covered reservoir",
        0.0,
        le=LARGEST_SURFACE_M2,
    )
    night_draw_percent: float | None = from_zero(
        "what plants draw by themselves in an hour of the night (21 to 6 o'clock), in per cent of an hour "
        "from 10 to 18 o'clock; 0 if nothing draws at night: a leak is then found from the first day on",
        unstated="not known",
        lt=100,
    )
    shape: ShapeTable = Field(
        description="a table with 'kind' (upright-cylinder, horizontal-cylinder, box, tapered-barrel or "
        "strapping-table) and the inside dimensions in metres"
    )
    level: LevelTable = Field(
        description="a table with 'sensor', or with 'low_switch' and 'full_switch', or with all of them"
    )
    product: ProbeTable = Field(description="the table of the product probe, with 'cell_constant_per_cm'")
    feed: ProbeTable | None = optional("the table of the feed probe, if one is fitted", "no feed probe")
    check_cell: ProbeTable | None = optional(
        "the table of a second cell in the product, on the channel of the feed probe", "no second cell"
    )
    purifier: PurifierTable = Field(default=PurifierTable(), description="a table about the purifier")
    cartridge: CartridgeTable | None = optional(
        "a table about the cartridge, membrane or distiller, for the forecast", "no forecast of its life"
    )
    guard: GuardTable = Field(default=GuardTable(), description="a table of bounds")
    modbus: ModbusTable | None = optional(
        "a table, if transmitters and relays on a Modbus line replace the controller", "a controller"
    )
