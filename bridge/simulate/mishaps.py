"""Draws the mishaps of a campaign from its seed.

The events of a year are drawn before the year begins: faults, power cuts, clock steps, commands. Most months
are calm: a fault begins every few days and lasts until somebody repairs it. The second of every six months is
brutal: ten faults a day overlap and last from seconds to hours, the power is cut twice a day, and somebody at
the hub sends every command. Each kind of happening has its own random generator, so that one more of one kind
does not move the others.
"""

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from bridge.guard.commands import GuardCommand
from bridge.rig.faults import DISTURBANCES, PAIRED, Fault, FaultName

MONTH_S = 30.0 * 86_400.0
_HOUR_S = 3600.0
_DAY_S = 86_400.0


class Happening(Enum):
    """An event at the bridge, its machine, its broker or its reservoir that is no fault of the rig."""

    POWER_CUT = "power-cut"
    """The bridge's machine loses its power. At most the last minute of the counters is lost."""
    KILLED = "bridge-killed"
    """The process is killed and started again within seconds."""
    BROKER_GONE = "broker-gone"
    CLOCK_STEP = "clock-step"
    DISK_FULL = "disk-full"
    DRAW = "draw-off"
    """Somebody uses much water, so that a fill is due."""
    CALIBRATED = "calibration"
    """The grower calibrates the product cell, and starts the bridge again."""
    COMMAND = "command"
    """Somebody at the hub sends a command. The command is drawn when it is sent."""


@dataclass(frozen=True, slots=True)
class Event:
    """One event, at world seconds ``at_s``."""

    at_s: float
    fault: Fault | None = None
    """The fault, with times that count from its start."""
    happening: Happening | None = None
    size: float = 0.0
    """The duration or the clock step in seconds, or the draw-off in litres."""
    command: Callable[[float], GuardCommand] | None = None
    """Returns a person's command for the present time of the bridge's monotonic clock."""

    @property
    def is_any(self) -> bool:
        """Whether anything happens. An event without a happening only ends a step at its time."""
        return self.fault is not None or self.happening is not None or self.command is not None


_MOMENTARY_S = (1.0, 15.0)
_SELF_HEALING = frozenset(
    {
        FaultName.LINK_NOISE,
        FaultName.LINK_CUT,
        FaultName.LINK_LAG,
        FaultName.VOLTAGE_LOW,
        FaultName.PROBE_NOISY,
        FaultName.PROBE_MAINS_NOISE,
        FaultName.LEVEL_DITHER,
    }
)
_ON_THE_LINE = frozenset({FaultName.LINK_NOISE, FaultName.LINK_LAG})
"""These faults force steps of one second for as long as they last."""
CELL_FAULTS = frozenset(name for name in FaultName if name.value.startswith(("probe", "temperature")))
"""The faults of the product cell and its thermometer."""
_ONLY_IN_FLOW = frozenset(
    {
        FaultName.PROBE_STUCK,
        FaultName.PROBES_SWAPPED,
        FaultName.FLOAT_STUCK,
        FaultName.VALVE_STUCK_CLOSED,
        FaultName.SUPPLY_OFF,
        FaultName.HOSE_BURST,
        FaultName.PURIFIER_EXHAUSTED,
        FaultName.PURIFIER_SLIPPING,
    }
)
_MET_BY_A_FILL = {False: 0.5, True: 0.1}
"""The probability of a draw-off during the fault, by whether the month is brutal."""
_A_FILL_L = 110.0


