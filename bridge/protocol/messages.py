"""What the two ends of the line say to each other, as values.

The text form of each message, field by field, is in ``firmware_notes/protocol.md``.
"""

from dataclasses import dataclass
from enum import Enum, IntFlag
from typing import Final

from bridge.guard.model import Flow


class BootReason(Enum):
    """Why the controller started."""

    POWER = "power"
    BROWNOUT = "brownout"
    WATCHDOG = "watchdog"
    RESET_PIN = "pin"
    SOFTWARE = "software"
    UNKNOWN = "unknown"


class Feature(IntFlag):
    """What is fitted to the controller, as bits of the ``fit`` field."""

    NONE = 0
    DRAIN_VALVE = 1
    FEED_CELL = 2
    FLOW_PULSES = 4
    LEVEL_SENSOR = 8
    SWITCH_LOW = 16
    SWITCH_FULL = 32
    SWITCH_OVERFLOW = 64


class LocalFault(IntFlag):
    """Faults the controller found by itself, as bits of the ``err`` field."""

    NONE = 0
    SELF_TEST = 1
    """The self-test at boot failed."""
    CELL_RANGE = 2
    """The product cell is outside every measuring range."""
    TEMPERATURE_OPEN = 4
    TEMPERATURE_SHORT = 8
    LEVEL_SENSOR_OPEN = 16
    LEVEL_SENSOR_SHORT = 32
    OVERFLOW_CUT = 64
    """The overflow float has closed the valve here, whatever the bridge says."""
    LEASE_LAPSED = 128
    """A lease ran out before it was renewed; cleared by the next lease."""
    SUPPLY_LOW = 256


class Unmeasured(Enum):
    """A fitted input that gave no value: the controller said so, or what it sent is no number."""

    FAILED = "?"


FAILED: Final = Unmeasured.FAILED

Value = float | Unmeasured | None
"""A number; :data:`FAILED` for a fitted input without a usable value; None for an input not fitted."""


@dataclass(frozen=True, slots=True)
class Hello:
    """Controller to bridge, at boot and when asked: who it is and why it started."""

    sequence: int
    identity: str
    firmware: str
    boot: BootReason
    longest_lease_ms: int
    features: Feature


@dataclass(frozen=True, slots=True)
class Reading:
    """Controller to bridge, at a steady rate: everything measured in one cycle, raw."""

    sequence: int
    path: Flow
    product_us: Value = None
    """Conductance of the product cell, µS."""
    product_c: Value = None
    """Temperature at the product cell, °C."""
    feed_us: Value = None
    feed_c: Value = None
    level_sensor: Value = None
    """Level sensor as a fraction of its full electrical range, 0 to 1."""
    switch_low: bool | None = None
    """True while water covers the low switch; None when not fitted."""
    switch_full: bool | None = None
    switch_overflow: bool | None = None
    pulses: int | None = None
    """Flow pulses since boot, wrapping at 2**32."""
    faults: LocalFault = LocalFault.NONE


@dataclass(frozen=True, slots=True)
class Ack:
    """Controller to bridge: the command with this sequence number was carried out."""

    sequence: int
    of: int
    path: Flow


@dataclass(frozen=True, slots=True)
class Refusal:
    """Controller to bridge: the command with this sequence number was not carried out."""

    sequence: int
    of: int
    why: str


@dataclass(frozen=True, slots=True)
class Lease:
    """Bridge to controller: let water into the reservoir, or to the drain, for this long at most."""

    sequence: int
    path: Flow
    """To the reservoir or to the drain."""
    duration_ms: int


@dataclass(frozen=True, slots=True)
class Close:
    """Bridge to controller: shut every valve now."""

    sequence: int


@dataclass(frozen=True, slots=True)
class Identify:
    """Bridge to controller: send a hello."""

    sequence: int


FromController = Hello | Reading | Ack | Refusal
FromBridge = Lease | Close | Identify
