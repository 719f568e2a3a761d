"""What a person does about each alarm, as numbered steps with the button of a step. Core.

The sentences of :mod:`bridge.guard.faults` say the same in one line, for a log and a message on a phone.
"""

from dataclasses import dataclass

from bridge.guard.model import Advisory, AlarmId, Trip


@dataclass(frozen=True, slots=True)
class Step:
    """One step."""

    text: str
    act: str = ""
    """The act that belongs to it: ``reset``, ``cartridge``, ``retest``, ``sample``; empty for none."""


_RESET = Step(
    "Reset the trip. If the level is below the refill mark, the valve may then open at once.", "reset"
)
_SUPPLY = Step("Shut the supply by hand if water flows.")

STEPS: dict[AlarmId, tuple[Step, ...]] = {
    Trip.PRODUCT_OVER_LIMIT: (
        Step("Change the cartridge, or look after the purifier."),
        Step("Record that a new cartridge is in place.", "cartridge"),
        Step("If you changed none, measure the product by hand and enter the retest.", "retest"),
        _RESET,
    ),
    Trip.RESERVOIR_BUDGET: (
        Step("Measure the water in the reservoir and enter the sample.", "sample"),
        Step("If it is over the limit, empty the reservoir."),
        _RESET,
    ),
    Trip.FILL_OVER_TIME: (
        Step("Look for a blocked purifier, a low supply pressure, or a leak behind the valve."),
        _RESET,
    ),
    Trip.FILL_OVER_VOLUME: (Step("Look for a leak or an open tap at the reservoir."), _RESET),
    Trip.NO_RISE: (
        Step("Check the supply, the valve, and the hose from purifier to reservoir."),
        Step("Check that the float moves freely."),
        _RESET,
    ),
    Trip.RISE_WHILE_CLOSED: (
        Step("Shut the supply by hand. The bridge cannot stop a valve that leaks."),
        Step("Check the valve for dirt, and the reservoir for water from elsewhere."),
        _RESET,
    ),
    Trip.OVERFLOW: (
        Step("Shut the supply by hand."),
        Step("Check that the overflow drains."),
        Step("Find out why the level rose above its mark."),
        _RESET,
    ),
    Trip.PROBE_FAILURE: (
        Step("Check that the cell is immersed and plugged in."),
        Step("Clean the cell."),
        _RESET,
    ),
    Trip.LEVEL_FAILURE: (Step("Check the float, the switches and their plugs."), _RESET),
    Trip.LINK_LOST: (
        Step("Check the power supply of the controller."),
        Step("Check the cable. The trip resets by itself when the link is steady."),
    ),
    Trip.CONTROLLER_RESTARTS: (
        Step("Check the power supply: it must hold its voltage while the valve opens."),
        _RESET,
    ),
    Advisory.PRODUCT_OVER_TARGET: (Step("Get the next cartridge or membrane ready."),),
    Advisory.PROBE_MAINTENANCE: (
        Step("Clean the cell and check its cable."),
        Step("Calibrate it: clearwell calibrate."),
    ),
    Advisory.FEED_PROBE_FAILURE: (Step("Check the feed cell and its plug."),),
    Advisory.FLOW_METER_FAILURE: (
        Step("Check the flow meter and its cable."),
        Step("Check flow_max_l_min in the configuration."),
    ),
    Advisory.RESERVOIR_LOW: (
        Step("Look under valve and sequence which permissive is missing."),
        Step("Use little water until the fill."),
    ),
    Advisory.CONTROLLER_RESTARTED: (
        Step("If this happens again, check its power supply, and look for water in its box."),
    ),
    Advisory.CONTROLLER_EXCHANGED: (
        Step("Check that the right controller is plugged in."),
        Step("Check that its cells and its valve belong to this reservoir."),
    ),
    Advisory.CONTROLLER_FAULT: (_SUPPLY, Step("Check the controller and its valve.")),
    Advisory.FRAMES_DAMAGED: (Step("Check the cable, its plugs, and other cables beside it."),),
    Advisory.FILL_BLOCKED: (Step("Look under valve and sequence which permissive is missing."),),
    Advisory.TEMPERATURE_OUT_OF_RANGE: (Step("Protect the purifier from frost and sun."),),
    Advisory.LOG_TROUBLE: (
        Step("Check for a full or worn-out card."),
        Step("Check the permissions of the file. The log of the daemon has details."),
    ),
    Advisory.OUTBOX_FILLING: (
        Step("Check whether the broker runs."),
        Step("Check whether a program keeps the hub's log."),
    ),
    Advisory.ORDER_CARTRIDGE: (Step("Order the next cartridge or membrane now."),),
    Advisory.LEAK_SUSPECTED: (
        Step("Look for a drip at the tap, the hose and the fittings."),
        Step("Look for a wick or a tray that takes water all night."),
    ),
}
