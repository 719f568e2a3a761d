"""What is known of a reservoir and its purifier at one moment: the guard's only view of the world.

The closed sets of the guard: permissives, trips, alarms, phases.

The words are those of process safety (IEC 62682 / ANSI/ISA-18.2): a *permissive* must hold for
the valve to be open, a *trip* closes it and latches, the *first-out* is the trip that came first.
Each value is also the id in the log, on the hub and in the manual.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Final

from bridge.tank.level import Zone
from bridge.water.health import Health


class Permissive(Enum):
    """What must hold, all of it, for the valve to be open."""

    LINK_FRESH = "link-fresh"
    """A good frame arrived a moment ago."""
    PROBE_HEALTHY = "probe-healthy"
    """The product probe shows a value that can be trusted."""
    PRODUCT_IN_SPEC = "product-in-specification"
    """Product with its guard band is at or under the limit, or a bounded rinse runs."""
    TEMPERATURE_IN_RANGE = "temperature-in-range"
    LEVEL_KNOWN = "level-known"
    BELOW_FILL_MARK = "below-fill-mark"
    OVERFLOW_DOWN = "overflow-down"
    RESERVOIR_BUDGET = "reservoir-budget"
    """What is in the reservoir stays in specification with what may still flow in unseen."""
    FILL_TIME = "fill-time"
    FILL_VOLUME = "fill-volume"
    CONTROLLER_SOUND = "controller-sound"
    """The controller reports no fault of its own that forbids a fill."""
    NO_TRIP = "no-trip"
    NO_HOLD = "no-hold"


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


class Advisory(Enum):
    """An alarm that does not close the valve."""

    PRODUCT_OVER_TARGET = "product-over-target"
    PROBE_MAINTENANCE = "probe-maintenance"
    FEED_PROBE_FAILURE = "feed-probe-failure"
    RESERVOIR_LOW = "reservoir-low"
    CONTROLLER_RESTARTED = "controller-restarted"
    CONTROLLER_FAULT = "controller-fault"
    FRAMES_DAMAGED = "frames-damaged"
    FILL_BLOCKED = "fill-blocked"
    """A fill is due and a permissive has been missing for long."""
    TEMPERATURE_OUT_OF_RANGE = "temperature-out-of-range"
    LOG_TROUBLE = "log-trouble"
    """The log on disk cannot be written."""
    OUTBOX_FILLING = "outbox-filling"
    """The records that wait for the hub's log near their bound."""
    ORDER_CARTRIDGE = "order-cartridge"
    """By the forecast the purifier gives out within the time that a new cartridge takes to come."""
    LEAK_SUSPECTED = "leak-suspected"
    """The reservoir falls at night, too steadily for water that is taken."""


AlarmId = Trip | Advisory


class Phase(Enum):
    """Where the fill sequence stands."""

    IDLE = "idle"
    """No fill is due."""
    RINSE = "rinse"
    """Standing water leaves the purifier; bounded in time, and in volume when it goes to the reservoir."""
    FILL = "fill"
    PAUSE = "pause"
    """A fill was interrupted by a missing permissive and waits for it to return."""
    TRIPPED = "tripped"
    """At least one trip is latched."""


class Flow(Enum):
    """What the guard decides about the valve."""

    SHUT = "shut"
    TO_RESERVOIR = "fill"
    TO_DRAIN = "drain"


# For what runs with every reading: in Python 3.11 a member looked up on its enumeration costs six times as
# much as a name of the module.
REST: Final = Phase.IDLE
RINSE: Final = Phase.RINSE
FILL: Final = Phase.FILL
PAUSE: Final = Phase.PAUSE
TRIPPED: Final = Phase.TRIPPED
SHUT: Final = Flow.SHUT
TO_RESERVOIR: Final = Flow.TO_RESERVOIR
TO_DRAIN: Final = Flow.TO_DRAIN


@dataclass(frozen=True, slots=True)
class Assessment:
    """One moment's knowledge. None means not known, and not knowing is a reason to close.

    All ppm are on the scale that the limits are on; times are seconds of the same monotonic clock that
    :func:`bridge.guard.step.step` is given.
    """

    frame_at: float | None = None
    """When the newest good reading arrived."""
    product_ppm: float | None = None
    guard_band_ppm: float = 0.0
    """The expanded uncertainty of ``product_ppm``, added to it before it is compared."""
    probe: Health = Health.FAILURE
    temperature_c: float | None = None
    zone: Zone | None = None
    volume_l: float | None = None
    """The measured volume; None where only switches are fitted."""
    volume_at_least_l: float = 0.0
    """What the reservoir certainly holds, for the mixing budget."""
    overflow: bool | None = None
    """True while the overflow float is up."""
    reservoir_ppm: float | None = None
    """Dissolved solids of the reservoir by the mixing balance."""
    throughput_l: float | None = None
    """What has flowed in altogether, from flow pulses; never falls."""
    seen: Flow | None = None
    """What the controller says about its valves."""
    controller_fault: bool = False
    """The controller reports a fault of its own that forbids a fill."""
    advisories: frozenset[Advisory] = frozenset()
    """Conditions worth an alarm that do not concern the valve."""


def amended(seen: Assessment, found: frozenset[Advisory], controller_fault: bool) -> Assessment:
    """The assessment with more advisories, and with a fault of the controller if there is one."""
    # Written out, in the order of the fields, as in the guard's state.
    return Assessment(
        seen.frame_at, seen.product_ppm, seen.guard_band_ppm, seen.probe, seen.temperature_c,
        seen.zone, seen.volume_l, seen.volume_at_least_l, seen.overflow, seen.reservoir_ppm,
        seen.throughput_l, seen.seen, seen.controller_fault or controller_fault, seen.advisories | found,
    )  # fmt: skip
