"""What the page shows beside the facts: figures as a grower reads them, dates, and the alarms as cards. Core.

While the link to the controller is lost, the last values stay with their time: an old value helps, a value
that has vanished does not.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TypedDict

from bridge.daemon.page_lines import Fittings
from bridge.display.from_view import as_set, plain_ppm
from bridge.estimate.verdict import Verdict
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, AlarmId, Permissive, Phase, Trip
from bridge.station.view import ActiveAlarm, StationView
from bridge.tank.daily_use import HORIZON_DAYS
from bridge.units import DisplayUnits


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
    Trip.CELLS_DISAGREE: (
        Step("Measure the product with a hand meter to see which cell is wrong."),
        Step("Clean that cell and calibrate it."),
        _RESET,
    ),
    Advisory.CELL_DOUBTFUL: (Step("Check the product cell, and test it in a standard solution."),),
    Advisory.CALIBRATION_DUE: (Step("Calibrate the product cell."),),
    Advisory.PROOF_TEST_DUE: (
        Step("Lift the overflow float by hand during a fill: the valve must shut."),
        Step("Lower the float, and reset the trip that shows."),
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
    Advisory.COVER_SHORT: (
        Step("Look at what keeps the valve shut: a trip, a hold, or a missing permissive."),
        Step("Remove it, or ask somebody to look after it."),
        Step("Use little water until a fill has begun."),
    ),
    Advisory.FROST: (
        Step("Shut the feed by hand."),
        Step("Drain line, purifier and cell, and leave the drain open."),
        Step("Calibrate a cell that froze before it counts again."),
    ),
}


_KEPT = (
    "product_conductivity_25_us_cm", "product_ppm", "product_uncertainty_ppm", "product_temperature_c",
    "product_health", "feed_conductivity_25_us_cm", "feed_ppm", "feed_temperature_c", "feed_health",
    "check_conductivity_25_us_cm", "check_ppm", "check_temperature_c",
    "check_difference_percent", "check_health", "volume_l", "level_fraction", "zone", "level_health",
    "overflow", "rejection_percent",
)  # fmt: skip
"""The measured values of a view."""
_KNOWN_WITHOUT_LINK = frozenset({Permissive.LINK_FRESH, Permissive.NO_TRIP, Permissive.NO_HOLD})
"""The permissives that need no reading."""


class StepShown(TypedDict):
    """One step, and the act of its button."""

    text: str
    act: str


class Card(TypedDict):
    """One alarm."""

    id: str
    heading: str
    did: str
    raised: int | None
    """UTC seconds; None if it is not known."""
    is_trip: bool
    is_first: bool
    steps: list[StepShown]


class Glance(TypedDict):
    """What the page shows of a reservoir beside its facts."""

    as_of: int | None
    """UTC seconds of the last reading while the link is lost; None while it is up."""
    water: str | None
    """The product as a grower reads it."""
    held: str | None
    """The water of the reservoir as a grower reads it."""
    refill: float | None
    fill: float | None
    """The marks as a fraction of the capacity."""
    refill_text: str | None
    fill_text: str | None
    dry: str | None
    """The day until which the water lasts, at the earliest."""
    has_cartridge: bool
    spent: str | None
    """The day until which the purifier lasts, at the earliest."""
    order: str | None
    """The day by which the next cartridge must be ordered."""
    idle_because_full: bool
    unknown: list[str]
    """The permissives that nobody knows while the link is lost."""
    cards: list[Card]
    todo: str
    """What a person does next."""


def shown_view(view: StationView, last: StationView | None) -> StationView:
    """Return a view with the last measured values in place of the unknown ones while the link is lost.

    Args:
        view: the newest view.
        last: the newest view with a link; None if there was none.
    """
    if view.link_up or last is None:
        return view
    return replace(view, **{name: getattr(last, name) for name in _KEPT})


def glance_of(
    view: StationView,
    fittings: Fittings,
    units: DisplayUnits,
    now_s: float,
    last_s: float | None,
    raised_ms: Mapping[str, int],
) -> Glance:
    """Return what the page shows of a view.

    Args:
        view: the view, as :func:`shown_view` returns it.
        fittings: the marks and the cartridge.
        units: the display units.
        now_s: the present time, UTC seconds.
        last_s: the time of the last view with a link; None if there was none.
        raised_ms: when each alarm was raised, UTC milliseconds.
    """
    identity = view.identity
    capacity_l = identity.capacity_l
    refill_l, fill_l = fittings.refill_l, fittings.fill_l
    left_days, lead_days = view.days_left_low, fittings.lead_days
    cards = [_card(alarm, view, raised_ms) for alarm in _in_order(view)]
    order_days = None if left_days is None or lead_days is None else max(0.0, left_days - lead_days)
    return Glance(
        as_of=None if view.link_up or last_s is None else int(last_s),
        water=plain_ppm(view, view.product_ppm, view.product_uncertainty_ppm, units),
        held=plain_ppm(view, view.reservoir_ppm, view.reservoir_uncertainty_ppm, units),
        refill=None if refill_l is None else round(refill_l / capacity_l, 4),
        fill=None if fill_l is None else round(fill_l / capacity_l, 4),
        refill_text=None if refill_l is None else as_set(units.litres(refill_l)),
        fill_text=None if fill_l is None else as_set(units.litres(fill_l)),
        dry=day_after(view.cover_low_days, units, now_s),
        has_cartridge=fittings.lead_days is not None or identity.has_forecast,
        spent=day_after(left_days, units, now_s),
        order=day_after(order_days, units, now_s),
        idle_because_full=view.phase == Phase.IDLE.value
        and set(view.missing_permissives) <= {Permissive.BELOW_FILL_MARK.value}
        and bool(view.missing_permissives),
        unknown=[] if view.link_up else [one.value for one in Permissive if one not in _KNOWN_WITHOUT_LINK],
        cards=cards,
        todo=_todo(view, cards),
    )


def _todo(view: StationView, cards: Sequence[Card]) -> str:
    """Return the first step of the first alarm that is not shelved, else what the answer calls for."""
    shelved = {alarm.alarm for alarm in view.alarms if alarm.shelved}
    for card in cards:
        if card["id"] not in shelved:
            return card["steps"][0]["text"]
    if view.reservoir_verdict == Verdict.UNSUITABLE.value:
        return "Empty the reservoir. If you doubt the figure, measure its water and enter the sample."
    if view.reservoir_verdict != Verdict.SUITABLE.value:
        return "Measure the water in the reservoir and enter the sample."
    if view.hold:
        return "Lift the hold when the reservoir may fill again."
    return "Nothing."


def day_after(days: float | None, units: DisplayUnits, now_s: float) -> str | None:
    """Return the date after a number of days, such as ``Sat 2026-12-05``; None if it is not known or far."""
    if days is None or not math.isfinite(days) or days >= HORIZON_DAYS:
        return None
    return (units.local(now_s) + timedelta(days=max(0.0, days))).strftime("%a %Y-%m-%d")


def _in_order(view: StationView) -> list[ActiveAlarm]:
    """Return the first-out trip, the other trips, the other alarms, and last those that are shelved."""

    def rank(alarm: ActiveAlarm) -> tuple[bool, bool, bool]:
        return alarm.shelved, alarm.alarm != view.first_out, not _is_trip(alarm.alarm)

    return sorted(view.alarms, key=rank)


def _is_trip(alarm: str) -> bool:
    return alarm in {trip.value for trip in Trip}


def _card(alarm: ActiveAlarm, view: StationView, raised_ms: Mapping[str, int]) -> Card:
    is_trip = _is_trip(alarm.alarm)
    known: AlarmId = Trip(alarm.alarm) if is_trip else Advisory(alarm.alarm)
    raised = raised_ms.get(alarm.alarm)
    return Card(
        id=alarm.alarm,
        heading=FAULTS[known].what.rstrip("."),
        did=FAULTS[known].did,
        raised=None if raised is None else raised // 1000,
        is_trip=is_trip,
        is_first=alarm.alarm == view.first_out and len(view.latched_trips) > 1,
        steps=[StepShown(text=step.text, act=step.act) for step in STEPS[known]],
    )
