"""The register map of a Modbus line, and the numbers in the registers.

Registers have 16 bits, high byte first (MODBUS Application Protocol Specification V1.1b3, section 4.2). The
specification does not define the order of the two registers of a 32-bit number. Devices differ, so the map
has the order. A number with the wrong order is nearly always an impossible value. So every quantity has a
plausible range, and a number outside it is not a value.
"""

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum


class Function(Enum):
    """One of the four tables of a device."""

    INPUT = "input"
    """Input registers, function 4."""
    HOLDING = "holding"
    """Holding registers, function 3."""
    DISCRETE = "discrete"
    """Discrete inputs, function 2."""
    COIL = "coil"
    """Coils, function 1."""


class NumberType(Enum):
    """The format of a number."""

    UINT16 = "uint16"
    INT16 = "int16"
    UINT32 = "uint32"
    INT32 = "int32"
    FLOAT32 = "float32"

    @property
    def registers(self) -> int:
        """The number of registers of a number."""
        return 2 if self in (NumberType.UINT32, NumberType.INT32, NumberType.FLOAT32) else 1


class WordOrder(Enum):
    """The order of the two registers of a 32-bit number."""

    HIGH_FIRST = "high-first"
    LOW_FIRST = "low-first"

    @property
    def other(self) -> "WordOrder":
        """The other order."""
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
    """A number in one or two registers: its address, its format, its scale and its range.

    The value is ``number * scale + offset``, in the unit of its user.
    """

    device: int
    function: Function
    register: int
    """The address as sent, from 0. In a list that starts at 30001 or 40001, subtract that number."""
    number: NumberType
    order: WordOrder
    scale: float
    offset: float
    lowest: float
    highest: float
    """A number outside ``lowest`` to ``highest`` is not a value."""


@dataclass(frozen=True, slots=True)
class Switch:
    """A contact: one bit of a device."""

    device: int
    function: Function
    """COIL or DISCRETE."""
    register: int
    water_when: bool
    """The bit while the switch is wet."""


@dataclass(frozen=True, slots=True)
class Relay:
    """The output that drives a valve."""

    device: int
    coil: int
    time_limit_register: int | None
    """A time written here switches the output on for that time. Then the module switches it off."""
    time_limit_step_s: float


@dataclass(frozen=True, slots=True)
class ModbusMap:
    """The devices and registers of one line."""

    parity: str
    """``N``, ``E`` or ``O``."""
    stop_bits: int
    poll_s: float
    timeout_s: float
    conductivity: Quantity
    """In µS or µS/cm, depending on the cell constant of the reservoir."""
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


def value(quantity: Quantity, registers: Sequence[int]) -> float | None:
    """Return the value in these registers, or None if it is not a number in the plausible range."""
    ordered = list(registers)
    if len(ordered) != quantity.number.registers:
        return None
    if quantity.order is WordOrder.LOW_FIRST:
        ordered.reverse()
    (number,) = struct.unpack(_FORMATS[quantity.number], struct.pack(f">{len(ordered)}H", *ordered))
    result = float(number) * quantity.scale + quantity.offset
    return result if math.isfinite(result) and quantity.lowest <= result <= quantity.highest else None


def other_order_fits(quantity: Quantity, registers: Sequence[int]) -> bool:
    """Return whether the registers give a value only with the other word order."""
    if quantity.number.registers == 1 or value(quantity, registers) is not None:
        return False
    return value(replace(quantity, order=quantity.order.other), registers) is not None