def is_brutal(at_s: float) -> bool:
    """Return whether a time lies in a brutal month."""
    return int(at_s // MONTH_S) % 6 == 1


def events_of(seed: str, seconds: float, begins_s: float = 0.0) -> list[Event]:
    """Return the events of a span in order of time.

    Args:
        seed: The seed of the span.
        seconds: The length of the span.
        begins_s: The seconds from the start of the first month to the start of the span.

    Returns:
        The events, with times that count from the start of the span.
    """
    return [
        replace(event, at_s=event.at_s - begins_s) for event in _drawn(seed, begins_s, begins_s + seconds)
    ]


def _drawn(seed: str, begins_s: float, ends_s: float) -> list[Event]:
    found = _faults(random.Random(f"{seed}/faults"), begins_s, ends_s, PAIRED, 4.0 * _DAY_S, 2.5 * _HOUR_S)
    slight = tuple(name for name in FaultName if name in DISTURBANCES)
    chance = random.Random(f"{seed}/disturbances")
    found += _faults(chance, begins_s, ends_s, slight, 16.0 * _DAY_S, 12.0 * _HOUR_S)
    ways = (
        # The mean interval in a calm month and in a brutal month, and the range of sizes.
        (Happening.POWER_CUT, 40 * _DAY_S, 12 * _HOUR_S, (5.0, 6 * _HOUR_S)),
        (Happening.KILLED, 30 * _DAY_S, 8 * _HOUR_S, (0.3, 10.0)),
        (Happening.BROKER_GONE, 15 * _DAY_S, 12 * _HOUR_S, (60.0, _DAY_S)),
        (Happening.CLOCK_STEP, 30 * _DAY_S, 12 * _HOUR_S, (1.0, 400 * _DAY_S)),
        (Happening.DISK_FULL, 60 * _DAY_S, 2 * _DAY_S, (60.0, _DAY_S)),
        (Happening.DRAW, 20 * _DAY_S, _DAY_S, (5.0, 60.0)),
        (Happening.COMMAND, 4 * _DAY_S, 0.75 * _HOUR_S, (0.0, 0.0)),
    )
    for kind, calm_s, brutal_s, sizes in ways:
        chance = random.Random(f"{seed}/{kind.value}")
        found += _happenings(chance, begins_s, ends_s, kind, calm_s, brutal_s, sizes)
    return sorted(found, key=lambda event: event.at_s)


def _faults(
    chance: random.Random,
    at_s: float,
    ends_s: float,
    names: Sequence[FaultName],
    calm_s: float,
    brutal_s: float,
) -> list[Event]:
    found: list[Event] = []
    while True:
        at_s = _next(chance, at_s, calm_s, brutal_s)
        if at_s >= ends_s:
            return found
        brutal = is_brutal(at_s)
        name = chance.choice(names)
        severity = chance.uniform(0.5, 2.0)
        if name is FaultName.CONTROLLER_RESET:
            lasts_s = chance.uniform(*_MOMENTARY_S)
        elif brutal:
            lasts_s = _log_uniform(chance, 10.0, _HOUR_S if name in _ON_THE_LINE else 8 * _HOUR_S)
        elif name in _SELF_HEALING:
            lasts_s = _log_uniform(chance, 60.0, 4 * _HOUR_S if name in _ON_THE_LINE else 2 * _DAY_S)
        else:
            # The fault lasts until the grower repairs it, or for 12 days.
            lasts_s = 12 * _DAY_S
        found.append(Event(at_s, Fault(name, 0.0, lasts_s, severity)))
        if name in _ONLY_IN_FLOW and chance.random() < _MET_BY_A_FILL[brutal]:
            # Without a draw-off, the grower would repair most of these faults before the next fill.
            found.append(Event(at_s + min(60.0, 0.1 * lasts_s), happening=Happening.DRAW, size=_A_FILL_L))


def _happenings(
    chance: random.Random,
    at_s: float,
    ends_s: float,
    kind: Happening,
    calm_s: float,
    brutal_s: float,
    sizes: tuple[float, float],
) -> list[Event]:
    found: list[Event] = []
    while True:
        at_s = _next(chance, at_s, calm_s, brutal_s)
        if at_s >= ends_s:
            return found
        size = _log_uniform(chance, *sizes) if sizes[1] > 0.0 else 0.0
        if kind is Happening.CLOCK_STEP and chance.random() < 0.5:
            size = -size
        found.append(Event(at_s, happening=kind, size=size))


def _next(chance: random.Random, at_s: float, calm_s: float, brutal_s: float) -> float:
    """Return the next time of a happening with these mean intervals in calm and in brutal months."""
    while True:
        wait_s = chance.expovariate(1.0 / (brutal_s if is_brutal(at_s) else calm_s))
        month_ends_s = (at_s // MONTH_S + 1.0) * MONTH_S
        if at_s + wait_s < month_ends_s:
            return at_s + wait_s
        # The next month may have another rate. An exponential interval has no memory, so it can start again.
        at_s = month_ends_s


def _log_uniform(chance: random.Random, least: float, most: float) -> float:
    return float(least * (most / least) ** chance.random())


def begun_at(event: Event, now_s: float) -> Fault:
    """Return the fault of an event with its start now."""
    assert event.fault is not None
    return replace(event.fault, start_s=now_s, end_s=now_s + event.fault.end_s)
