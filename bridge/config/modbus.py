"""The table ``modbus`` of a reservoir: transmitters and relays on a Modbus RTU line, not a controller."""

from typing import Literal

from pydantic import Field, model_validator

from bridge.config.tables import Table, optional, positive, refused
from bridge.protocol.registers import (
    Function,
    ModbusMap,
    NumberType,
    Quantity,
    Relay,
    Switch,
    WordOrder,
)
from bridge.units import TEMPERATURE

CANNOT_PROMISE = (
    "a relay without a time limit of its own stays as it was last switched: if this computer, its program "
    "or the cable fails while water flows, nothing shuts the valve but the overflow float in series with it"
)
"""The risk of a plain relay, as part of a sentence."""

_DEVICE = "the device's address on the line, 1 to 247"
_REGISTER = (
    "the address as it is sent, from 0 to 65535 (a list that begins with 30001 or 40001 counts from there)"
)


def _device() -> int:
    field: int = Field(ge=1, le=247, description=_DEVICE)
    return field


def _register() -> int:
    field: int = Field(ge=0, le=65535, description=_REGISTER)
    return field


class _NumberTable(Table):
    device: int = _device()
    function: Literal["input", "holding"] = Field(
        description="'input' (function 4) or 'holding' (function 3)"
    )
    address: int = _register()
    type: Literal["uint16", "int16", "uint32", "int32", "float32"] = Field(
        description="'uint16', 'int16', 'uint32', 'int32' or 'float32'"
    )
    word_order: Literal["high-first", "low-first"] = Field(
        default="high-first", description="which register of a 32-bit number comes first"
    )
    scale: float = Field(default=1.0, description="what the number is multiplied by, such as 0.01; not 0")

    def quantity(self, scale: float, offset: float, lowest: float, highest: float) -> Quantity:
        """Make the quantity that is read from these registers."""
        return Quantity(
            device=self.device,
            function=Function(self.function),
            register=self.address,
            number=NumberType(self.type),
            order=WordOrder(self.word_order),
            scale=scale,
            offset=offset,
            lowest=lowest,
            highest=highest,
        )

    @model_validator(mode="after")
    def _scaled(self) -> "_NumberTable":
        if self.scale == 0.0:
            raise refused("scale", self.scale, "must not be 0")
        return self


class ConductivityTable(_NumberTable):
    """A conductivity transmitter, with its own temperature correction switched off."""

    unit: Literal["uS", "mS"] = Field(
        default="uS",
        description="'uS' for µS or µS/cm, 'mS' for mS or mS/cm; with µS/cm the cell_constant_per_cm is 1",
    )
    lowest_us: float = positive("the least that it can show, in µS", 0.01)
    highest_us: float = positive("the most that it can show, in µS", 100_000.0)

    def core(self) -> Quantity:
        """Make the conductance in µS."""
        scale = self.scale * (1000.0 if self.unit == "mS" else 1.0)
        return self.quantity(scale, 0.0, self.lowest_us, self.highest_us)


class TemperatureTable(_NumberTable):
    """A temperature transmitter."""

    unit: Literal["C", "F"] = Field(default="C", description="'C' or 'F'")

    def core(self) -> Quantity:
        """Make the temperature in °C."""
        unit = TEMPERATURE.unit(self.unit)
        return self.quantity(self.scale * unit.factor, unit.to_base(0.0), -20.0, 90.0)


class TransmitterLevelTable(_NumberTable):
    """A level transmitter; ``level.sensor.table`` converts its fractions to metres."""

    at_zero: float = Field(default=0.0, description="the scaled number of the fraction 0")
    at_one: float = Field(description="the scaled number of the fraction 1")

    @model_validator(mode="after")
    def _apart(self) -> "TransmitterLevelTable":
        if self.at_one == self.at_zero:
            raise refused("at_one", self.at_one, "must differ from at_zero")
        return self

    def core(self) -> Quantity:
        """Make the level as a fraction."""
        span = self.at_one - self.at_zero
        return self.quantity(self.scale / span, -self.at_zero / span, -0.05, 1.05)


