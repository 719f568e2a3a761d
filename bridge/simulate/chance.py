"""What befalls a year, drawn from its seed before it begins: faults, power cuts, clock steps, commands.

Most months are as gardens are: a fault every few days, each lasting until somebody repairs it. One month in
six, the second of every six, is brutal: ten faults a day, overlapping, from seconds to hours, the power cut
twice a day, with somebody at the hub who presses everything.
Each kind of happening has a chance of its own, so that one more of one kind leaves the others where they are.
"""

import random
from dataclasses import dataclass, replace
from enum import Enum

from bridge.rig.faults import Fault, FaultName

MONTH_S = 30.0 * 86_400.0
_HOUR_S = 3600.0
_DAY_S = 86_400.0


class Happening(Enum):
    """What happens to the bridge's own side."""

    POWER_CUT = "power-cut"
    """The bridge's machine loses its power: at most the last minute of counters is lost."""
    KILLED = "bridge-killed"
    """The process is killed and started again within seconds."""
    BROKER_GONE = "broker-gone"
    CLOCK_STEP = "clock-step"
    DISK_FULL = "disk-full"
    DRAW = "draw-off"
    """Somebody takes a lot of water, so that a fill is due."""
    COMMAND = "command"
    """Somebody at the hub sends a command, drawn when it is sent."""


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that will happen, at world seconds ``at_s``."""

    at_s: float
    fault: Fault | None = None
    """As if it began at 0."""
    happening: Happening | None = None
    size: float = 0.0
    """How long it lasts or how far the clock steps, in seconds; how much is drawn, in litres."""


_MOMENTARY_S = (1.0, 15.0)
_SELF_HEALING = frozenset(
    {
        FaultName.LINK_NOISE,
        FaultName.LINK_CUT,
        FaultName.LINK_LAG,
        FaultName.VOLTAGE_LOW,
        FaultName.PROBE_NOISY,
    }
)
_ON_THE_LINE = frozenset({FaultName.LINK_NOISE, FaultName.LINK_LAG})
"""Looked at second by second for as long as they last."""
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
"""The chance that somebody draws water just then, in a calm month and in a brutal one."""
_A_FILL_L = 110.0


def is_brutal(at_s: float) -> bool:
    """Whether a moment lies in one of the brutal months."""
    return int(at_s // MONTH_S) % 6 == 1


def events_of(seed: str, seconds: float, begins_s: float = 0.0) -> list[Event]:
    """Everything that befalls a span of so many seconds, in order of time.

    The span begins so many seconds after the beginning of its first month; the events count from its own.
    """
    return [
        replace(event, at_s=event.at_s - begins_s) for event in _drawn(seed, begins_s, begins_s + seconds)
    ]


def _drawn(seed: str, begins_s: float, ends_s: float) -> list[Event]:
    found = _faults(random.Random(f"{seed}/faults"), begins_s, ends_s)
    ways = (
        # How long between two: in a calm month, in a brutal one; and how big.
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


def _faults(chance: random.Random, at_s: float, ends_s: float) -> list[Event]:
    found: list[Event] = []
    names = list(FaultName)
    while True:
        at_s = _next(chance, at_s, 4.0 * _DAY_S, 2.5 * _HOUR_S)
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
            # Until the grower repairs it, or lives with it for long.
            lasts_s = 12 * _DAY_S
        found.append(Event(at_s, Fault(name, 0.0, lasts_s, severity)))
        if name in _ONLY_IN_FLOW and chance.random() < _MET_BY_A_FILL[brutal]:
            # Most of these would be repaired before anybody asked for water.
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
    """The next moment of a happening with this mean wait in each kind of month."""
    while True:
        wait_s = chance.expovariate(1.0 / (brutal_s if is_brutal(at_s) else calm_s))
        month_ends_s = (at_s // MONTH_S + 1.0) * MONTH_S
        if at_s + wait_s < month_ends_s:
            return at_s + wait_s
        # Another month has another rate; an exponential wait has no memory of how long it was already.
        at_s = month_ends_s


def _log_uniform(chance: random.Random, least: float, most: float) -> float:
    return float(least * (most / least) ** chance.random())


def begun_at(event: Event, now_s: float) -> Fault:
    """The fault of an event as it begins at this very moment."""
    assert event.fault is not None
    return replace(event.fault, start_s=now_s, end_s=now_s + event.fault.end_s)
