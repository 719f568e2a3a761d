"""What stands in the registers of a Modbus device, and what it means: the map, and its numbers.

Registers are 16 bits, high byte first (MODBUS Application Protocol Specification V1.1b3, section 4.2). Which
of two registers comes first in a 32-bit number the specification leaves open, so devices differ, and the map
says it. With the wrong order a number is still a number, and nearly always an impossible one: therefore every
quantity has a plausible range, and what lies outside it is no value.
"""

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum


class Function(Enum):
    """Which of a device's four tables."""

    INPUT = "input"
    """Input registers, function 4."""
    HOLDING = "holding"
    """Holding registers, function 3."""
    DISCRETE = "discrete"
    """Discrete inputs, function 2."""
    COIL = "coil"
    """Coils, function 1."""


class NumberType(Enum):
    """How a number is written."""

    UINT16 = "uint16"
    INT16 = "int16"
    UINT32 = "uint32"
    INT32 = "int32"
    FLOAT32 = "float32"

    @property
    def registers(self) -> int:
        """How many registers it takes."""
        return 2 if self in (NumberType.UINT32, NumberType.INT32, NumberType.FLOAT32) else 1


class WordOrder(Enum):
    """Which register of a 32-bit number comes first."""

    HIGH_FIRST = "high-first"
    LOW_FIRST = "low-first"

    @property
    def other(self) -> "WordOrder":
        return WordOrder.LOW_FIRST if self is WordOrder.HIGH_FIRST else WordOrder.HIGH_FIRST


_FORMATS = {
    NumberType.UINT16: ">H",
    NumberType.INT16: ">h",
    NumberType.UINT32: ">I",
    NumberType.INT32: ">i",
    NumberType.FLOAT32: ">f",
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number in one or two registers: where it is, how it is written, and what it stands for.

    The value is ``number * scale + offset``, in the unit that its user expects.
    """

    device: int
    function: Function
    register: int
    """The address as it is sent, from 0; a list that begins with 30001 or 40001 counts from there."""
    number: NumberType
    order: WordOrder
    scale: float
    offset: float
    lowest: float
    highest: float
    """Beyond these it is not a value of this quantity."""


@dataclass(frozen=True, slots=True)
class Switch:
    """A contact: one bit of a device."""

    device: int
    function: Function
    """COIL or DISCRETE."""
    register: int
    water_when: bool
    """The bit while water is there."""


@dataclass(frozen=True, slots=True)
class Relay:
    """The output that drives a valve."""

    device: int
    coil: int
    time_limit_register: int | None
    """A write of a time there switches the output on for that long, and then off by the module itself."""
    time_limit_step_s: float


@dataclass(frozen=True, slots=True)
class ModbusMap:
    """Everything on one line."""

    parity: str
    """``N``, ``E`` or ``O``."""
    stop_bits: int
    poll_s: float
    timeout_s: float
    conductivity: Quantity
    """In µS or µS/cm, as the cell constant of the reservoir makes of it."""
    temperature: Quantity
    feed_conductivity: Quantity | None
    feed_temperature: Quantity | None
    level: Quantity | None
    """As a fraction, 0 to 1."""
    low_switch: Switch | None
    full_switch: Switch | None
    overflow_float: Switch | None
    valve: Relay
    drain: Relay | None


def value(what: Quantity, registers: Sequence[int]) -> float | None:
    """The value in these registers; None where it is no number, or outside the plausible range."""
    words = list(registers)
    if len(words) != what.number.registers:
        return None
    if what.order is WordOrder.LOW_FIRST:
        words.reverse()
    (number,) = struct.unpack(_FORMATS[what.number], struct.pack(f">{len(words)}H", *words))
    result = float(number) * what.scale + what.offset
    return result if math.isfinite(result) and what.lowest <= result <= what.highest else None


def other_order_fits(what: Quantity, registers: Sequence[int]) -> bool:
    """Whether the registers mean nothing as they are mapped, and something with the words exchanged."""
    if what.number.registers == 1 or value(what, registers) is not None:
        return False
    return value(replace(what, order=what.order.other), registers) is not None
