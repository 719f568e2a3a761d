"""The mishaps of a campaign: their draw from the seed, and the table by which faults must be detected.

The events of a year are drawn before the year begins: faults, power cuts, clock steps, commands. Most months
are calm: a fault begins every few days and lasts until somebody repairs it. The second of every six months is
brutal: ten faults a day overlap and last from seconds to hours, the power is cut twice a day, and somebody at
the hub sends every command. Each kind of happening has its own random generator, so that one more of one kind
does not move the others.

The table has the signs of each fault, the time limit of each, and the faults that hide it. The timer of a
fault runs only while the fault *matters*. A supply that is off, for example, does not matter while the valve
is shut. The timer restarts when another fault hides the fault, when a trip ends the fill, or when the bridge
restarts. If the timer never reaches its bound, the fault ended before a sign was due.
"""

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from bridge.guard.commands import GuardCommand
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.rig.faults import DISTURBANCES, PAIRED, Fault, FaultName
from bridge.water.probe import ProbeSettings

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


LEVEL_HEALTH = "level-health"
"""The level's NE 107 class, as the hub shows it. This sign is no alarm."""
Sign = AlarmId | str


class Matters(Enum):
    """When a fault's timer runs."""

    ALWAYS = "at any time"
    PURE = "in one opening, while the true product is below 1 ppm"
    WARMED = "while the valve is open, after the water temperature has changed by 3.5 K"
    FILLING = "while the reservoir is filled"
    OVER = "in one opening, while the true product is over its limit"
    SHUT_FLOW = "while the level rises with the valve shut, within the level sensor's range"
    AFTER = "after the fault has ended"
    NEVER = "never: the fault has no sign"


class Organ(Enum):
    """The part of the installation that has the fault."""

    PROBE = "product probe"
    CELLS = "plugs of both cells"
    FEED = "feed probe"
    LEVEL = "level"
    OVERFLOW = "overflow float"
    WATER = "valve, supply and hose"
    PURIFIER = "purifier"
    CONTROLLER = "controller"
    CLOCK = "controller's clock"
    LINK = "link"


@dataclass(frozen=True, slots=True)
class Hazard:
    """One row: a fault of the rig, its signs, and the time limit for a sign."""

    fault: FaultName
    organ: Organ
    signs: frozenset[Sign]
    """Any of these signs shows the fault."""
    matters: Matters
    bound_s: float
    """Seconds of the fault's timer within which a sign must be present."""
    remark: str = ""
    """How a person can find a fault that has no sign, or a remark on the bound."""


_HIDDEN_BY: dict[Organ, frozenset[Organ]] = {
    Organ.PROBE: frozenset({Organ.PROBE, Organ.CELLS}),
    # A product worse than the feed shows swapped cells, and only a working purifier makes that difference.
    Organ.CELLS: frozenset({Organ.PROBE, Organ.FEED, Organ.CELLS, Organ.PURIFIER}),
    Organ.FEED: frozenset({Organ.FEED, Organ.PROBE, Organ.CELLS}),
    Organ.LEVEL: frozenset({Organ.LEVEL, Organ.WATER, Organ.OVERFLOW}),
    Organ.OVERFLOW: frozenset({Organ.OVERFLOW}),
    Organ.WATER: frozenset({Organ.WATER, Organ.LEVEL}),
    Organ.PURIFIER: frozenset({Organ.PROBE, Organ.CELLS, Organ.WATER}),
    Organ.CONTROLLER: frozenset({Organ.CONTROLLER}),
    Organ.CLOCK: frozenset(),
    Organ.LINK: frozenset({Organ.LINK}),
}
_ALWAYS_HIDE = frozenset({Organ.CONTROLLER, Organ.LINK})

FRAMES_S = 5.0
"""The shortest time to a sign: two scans, a start of the controller, and a second for the measurement."""


def hidden_by(organ: Organ) -> frozenset[Organ]:
    """Return the organs whose other faults hide a fault of this organ."""
    return _HIDDEN_BY[organ] | _ALWAYS_HIDE


