"""The table by which faults must be detected: the signs of each, its time limit, and what hides it.

The timer of a fault runs only while the fault *matters*. A supply that is off, for example, does not matter
while the valve is shut. The timer restarts when another fault hides the fault, when a trip ends the fill, or
when the bridge restarts. If the timer never reaches its bound, the fault ended before a sign was due.
"""

from dataclasses import dataclass
from enum import Enum

from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.rig.faults import FaultName
from bridge.water.probe import ProbeSettings

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
        *(
            Hazard(
                fault,
                Organ.LEVEL,
                frozenset({LEVEL_HEALTH, Trip.LEVEL_FAILURE}),
                Matters.ALWAYS if has_level_sensor else Matters.NEVER,
                FRAMES_S,
                "" if has_level_sensor else "no level sensor is fitted",
            )
            for fault in (FaultName.LEVEL_SENSOR_OPEN, FaultName.LEVEL_SENSOR_SHORTED)
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
