"""The faults of a simulated rig: a closed set, each with its time window. Core.

A fault is written ``NAME@SECONDS`` (until the end) or ``NAME@SECONDS+DURATION``; both numbers are
world seconds since the start, the same seconds that the truth shows.
"""

import difflib
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from bridge.errors import InputError


class FaultName(StrEnum):
    """The name of a fault. ``probe`` is the product cell, ``float`` the level sensor or the switches."""

    PROBE_STUCK = "probe-stuck"
    """The product conductance stays at its last value, digit for digit."""
    PROBE_DRIFT = "probe-drift"
    """The product cell loses 1 % of its present reading each hour at severity 1."""
    PROBE_NOISY = "probe-noisy"
    """The product conductance jumps by some 30 % at severity 1."""
    PROBE_DRY = "probe-dry"
    """The product cell is in air and does not conduct."""
    PROBE_SHORTED = "probe-shorted"
    """The product cell conducts more than the widest range can show."""
    PROBES_SWAPPED = "probes-swapped"
    """The plugs of product and feed cell are swapped."""
    FEED_PROBE_DRY = "feed-probe-dry"
    TEMPERATURE_OPEN = "temperature-open"
    """The product temperature sensor is disconnected."""
    TEMPERATURE_SHORTED = "temperature-shorted"
    FLOAT_STUCK = "float-stuck"
    """The level stays at its last reading: the level sensor, or the low and full switch without one."""
    FLOATS_CONTRADICT = "floats-contradict"
    """The full switch is wet and the low switch dry; without those the level sensor reads upside down."""
    LEVEL_SENSOR_OPEN = "level-sensor-open"
    LEVEL_SENSOR_SHORTED = "level-sensor-shorted"
    OVERFLOW_FLOAT_UP = "overflow-float-up"
    """The overflow float is stuck up."""
    OVERFLOW_FLOAT_DOWN = "overflow-float-down"
    """The overflow float never rises."""
    VALVE_STUCK_OPEN = "valve-stuck-open"
    """The fill valve lets water through, driven or not."""
    VALVE_STUCK_CLOSED = "valve-stuck-closed"
    VALVE_LEAKING = "valve-leaking"
    """The closed fill valve drips into the reservoir."""
    SUPPLY_OFF = "supply-off"
    """No feed water."""
    HOSE_BURST = "hose-burst"
    """The hose from the purifier to the reservoir is off, so the product runs onto the floor."""
    VOLTAGE_LOW = "voltage-low"
    """The controller's supply is too low to hold the valve."""
    CONTROLLER_RESET = "controller-reset"
    """The controller is held in reset for the duration (one second by default), then boots."""
    SELF_TEST_FAILED = "self-test-failed"
    """The controller restarts and its self-test fails; only a later reset after the end clears it."""
    LINK_NOISE = "link-noise"
    """One byte in 200 is damaged at severity 1, both ways."""
    LINK_CUT = "link-cut"
    """Nothing gets through, either way."""
    LINK_LAG = "link-lag"
    """Everything arrives 2 seconds late at severity 1, both ways."""
    PURIFIER_EXHAUSTED = "purifier-exhausted"
    """The bed breaks through far below its capacity; a new cartridge ends the fault."""
    PURIFIER_SLIPPING = "purifier-slipping"
    """A slow breakthrough: each hour 0.05 % more of the feed passes; a new cartridge ends the fault."""
    PROBE_HALF_WET = "probe-half-wet"
    """Air covers half of the product cell at severity 1, and its bubbles move."""
    PROBE_SCALED = "probe-scaled"
    """Scale grows on the product cell: each hour 10 ohms more in series with the water at severity 1."""
    PROBE_MAINS_NOISE = "probe-mains-noise"
    """Mains pick-up beats with the sampling: the product swings by 0.2 µS and 2 % at severity 1."""
    LEVEL_DITHER = "level-dither"
    """The level sensor's reading moves at random within 0.5 % of its range."""
    FLOAT_HYSTERESIS = "float-hysteresis"
    """The level sensor's float follows the water 15 mm late at severity 1, up and down."""
    CONTROLLER_CLOCK_SLOW = "controller-clock-slow"
    """The controller's seconds are 2 % too long at severity 1, and at most 2.5 %, where the line ends."""