def hazards(
    limits: Limits,
    watch: ProbeSettings,
    has_level_sensor: bool,
    flow_l_s: float,
    leak_l_s: float,
    *,
    has_check_cell: bool = False,
    has_switches: bool = True,
) -> dict[FaultName, Hazard]:
    """Return the table for one station. Each bound is a time of the plan plus seconds for the frames."""
    probe = frozenset[Sign]({Trip.PROBE_FAILURE})
    # A check cell takes the channel of the feed cell, and is compared with the product cell in each fill.
    has_feed = has_level_sensor and not has_check_cell
    apart = frozenset[Sign]({Trip.CELLS_DISAGREE}) if has_check_cell else frozenset[Sign]()
    no_rise = frozenset[Sign]({Trip.NO_RISE, Trip.FILL_OVER_TIME})
    product = frozenset[Sign]({Trip.PRODUCT_OVER_LIMIT, Trip.RESERVOIR_BUDGET})
    rises = frozenset[Sign]({Trip.RISE_WHILE_CLOSED, Trip.OVERFLOW})
    probe_s = limits.probe_failure_after_s + FRAMES_S
    # The guard measures a rise after the level has settled. Waves and sensor noise may hide one litre.
    rise_l = (limits.rise_closed_l or 0.0) + 1.0
    # Twice, because noise of the level may complete a rise that stopped just below the threshold.
    no_rise_s = (2.0 * limits.no_rise_after_s if has_level_sensor else limits.fill_max_s) + 60.0
    seen_rise = has_level_sensor and limits.rise_closed_l is not None
    shut_flow = Matters.SHUT_FLOW if seen_rise else Matters.NEVER
    without_level_sensor = "" if seen_rise else "only the overflow float detects it; a zone is no volume"
    over_s = limits.rinse_max_s + limits.persistence_s + FRAMES_S
    rows = [
        Hazard(FaultName.PROBE_DRY, Organ.PROBE, probe, Matters.ALWAYS, probe_s),
        Hazard(FaultName.PROBE_SHORTED, Organ.PROBE, probe, Matters.ALWAYS, probe_s),
        Hazard(FaultName.TEMPERATURE_OPEN, Organ.PROBE, probe, Matters.ALWAYS, probe_s),
        Hazard(FaultName.TEMPERATURE_SHORTED, Organ.PROBE, probe, Matters.ALWAYS, probe_s),
        Hazard(
            FaultName.PROBES_SWAPPED,
            Organ.CELLS,
            probe | product | apart,
            Matters.PURE if has_feed else Matters.NEVER,
            # Swapped cells have each other's constants, so only very pure product reads worse than the feed.
            watch.swapped_after_s + probe_s,
            "" if has_feed else "no feed cell is fitted, so no cells can be swapped",
        ),
        Hazard(
            FaultName.PROBE_STUCK,
            Organ.PROBE,
            probe | product | apart,
            Matters.WARMED,
            watch.frozen_after_s + probe_s,
            "a probe stuck at a good value reads good until then; a hand sample shows the fault sooner",
        ),
        Hazard(
            FaultName.PROBE_NOISY,
            Organ.PROBE,
            probe | apart | {Advisory.PROBE_MAINTENANCE, Trip.PRODUCT_OVER_LIMIT},
            Matters.ALWAYS,
            90.0,
        ),
        Hazard(
            FaultName.PROBE_DRIFT,
            Organ.PROBE,
            probe | apart,
            Matters.NEVER,
            0.0,
            "a hand sample or a calibration shows it; a reading below that of pure water is a sign, too",
        ),
        Hazard(
            FaultName.FEED_PROBE_DRY,
            Organ.FEED,
            probe if has_check_cell else frozenset({Advisory.FEED_PROBE_FAILURE}),
            Matters.ALWAYS if has_level_sensor else Matters.NEVER,
            probe_s if has_check_cell else FRAMES_S,
            "" if has_level_sensor else "no feed cell is fitted",
        ),
        Hazard(
            FaultName.FLOAT_STUCK,
            Organ.LEVEL,
            no_rise | {Trip.LEVEL_FAILURE, Trip.OVERFLOW, Trip.FILL_OVER_VOLUME},
            Matters.FILLING,
            no_rise_s,
        ),
        Hazard(
            FaultName.FLOATS_CONTRADICT,
            Organ.LEVEL,
            frozenset({Trip.LEVEL_FAILURE}),
            Matters.ALWAYS,
            22.0 + limits.level_failure_after_s + FRAMES_S,
        )
        if has_switches
        else Hazard(
            FaultName.FLOATS_CONTRADICT,
            Organ.LEVEL,
            no_rise | {Trip.LEVEL_FAILURE, Trip.RISE_WHILE_CLOSED, Trip.OVERFLOW, Trip.FILL_OVER_VOLUME},
            Matters.FILLING,
            no_rise_s,
            "no switches are fitted, so a level that reads upside down shows only in a fill",
        ),
        Hazard(
            FaultName.LEVEL_SENSOR_OPEN,
            Organ.LEVEL,
            frozenset({LEVEL_HEALTH, Trip.LEVEL_FAILURE}),
            Matters.ALWAYS if has_level_sensor else Matters.NEVER,
            FRAMES_S,
            "" if has_level_sensor else "no level sensor is fitted",
        ),
        Hazard(
            FaultName.LEVEL_SENSOR_SHORTED,
            Organ.LEVEL,
            frozenset({LEVEL_HEALTH, Trip.LEVEL_FAILURE}),
            Matters.ALWAYS if has_level_sensor else Matters.NEVER,
            FRAMES_S,
            "" if has_level_sensor else "no level sensor is fitted",
        ),
        Hazard(
            FaultName.OVERFLOW_FLOAT_UP,
            Organ.OVERFLOW,
            frozenset({Trip.OVERFLOW}),
            Matters.ALWAYS if limits.has_overflow_float else Matters.NEVER,
            FRAMES_S,
            "" if limits.has_overflow_float else "no overflow float is fitted",
        ),
        Hazard(
            FaultName.OVERFLOW_FLOAT_DOWN,
            Organ.OVERFLOW,
            frozenset({Trip.OVERFLOW}),
            Matters.NEVER,
            0.0,
            "lift the float by hand twice a year; without the float, the fill mark still ends every fill",
        ),
        Hazard(
            FaultName.VALVE_STUCK_OPEN,
            Organ.WATER,
            rises,
            shut_flow,
            limits.settle_s + rise_l / flow_l_s + 60.0,
            without_level_sensor,
        ),
        Hazard(
            FaultName.VALVE_LEAKING,
            Organ.WATER,
            rises,
            shut_flow,
            limits.settle_s + rise_l / leak_l_s + 60.0,
            without_level_sensor,
        ),
        Hazard(FaultName.VALVE_STUCK_CLOSED, Organ.WATER, no_rise, Matters.FILLING, no_rise_s),
        Hazard(FaultName.SUPPLY_OFF, Organ.WATER, no_rise, Matters.FILLING, no_rise_s),
        Hazard(
            FaultName.HOSE_BURST,
            Organ.WATER,
            no_rise | {Trip.FILL_OVER_VOLUME},
            Matters.FILLING,
            no_rise_s,
        ),
        Hazard(
            FaultName.VOLTAGE_LOW,
            Organ.CONTROLLER,
            frozenset({Advisory.CONTROLLER_FAULT}),
            Matters.ALWAYS,
            FRAMES_S,
        ),
        Hazard(
            FaultName.SELF_TEST_FAILED,
            Organ.CONTROLLER,
            frozenset({Advisory.CONTROLLER_FAULT}),
            Matters.ALWAYS,
            FRAMES_S,
        ),
        Hazard(
            FaultName.CONTROLLER_RESET,
            Organ.CONTROLLER,
            frozenset({Advisory.CONTROLLER_RESTARTED}),
            Matters.AFTER,
            15.0,
        ),
        Hazard(
            FaultName.LINK_NOISE,
            Organ.LINK,
            frozenset({Advisory.FRAMES_DAMAGED, Trip.LINK_LOST}),
            Matters.ALWAYS,
            120.0,
        ),
        Hazard(
            FaultName.LINK_CUT,
            Organ.LINK,
            frozenset({Trip.LINK_LOST}),
            Matters.ALWAYS,
            limits.link_lost_after_s + FRAMES_S,
        ),
        Hazard(
            FaultName.LINK_LAG,
            Organ.LINK,
            frozenset({Advisory.CONTROLLER_FAULT}),
            Matters.NEVER,
            0.0,
            "the valve shuts late by twice the lag; a late close shows as a controller fault",
        ),
        Hazard(FaultName.PURIFIER_EXHAUSTED, Organ.PURIFIER, product, Matters.OVER, over_s),
        Hazard(FaultName.PURIFIER_SLIPPING, Organ.PURIFIER, product, Matters.OVER, over_s),
        *_disturbances(probe | apart),
    ]
    return {row.fault: row for row in rows}