class SwitchTable(Table):
    """A float switch on a digital input."""

    device: int = _device()
    function: Literal["discrete", "coil"] = Field(
        default="discrete", description="'discrete' (function 2) or 'coil' (function 1)"
    )
    address: int = _register()
    water_when: bool = Field(default=True, description="the bit while the switch is in water, true or false")

    def core(self) -> Switch:
        """Make the switch."""
        return Switch(self.device, Function(self.function), self.address, self.water_when)


class RelayTable(Table):
    """A relay that drives a valve."""

    device: int = _device()
    coil: int = _register()
    time_limit_register: int | None = optional(
        "the holding register for the time in which the output stays on; each write starts that time again, "
        "and the module itself switches off at its end",
        "none; then relay_without_time_limit must be true",
        ge=0,
        le=65535,
    )
    time_limit_step_s: float = positive("the unit of that time, in seconds, such as 0.1", 1.0)
    relay_without_time_limit: bool = Field(
        default=False, description="true accepts the risk of a plain relay"
    )

    @model_validator(mode="after")
    def _promised(self) -> "RelayTable":
        if self.time_limit_register is None and not self.relay_without_time_limit:
            raise refused(
                "relay_without_time_limit",
                False,
                f"must be true if there is no time_limit_register, because {CANNOT_PROMISE}; a module that "
                "limits the time by itself is better",
            )
        return self

    def core(self) -> Relay:
        """Make the relay."""
        return Relay(self.device, self.coil, self.time_limit_register, self.time_limit_step_s)


class ModbusTable(Table):
    """``[reservoir.<id>.modbus]``: the line and the devices on it."""

    parity: Literal["none", "even", "odd"] = Field(default="none", description="'none', 'even' or 'odd'")
    stop_bits: Literal[1, 2] = Field(default=1, description="1 or 2")
    poll_s: float = Field(
        default=0.5, ge=0.05, le=1.0, description="how often all registers are read, in seconds"
    )
    timeout_s: float = Field(
        default=0.2,
        ge=0.02,
        le=0.5,
        description="how long a reply may take, in seconds; a close may have to wait for it",
    )
    conductivity: ConductivityTable = Field(
        description="a table: the registers of the product's conductivity"
    )
    temperature: TemperatureTable = Field(description="a table: the registers of the product's temperature")
    feed_conductivity: ConductivityTable | None = optional(
        "a table: the registers of the feed's conductivity, if it is measured", "not measured"
    )
    feed_temperature: TemperatureTable | None = optional(
        "a table: the registers of the feed's temperature, if it is measured", "not measured"
    )
    level: TransmitterLevelTable | None = optional(
        "a table: the registers of a level transmitter, if there is one", "no transmitter"
    )
    low_switch: SwitchTable | None = optional("a table: the low switch, if there is one", "no switch")
    full_switch: SwitchTable | None = optional("a table: the full switch, if there is one", "no switch")
    overflow_float: SwitchTable | None = optional(
        "a table: the overflow float, if its state can be read", "its state is not read"
    )
    valve: RelayTable = Field(description="a table: the relay of the fill valve")
    drain: RelayTable | None = optional("a table: the relay of the drain valve", "no drain valve")

    def core(self) -> ModbusMap:
        """Make the map of the line."""
        return ModbusMap(
            parity=self.parity[0].upper(),
            stop_bits=self.stop_bits,
            poll_s=self.poll_s,
            timeout_s=self.timeout_s,
            conductivity=self.conductivity.core(),
            temperature=self.temperature.core(),
            feed_conductivity=None if self.feed_conductivity is None else self.feed_conductivity.core(),
            feed_temperature=None if self.feed_temperature is None else self.feed_temperature.core(),
            level=None if self.level is None else self.level.core(),
            low_switch=None if self.low_switch is None else self.low_switch.core(),
            full_switch=None if self.full_switch is None else self.full_switch.core(),
            overflow_float=None if self.overflow_float is None else self.overflow_float.core(),
            valve=self.valve.core(),
            drain=None if self.drain is None else self.drain.core(),
        )
