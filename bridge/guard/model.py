"""The closed sets of the guard (permissives, trips, advisories, phases, flows), and the assessment.

The terms are those of process safety (IEC 62682 / ANSI/ISA-18.2). A *permissive* must hold for the valve to
be open. A *trip* closes the valve and latches. The *first-out* is the trip that came first. Each value is
also the id in the log, on the hub and in the manual.
"""

from dataclasses import dataclass, replace
from enum import Enum

from bridge.tank.level import Zone
from bridge.water.health import Health


class Permissive(Enum):
    """A condition for the valve to be open. Every one must hold."""

    LINK_FRESH = "link-fresh"
    """The newest good frame is fresh."""
    PROBE_HEALTHY = "probe-healthy"
    """The product probe gives a value that can be trusted."""
    PRODUCT_IN_SPEC = "product-in-specification"
    """The product with its guard band is under the limit, or a bounded rinse runs."""
    TEMPERATURE_IN_RANGE = "temperature-in-range"
    LEVEL_KNOWN = "level-known"
    BELOW_FILL_MARK = "below-fill-mark"
    OVERFLOW_DOWN = "overflow-down"
    RESERVOIR_BUDGET = "reservoir-budget"
    """The reservoir stays in specification, even with the water that may flow in before the next scan."""
    FILL_TIME = "fill-time"
    FILL_VOLUME = "fill-volume"
    CONTROLLER_SOUND = "controller-sound"
    """The controller reports no fault that forbids a fill."""
    NO_TRIP = "no-trip"
    NO_HOLD = "no-hold"
    PAUSE_OVER = "pause-over"
    """The pause after an interruption is over."""


class Trip(Enum):
    """A reason to close the valve that latches until its own reset rule is met."""

    PRODUCT_OVER_LIMIT = "product-over-limit"
    RESERVOIR_BUDGET = "reservoir-over-budget"
    FILL_OVER_TIME = "fill-over-time"
    FILL_OVER_VOLUME = "fill-over-volume"
    NO_RISE = "no-rise-while-open"
    RISE_WHILE_CLOSED = "rise-while-closed"
    OVERFLOW = "overflow"
    PROBE_FAILURE = "probe-failure"
    LEVEL_FAILURE = "level-failure"
    LINK_LOST = "link-lost"
    CONTROLLER_RESTARTS = "controller-restarts-at-opening"
    """The controller restarts each time the valve opens."""
    CELLS_DISAGREE = "cells-disagree"
    """The check cell and the product cell differ by more than their common uncertainty."""


class Advisory(Enum):
    """An alarm that does not close the valve."""

    PRODUCT_OVER_TARGET = "product-over-target"
    PROBE_MAINTENANCE = "probe-maintenance"
    CELL_DOUBTFUL = "cell-doubtful"
    """The product cell behaves as a sound one does not, by the watch over it."""
    CALIBRATION_DUE = "calibration-due"
    """The interval at the limit has become wide, or the calibration is older than a season."""
    PROOF_TEST_DUE = "proof-test-due"
    """Nobody has lifted the overflow float for a season."""
    FEED_PROBE_FAILURE = "feed-probe-failure"
    FLOW_METER_FAILURE = "flow-meter-failure"
    """The flow meter counted more than can flow."""
    RESERVOIR_LOW = "reservoir-low"
    CONTROLLER_RESTARTED = "controller-restarted"
    CONTROLLER_EXCHANGED = "controller-exchanged"
    """Another board than before, or than the configured one, is on the line."""
    CONTROLLER_FAULT = "controller-fault"
    FRAMES_DAMAGED = "frames-damaged"
    FILL_BLOCKED = "fill-blocked"
    """A fill is pending, and a permissive has been missing for a long time."""
    TEMPERATURE_OUT_OF_RANGE = "temperature-out-of-range"
    LOG_TROUBLE = "log-trouble"
    """The log on disk cannot be written."""
    OUTBOX_FILLING = "outbox-filling"
    """The outbox of records for the hub's log is nearly full."""
    ORDER_CARTRIDGE = "order-cartridge"
    """The purifier is forecast to be exhausted within the delivery time of a new cartridge."""
    LEAK_SUSPECTED = "leak-suspected"
    """The level falls at night, too steadily to be use."""
    COVER_SHORT = "cover-short"
    """No fill can start, and the water lasts only a short time, or not until the people are back."""
    FROST = "frost"
    """The water in a line or in the cell may freeze."""


AlarmId = Trip | Advisory


class Phase(Enum):
    """A phase of the fill sequence."""

    IDLE = "idle"
    """No fill is pending."""
    RINSE = "rinse"
    """Standing water is flushed out. Bounded in time, and in volume if it goes to the reservoir."""
    FILL = "fill"
    PAUSE = "pause"
    """A missing permissive interrupted the fill. The fill resumes once every permissive holds."""
    TRIPPED = "tripped"
    """At least one trip is latched."""


class Flow(Enum):
    """Where product water goes, one way at a time: as the guard decides, and as the controller drives.

    The values are the words on the wire.
    """

    SHUT = "shut"
    """Nowhere: every valve is shut."""
    TO_RESERVOIR = "fill"
    TO_DRAIN = "drain"
    """To the drain, to rinse the purifier; only on rigs with a drain valve."""


@dataclass(frozen=True, slots=True)
class Assessment:
    """Everything known at one scan. None means not known, and an unknown value closes the valve.

    All ppm are on the scale of the limits. Times are seconds of the monotonic clock that
    :func:`bridge.guard.step.step` receives.
    """

    frame_at: float | None = None
    """Arrival time of the newest good reading."""
    product_ppm: float | None = None
    guard_band_ppm: float = 0.0
    """Expanded uncertainty of ``product_ppm``, added to it before each comparison."""
    probe: Health = Health.FAILURE
    temperature_c: float | None = None
    zone: Zone | None = None
    volume_l: float | None = None
    """The measured volume. None if only switches are fitted."""
    volume_at_least_l: float = 0.0
    """The volume that the reservoir holds at least, for the mixing budget."""
    overflow: bool | None = None
    """True while the overflow float is up."""
    reservoir_ppm: float | None = None
    """Dissolved solids of the reservoir by its estimate, on the safe side of it."""
    throughput_l: float | None = None
    """Total inflow, counted from flow pulses. Never falls."""
    seen: Flow | None = None
    """The valve position that the controller reports."""
    controller_fault: bool = False
    """True if the controller reports a fault that forbids a fill."""
    restarts_at_opening: bool = False
    """True if the controller has restarted at too many openings in a row."""
    cells_disagree: bool = False
    """True if the check cell and the product cell disagree in flowing product."""
    advisories: frozenset[Advisory] = frozenset()
    """Conditions that raise an alarm and leave the valve as it is."""


def amended(
    seen: Assessment, found: frozenset[Advisory], controller_fault: bool, restarts_at_opening: bool = False
) -> Assessment:
    """Return the assessment with more advisories, and with the controller's faults if there are any."""
    return replace(
        seen,
        controller_fault=seen.controller_fault or controller_fault,
        restarts_at_opening=restarts_at_opening,
        advisories=seen.advisories | found,
    )