LATEST_S = 1e10
"""Latest start of a fault, about three centuries: far beyond it a float cannot resolve seconds."""
_MOMENT_S = 1.0
_MOMENTARY = frozenset({FaultName.CONTROLLER_RESET})
DISTURBANCES = frozenset(
    {
        FaultName.PROBE_HALF_WET,
        FaultName.PROBE_SCALED,
        FaultName.PROBE_MAINS_NOISE,
        FaultName.LEVEL_DITHER,
        FaultName.FLOAT_HYSTERESIS,
        FaultName.CONTROLLER_CLOCK_SLOW,
    }
)
"""Faults of degree, each a weaker form of another fault. Their sizes are common practice, no source."""
PAIRED = tuple(name for name in FaultName if name not in DISTURBANCES)
"""The faults of pairs and triples: a pair with a disturbance is a weaker form of one of theirs."""
CURED_BY_CARTRIDGE = frozenset({FaultName.PURIFIER_EXHAUSTED, FaultName.PURIFIER_SLIPPING})
"""Faults that a new cartridge ends."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: active from ``start_s`` until before ``end_s``."""

    name: FaultName
    start_s: float
    end_s: float = math.inf
    severity: float = 1.0
    """Scales the effect of faults that have a size."""


def parse_fault(text: str) -> Fault:
    """Parse ``NAME@SECONDS`` or ``NAME@SECONDS+DURATION``.

    Args:
        text: The fault as written by a person.

    Returns:
        The fault.

    Raises:
        InputError: The form is wrong, the name is unknown (the message lists the right ones), the start is
            negative or the duration is not positive.
    """
    name, at, times = text.strip().partition("@")
    try:
        fault_name = FaultName(name.strip())
    except ValueError:
        known = [member.value for member in FaultName]
        near = difflib.get_close_matches(name, known, n=1)
        hint = f" (did you mean {near[0]}?)" if near else ""
        raise InputError(
            f"fault {text!r}: there is no fault {name!r}{hint}; the faults are {', '.join(known)}"
        ) from None
    start, plus, duration = times.partition("+")
    start_s = _number(start)
    if not at or start_s is None or not 0.0 <= start_s <= LATEST_S:
        raise InputError(
            f"fault {text!r}: the form is NAME@SECONDS or NAME@SECONDS+DURATION with SECONDS from 0 to "
            f"{LATEST_S:.0e}, for example {fault_name.value}@120+30"
        )
    if not plus:
        end_s = start_s + _MOMENT_S if fault_name in _MOMENTARY else math.inf
        return Fault(fault_name, start_s, end_s)
    duration_s = _number(duration)
    if duration_s is None or not start_s < start_s + duration_s:
        raise InputError(
            f"fault {text!r}: the duration {duration!r} must be a number of seconds large enough to end "
            "after the start"
        )
    return Fault(fault_name, start_s, start_s + duration_s)


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


class FaultPlan:
    """The planned faults, those active now, and the time of the next change; mutable."""

    def __init__(self, faults: Iterable[Fault] = ()) -> None:
        """Start at time 0 with these faults planned."""
        self._faults = list(faults)
        self.active: dict[FaultName, Fault] = {}
        """The faults that are active at the time last given to :meth:`update`."""
        self.next_change_s = math.inf
        """The first later moment at which a fault starts or ends."""
        self.update(0.0)

    def add(self, fault: Fault, time_s: float) -> None:
        """Plan one more fault; one whose start has passed begins at once."""
        self._faults.append(fault)
        self.update(time_s)

    def end(self, names: frozenset[FaultName], time_s: float) -> None:
        """End the active faults with these names; later ones stay planned."""
        self._faults = [
            replace(fault, end_s=time_s) if fault.name in names and fault.start_s <= time_s else fault
            for fault in self._faults
        ]
        self.update(time_s)

    def update(self, time_s: float) -> None:
        """Move the time on to ``time_s``."""
        self._faults = [fault for fault in self._faults if fault.end_s > time_s]
        self.active = {fault.name: fault for fault in self._faults if fault.start_s <= time_s}
        moments = [fault.end_s if fault.start_s <= time_s else fault.start_s for fault in self._faults]
        self.next_change_s = min(moments, default=math.inf)

    def severity(self, name: FaultName) -> float:
        """Return the severity of an active fault, 0 for one that is not active."""
        fault = self.active.get(name)
        return 0.0 if fault is None else fault.severity
