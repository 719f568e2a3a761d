"""Every alarm in plain words: what happened, what the bridge did about it, what to do next.

The id is the same in the log, in the alert topic, on the command line and in the manual.
"""

from dataclasses import dataclass

from bridge.guard.model import Advisory, AlarmId, Trip


@dataclass(frozen=True, slots=True)
class Fault:
    """The three sentences of one alarm."""

    what: str
    did: str
    next: str

    @property
    def sentence(self) -> str:
        """All three in a row."""
        return f"{self.what} {self.did} {self.next}"


_SHUT = "The valve was shut and stays shut until a reset."
_ALARM_ONLY = "Filling goes on."

FAULTS: dict[AlarmId, Fault] = {
    Trip.PRODUCT_OVER_LIMIT: Fault(
        "The purified water is over its limit.",
        _SHUT,
        "Change the cartridge or look after the purifier, record the change or a retest, then reset.",
    ),
    Trip.RESERVOIR_BUDGET: Fault(
        "The water in the reservoir, or a rinse into it, would go over the limit.",
        _SHUT,
        "Measure the reservoir and send the sample; if it is over the limit, empty it. "
        "A drain valve keeps rinse water out of it.",
    ),
    Trip.FILL_OVER_TIME: Fault(
        "A fill took longer than it may.",
        _SHUT,
        "Look for a blocked purifier, a low supply pressure or a leak behind the valve, then reset.",
    ),
    Trip.FILL_OVER_VOLUME: Fault(
        "More water flowed in than a fill, or a day, may take.",
        _SHUT,
        "Look for a leak or an open tap at the reservoir, then reset.",
    ),
    Trip.NO_RISE: Fault(
        "The valve was open and the level did not rise.",
        _SHUT,
        "Check the supply, the valve, the hose from purifier to reservoir, and the float, then reset.",
    ),
    Trip.RISE_WHILE_CLOSED: Fault(
        "The level rises although the valve is shut.",
        "No fill starts until a reset; the bridge cannot stop a valve that leaks.",
        "Shut the supply by hand, and check the valve for dirt and the reservoir for water from elsewhere.",
    ),
    Trip.OVERFLOW: Fault(
        "The overflow float is up.",
        _SHUT,
        "Shut the supply by hand, see that the overflow drains, find out why the level passed its mark, "
        "then reset.",
    ),
    Trip.PROBE_FAILURE: Fault(
        "The product probe shows no value that can be trusted.",
        _SHUT,
        "Check that the cell is immersed, plugged in and clean, then reset.",
    ),
    Trip.LEVEL_FAILURE: Fault(
        "The level of the reservoir is not known.",
        _SHUT,
        "Check the float, the switches and their plugs, then reset.",
    ),
    Trip.LINK_LOST: Fault(
        "The controller has not been heard for too long.",
        "Its valve shuts by itself when its lease lapses; the trip resets itself once the link is steady.",
        "Check the controller's supply and the cable.",
    ),
    Advisory.PRODUCT_OVER_TARGET: Fault(
        "The purified water is above the target, and still under the limit.",
        _ALARM_ONLY,
        "Get the next cartridge or membrane ready.",
    ),
    Advisory.PROBE_MAINTENANCE: Fault(
        "The product probe works outside what it promises.",
        "Its values are still used, with their uncertainty.",
        "Clean the cell, check its cable, and calibrate it.",
    ),
    Advisory.FEED_PROBE_FAILURE: Fault(
        "The feed probe shows no value that can be trusted.",
        "The last good feed value counts for the purifier's load.",
        "Check the feed cell and its plug.",
    ),
    Advisory.RESERVOIR_LOW: Fault(
        "The reservoir is nearly empty.",
        "A fill starts as soon as every permissive holds.",
        "See which permissive is missing, and water sparingly.",
    ),
    Advisory.CONTROLLER_RESTARTED: Fault(
        "The controller restarted by itself.",
        "It shut its valve as it started; the bridge goes on from there.",
        "If it happens again, check its supply and look for water in the box.",
    ),
    Advisory.CONTROLLER_FAULT: Fault(
        "The controller reports a fault, or does not do what it is told.",
        "The valve is kept shut while the fault lasts; a close is sent again and again.",
        "Shut the supply by hand if water flows, and check the controller and its valve.",
    ),
    Advisory.FRAMES_DAMAGED: Fault(
        "Many frames from the controller arrive damaged.",
        "Damaged frames are dropped whole; the valve shuts when too few good ones arrive.",
        "Check the cable, its plugs and what runs beside it.",
    ),
    Advisory.FILL_BLOCKED: Fault(
        "A fill is due, and something has kept the valve shut for long.",
        "The valve stays shut until every permissive holds.",
        "See which permissive is missing.",
    ),
    Advisory.TEMPERATURE_OUT_OF_RANGE: Fault(
        "The water is too cold or too hot to be measured well.",
        "The valve is kept shut until the temperature is back in its range.",
        "Protect the purifier from frost and sun.",
    ),
    Advisory.LOG_TROUBLE: Fault(
        "The log on disk cannot be written.",
        "Filling goes on; what happens waits in memory, and a damaged file is set aside, not overwritten.",
        "Look for a full or worn-out card, and at the file's permissions; the daemon's own log says more.",
    ),
    Advisory.OUTBOX_FILLING: Fault(
        "The hub's log has not been reached for long, and what waits for it nears its bound.",
        "When the bound is reached the oldest readings go first; alarms, trips and commands never do.",
        "See why the broker is away, or whether nobody keeps the hub's log.",
    ),
    Advisory.ORDER_CARTRIDGE: Fault(
        "By the forecast the purifier gives out within about the time that a new cartridge takes to come.",
        _ALARM_ONLY,
        "Order the next cartridge or membrane now; days and litres left are shown with their intervals.",
    ),
    Advisory.LEAK_SUSPECTED: Fault(
        "The reservoir falls at night, too steadily for water that is taken.",
        _ALARM_ONLY,
        "Look for a drip at tap, hose and fittings, and for a wick or a tray that draws all night.",
    ),
}
