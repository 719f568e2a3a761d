"""The text of every alarm and of every new phase of the fill sequence.

The text of an alarm states what happened, what the bridge did, and what to do next.

An alarm has the same id in the log, in the alert topic, on the command line and in the manual.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from bridge.guard.model import Advisory, AlarmId, Permissive, Phase, Trip
from bridge.guard.state import Latch


@dataclass(frozen=True, slots=True)
class Fault:
    """The three sentences of one alarm."""

    what: str
    did: str
    next: str

    @property
    def sentence(self) -> str:
        """The three sentences in one line."""
        return f"{self.what} {self.did} {self.next}"


_SHUT = "The valve was shut and stays shut until a reset."
_ALARM_ONLY = "Filling continues."

FAULTS: dict[AlarmId, Fault] = {
    Trip.PRODUCT_OVER_LIMIT: Fault(
        "The purified water is over its limit.",
        _SHUT,
        "Change the cartridge or look after the purifier, record the change or a retest, then reset.",
    ),
    Trip.RESERVOIR_BUDGET: Fault(
        "The reservoir is over the limit, or a rinse would bring it over the limit.",
        _SHUT,
        "Measure the reservoir and enter the sample; if it is over the limit, empty it. "
        "A drain valve keeps rinse water out of it.",
    ),
    Trip.FILL_OVER_TIME: Fault(
        "A fill took longer than its limit.",
        _SHUT,
        "Look for a blocked purifier, a low supply pressure or a leak behind the valve, then reset.",
    ),
    Trip.FILL_OVER_VOLUME: Fault(
        "More water flowed in than the limit for a fill or a day.",
        _SHUT,
        "Look for a leak or an open tap at the reservoir, then reset.",
    ),
    Trip.NO_RISE: Fault(
        "The valve was open and the level did not rise.",
        _SHUT,
        "Check the supply, the valve, the hose from purifier to reservoir, and the float, then reset.",
    ),
    Trip.RISE_WHILE_CLOSED: Fault(
        "The level rises, although the valve is shut.",
        "No fill starts until a reset; the bridge cannot stop a valve that leaks.",
        "Shut the supply by hand, and check the valve for dirt and the reservoir for water from elsewhere.",
    ),
    Trip.OVERFLOW: Fault(
        "The overflow float is up.",
        _SHUT,
        "Shut the supply by hand, check that the overflow drains, find out why the level rose above its "
        "mark, then reset.",
    ),
    Trip.PROBE_FAILURE: Fault(
        "The product probe gives no value that can be trusted.",
        _SHUT,
        "Check that the cell is immersed, plugged in and clean, then reset.",
    ),
    Trip.LEVEL_FAILURE: Fault(
        "The level of the reservoir is not known.",
        _SHUT,
        "Check the float, the switches and their plugs, then reset.",
    ),
    Trip.LINK_LOST: Fault(
        "The controller has sent no message that can be read for too long.",
        "The controller shuts its valve when the lease lapses. The trip resets when the link is steady.",
        "Check the power supply of the controller and the cable.",
    ),
    Trip.CONTROLLER_RESTARTS: Fault(
        "The controller restarts each time the valve opens.",
        _SHUT,
        "Check the power supply of the controller and of the valve: it must hold its voltage while the valve "
        "opens. Then reset.",
    ),
    Trip.CELLS_DISAGREE: Fault(
        "The check cell and the product cell differ by more than their common uncertainty.",
        _SHUT,
        "Measure the product with a hand meter to see which cell is wrong. Clean and calibrate that cell, "
        "then reset.",
    ),
    Advisory.PRODUCT_OVER_TARGET: Fault(
        "The purified water is above the target, but under the limit.",
        _ALARM_ONLY,
        "Get the next cartridge or membrane ready.",
    ),
    Advisory.PROBE_MAINTENANCE: Fault(
        "The product probe works outside its specification.",
        "The bridge still uses its values, with their uncertainty.",
        "Clean the cell, check its cable, and calibrate it.",
    ),
    Advisory.CELL_DOUBTFUL: Fault(
        "The product cell does not behave as a sound cell does.",
        "Filling continues with a larger uncertainty of the product, so the valve shuts earlier.",
        "Check the cell, and test it in a standard solution.",
    ),
    Advisory.CALIBRATION_DUE: Fault(
        "The calibration of the product cell is old, or its uncertainty at the limit has become large.",
        _ALARM_ONLY,
        "Calibrate the product cell.",
    ),
    Advisory.PROOF_TEST_DUE: Fault(
        "The overflow float has not been up for a season, so nobody knows whether it still works.",
        _ALARM_ONLY,
        "Lift the float by hand during a fill. The valve must shut, and the trip overflow must show.",
    ),
    Advisory.FEED_PROBE_FAILURE: Fault(
        "The feed probe gives no value that can be trusted.",
        "The bridge uses the last good feed value for the purifier's load.",
        "Check the feed cell and its plug.",
    ),
    Advisory.FLOW_METER_FAILURE: Fault(
        "The flow meter counted more water than can flow, or its count jumped.",
        "The bridge does not use such a count. The litres treated and left may be too few.",
        "Check the flow meter and its cable, and check flow_max_l_min in the configuration.",
    ),
    Advisory.RESERVOIR_LOW: Fault(
        "The reservoir is nearly empty.",
        "A fill starts as soon as every permissive holds.",
        "Check which permissive is missing, and use little water.",
    ),
    Advisory.CONTROLLER_RESTARTED: Fault(
        "The controller restarted without a command.",
        "The controller shut its valve when it started. The bridge continues.",
        "If this happens again, check its power supply and look for water in its box.",
    ),
    Advisory.CONTROLLER_EXCHANGED: Fault(
        "Another controller answers on this line than before, or than the configuration names.",
        "If the configuration names the controller by its id, the valve stays shut. Otherwise filling "
        "continues.",
        "Check that the right controller is plugged in, and that its cells and its valve belong to this "
        "reservoir.",
    ),
    Advisory.CONTROLLER_FAULT: Fault(
        "The controller reports a fault, or does not follow its commands.",
        "The valve stays shut while the fault lasts. The bridge repeats the close command.",
        "Shut the supply by hand if water flows, and check the controller and its valve.",
    ),
    Advisory.FRAMES_DAMAGED: Fault(
        "Many frames from the controller are damaged.",
        "The bridge ignores damaged frames. The valve shuts if too few good frames arrive.",
        "Check the cable, its plugs and other cables beside it.",
    ),
    Advisory.FILL_BLOCKED: Fault(
        "A fill is pending, but a missing permissive has kept the valve shut for a long time.",
        "The valve stays shut until every permissive holds.",
        "Check which permissive is missing.",
    ),
    Advisory.TEMPERATURE_OUT_OF_RANGE: Fault(
        "The water is too cold or too hot for a good measurement.",
        "The valve stays shut until the temperature is in its range again.",
        "Protect the purifier from frost and sun.",
    ),
    Advisory.LOG_TROUBLE: Fault(
        "The log on disk cannot be written.",
        "Filling continues. New records wait in memory. A damaged file is kept under another name.",
        "Check for a full or worn-out card, and check the permissions of the file. The log of the daemon has "
        "details.",
    ),
    Advisory.OUTBOX_FILLING: Fault(
        "The hub's log has not been reachable for a long time, and the outbox is nearly full.",
        "When the outbox is full, the oldest readings are dropped. Alarms, trips and commands are kept.",
        "Check whether the broker runs, and whether a program keeps the hub's log.",
    ),
    Advisory.ORDER_CARTRIDGE: Fault(
        "The purifier is forecast to be exhausted within about the delivery time of a new cartridge.",
        _ALARM_ONLY,
        "Order the next cartridge or membrane now. The bridge shows the days and litres left.",
    ),
    Advisory.LEAK_SUSPECTED: Fault(
        "The level falls at night, too steadily to be use.",
        _ALARM_ONLY,
        "Look for a drip at the tap, the hose and the fittings, and for a wick or a tray that takes water "
        "all night.",
    ),
    Advisory.COVER_SHORT: Fault(
        "No fill can start, and the water may not last two days, or not until the end of an absence.",
        "The valve stays shut until every permissive holds.",
        "Remove what keeps the valve shut, or ask somebody to look after it, and use little water.",
    ),
    Advisory.FROST: Fault(
        "The water in a line, in the purifier or in the cell may freeze, by the temperatures of product and "
        "air.",
        "Filling continues while the product is in its temperature range; below it the valve stays shut.",
        "Shut the feed, drain line, purifier and cell, and leave the drain open. Ice bursts housings and "
        "fittings, and the flood comes with the thaw.",
    ),
}


def latched_sentences(reservoir: str, latches: Iterable[Latch], *, hold: bool) -> Iterator[tuple[str, str]]:
    """Yield what keeps the valve shut until a person acts, and how to clear it.

    Args:
        reservoir: the id of the reservoir.
        latches: the latched trips.
        hold: whether filling is on hold.
    """
    which = f"--reservoir {reservoir} --config FILE"
    for latch in latches:
        trip, fault = latch.trip, FAULTS[latch.trip]
        yield (
            f"The trip {trip.value} is latched, so no water flows. {fault.what}",
            f"{fault.next} The command for the reset is: clearwell reset {trip.value} {which}",
        )
    if hold:
        yield "Filling is on hold, so no water flows.", f"To end the hold: clearwell release {which}"


def phase_sentence(before: Phase, after: Phase, missing: Sequence[Permissive]) -> str:
    """Return the sentence for a new phase of the fill sequence, with the permissives that are missing."""
    match after:
        case Phase.RINSE:
            return "The rinse begins."
        case Phase.FILL:
            return "The rinse has ended; filling begins."
        case Phase.PAUSE:
            names = ", ".join(one.value for one in missing)
            return f"Filling is paused because permissives are missing: {names}."
        case Phase.TRIPPED:
            return "A trip is latched; the valve stays shut until a reset."
        case Phase.IDLE if before is Phase.TRIPPED:
            return "Every trip is reset."
        case _:
            return "The reservoir is full; filling has ended."
