"""The messages between controller and bridge, as values.

``firmware_notes/protocol.md`` has the text form of each message, field by field.
"""

from dataclasses import dataclass
from enum import Enum, IntFlag
from typing import Final

from bridge.guard.model import Flow


class BootReason(Enum):
    """The reason for a start of the controller."""

    POWER = "power"
    BROWNOUT = "brownout"
    WATCHDOG = "watchdog"
    RESET_PIN = "pin"
    SOFTWARE = "software"
    UNKNOWN = "unknown"


class Feature(IntFlag):
    """The parts fitted to the controller, as bits of the ``fit`` field."""

    NONE = 0
    DRAIN_VALVE = 1
    FEED_CELL = 2
    FLOW_PULSES = 4
    LEVEL_SENSOR = 8
    SWITCH_LOW = 16
    SWITCH_FULL = 32
    SWITCH_OVERFLOW = 64


class LocalFault(IntFlag):
    """Faults that the controller found, as bits of the ``err`` field."""

    NONE = 0
    SELF_TEST = 1
    """The self-test at the start failed."""
    CELL_RANGE = 2
    """The product cell is outside every measuring range."""
    TEMPERATURE_OPEN = 4
    TEMPERATURE_SHORT = 8
    LEVEL_SENSOR_OPEN = 16
    LEVEL_SENSOR_SHORT = 32
    OVERFLOW_CUT = 64
    """The overflow float has shut the valve in the controller, independently of the bridge."""
    LEASE_LAPSED = 128
    """A lease lapsed before it was renewed. The next lease clears this."""
    SUPPLY_LOW = 256


class Unmeasured(Enum):
    """A fitted input without a usable value: the controller sent ``?``, or a text that is not a number."""

    FAILED = "?"


FAILED: Final = Unmeasured.FAILED

Value = float | Unmeasured | None
"""A number; :data:`FAILED` for a fitted input without a usable value; None for an input not fitted."""


@dataclass(frozen=True, slots=True)
class Hello:
    """Controller to bridge, at the start and on request: its identity and the reason of its start."""

    sequence: int
    identity: str
    firmware: str
    boot: BootReason
    longest_lease_ms: int
    features: Feature
    product_step_us: Value = None
    """One step of the product conductance, µS, if it is coarser than the noise of the cell."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Controller to bridge, at a steady rate: all raw values of one measuring cycle."""

    sequence: int
    path: Flow
    product_us: Value = None
    """Conductance of the product cell, µS."""
    product_c: Value = None
    """Temperature at the product cell, °C."""
    feed_us: Value = None
    feed_c: Value = None
    level_sensor: Value = None
    """Fraction of the full electrical range of the level sensor, 0 to 1."""
    switch_low: bool | None = None
    """True while water covers the low switch; None if not fitted."""
    switch_full: bool | None = None
    switch_overflow: bool | None = None
    pulses: int | None = None
    """Flow pulses since the start of the controller. Wraps at 2**32."""
    faults: LocalFault = LocalFault.NONE


@dataclass(frozen=True, slots=True)
class Ack:
    """Controller to bridge: the command with this sequence number was executed."""

    sequence: int
    of: int
    path: Flow


@dataclass(frozen=True, slots=True)
class Refusal:
    """Controller to bridge: the command with this sequence number was not executed."""

    sequence: int
    of: int
    why: str


@dataclass(frozen=True, slots=True)
class Lease:
    """Bridge to controller: open the path to the reservoir or to the drain for this long at most."""

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