def _disturbances(of_a_cell: frozenset[Sign]) -> list[Hazard]:
    """Return the rows of the faults of degree. The guard must bear them, with a sign or without one."""
    by_hand = "a hand sample, a calibration or a check cell shows it"
    salty = f"{by_hand}; only salty water reads low"
    swings = "shield the cable; the readings swing around the true value"
    late = "clean the float; the full switch or the overflow float ends a late fill"
    shows: frozenset[Sign] = of_a_cell | {Advisory.PROBE_MAINTENANCE, Trip.PRODUCT_OVER_LIMIT}
    level = frozenset[Sign]({Trip.LEVEL_FAILURE, LEVEL_HEALTH})
    none = frozenset[Sign]()
    rows: tuple[tuple[FaultName, Organ, frozenset[Sign], str], ...] = (
        (FaultName.PROBE_HALF_WET, Organ.PROBE, shows, by_hand),
        (FaultName.PROBE_SCALED, Organ.PROBE, shows, salty),
        (FaultName.PROBE_MAINS_NOISE, Organ.PROBE, shows, swings),
        (FaultName.LEVEL_DITHER, Organ.LEVEL, level, "the level is filtered, so it is only less exact"),
        (FaultName.FLOAT_HYSTERESIS, Organ.LEVEL, level, late),
        (FaultName.CONTROLLER_CLOCK_SLOW, Organ.CLOCK, none, "a lease lasts longer by the same share"),
    )
    return [Hazard(name, organ, signs, Matters.NEVER, 0.0, remark) for name, organ, signs, remark in rows]
