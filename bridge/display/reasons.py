"""The reasons for a verdict and for the valve's state, as sentences for a grower. Core.

The tables put the guard's closed sets into words. The guard's ids are shown unchanged beside these words.
"""

import math

from bridge.guard.alarms import Status
from bridge.guard.faults import FAULTS
from bridge.guard.model import Flow, Permissive, Phase, Trip
from bridge.station.view import StationView
from bridge.units import DisplayUnits, Quantity

PERMISSIVE_LABELS: dict[Permissive, str] = {
    Permissive.LINK_FRESH: "Fresh frames from the controller",
    Permissive.PROBE_HEALTHY: "The product probe can be trusted",
    Permissive.PRODUCT_IN_SPEC: "Product under its limit, or a short rinse",
    Permissive.TEMPERATURE_IN_RANGE: "Water neither too cold nor too hot",
    Permissive.LEVEL_KNOWN: "The level is known",
    Permissive.BELOW_FILL_MARK: "The level is below the fill mark",
    Permissive.OVERFLOW_DOWN: "The overflow float is down",
    Permissive.RESERVOIR_BUDGET: "The reservoir stays under its limit",
    Permissive.FILL_TIME: "Time left for this fill",
    Permissive.FILL_VOLUME: "Volume left for this fill and for the day",
    Permissive.CONTROLLER_SOUND: "The controller reports no fault",
    Permissive.NO_TRIP: "No trip is latched",
    Permissive.NO_HOLD: "Filling is not on hold",
}
"""The condition of each permissive."""

PERMISSIVE_MISSING: dict[Permissive, str] = {
    Permissive.LINK_FRESH: "no fresh frames from the controller",
    Permissive.PROBE_HEALTHY: "the product probe cannot be trusted",
    Permissive.PRODUCT_IN_SPEC: "the product is over its limit",
    Permissive.TEMPERATURE_IN_RANGE: "the water is too cold or too hot, or its temperature is not known",
    Permissive.LEVEL_KNOWN: "the level is not known",
    Permissive.BELOW_FILL_MARK: "the reservoir is full",
    Permissive.OVERFLOW_DOWN: "the overflow float is up or not known",
    Permissive.RESERVOIR_BUDGET: "the reservoir would not stay under its limit",
    Permissive.FILL_TIME: "the time for this fill is used up",
    Permissive.FILL_VOLUME: "the volume for this fill or for the day is used up",
    Permissive.CONTROLLER_SOUND: "the controller reports a fault",
    Permissive.NO_TRIP: "a trip is latched",
    Permissive.NO_HOLD: "filling is on hold",
}
"""A clause for each permissive that does not hold."""

PHASE_WORDS: dict[Phase, str] = {
    Phase.IDLE: "idle",
    Phase.RINSE: "rinsing",
    Phase.FILL: "filling",
    Phase.PAUSE: "interrupted",
    Phase.TRIPPED: "tripped",
}

STATUS_WORDS: dict[Status, str] = {
    Status.NORMAL: "normal",
    Status.UNACKNOWLEDGED: "not yet acknowledged",
    Status.ACKNOWLEDGED: "acknowledged",
    Status.CLEARED_UNACKNOWLEDGED: "cleared, not yet acknowledged",
    Status.LATCHED_UNACKNOWLEDGED: "latched, not yet acknowledged",
    Status.LATCHED_ACKNOWLEDGED: "latched, acknowledged, waiting for its reset",
}

ANSWERS = {
    "suitable": ("Yes", "This water may be used."),
    "marginal": ("Yes, with care", "This water is above the target."),
    "unsuitable": ("No", "Do not use this water."),
    "unknown": ("Not known", "There is no measurement of this water."),
}
"""The answer to "may this water be used on the plants?" by verdict: in a word or two, and as a sentence."""


_WORSE = ("suitable", "marginal", "unsuitable")


def use_of(view: StationView, units: DisplayUnits) -> tuple[str, str, str, str]:
    """Return verdict, answer in a word, answer as a sentence, and reason.

    If the water in the reservoir is worse than the product, it decides, because that is the water in use.

    Args:
        view: the reservoir's state.
        units: the units of the quantities.
    """
    identity = view.identity
    limit, target = (
        as_set(units.ppm(ppm, identity.factor)) for ppm in (identity.limit_ppm, identity.target_ppm)
    )
    verdict, reason = view.verdict, "The product has no trusted measurement."
    if verdict in _WORSE:
        against = {
            "suitable": f"under the target of {target}",
            "marginal": f"over the target of {target} and under the limit of {limit}",
            "unsuitable": f"over the limit of {limit}",
        }[verdict]
        reason = f"The product is {_measured(view, units)}; with its uncertainty it is {against}."
        if verdict == "unsuitable" and view.phase == Phase.IDLE.value:
            reason += " Water that stands in the purifier reads higher; a rinse removes it before a fill."
    held_ppm = view.reservoir_ppm
    if held_ppm is None or not math.isfinite(held_ppm):
        return verdict, *ANSWERS[verdict], reason
    held = units.ppm(held_ppm, identity.factor).text
    stored = (
        "unsuitable"
        if held_ppm >= identity.limit_ppm
        else "marginal"
        if held_ppm >= identity.target_ppm
        else "suitable"
    )
    reason += f" The reservoir holds about {held} by the mixing balance"
    reason += f", which is over the limit of {limit}." if stored == "unsuitable" else "."
    if stored == "unsuitable" or (verdict == "suitable" and stored == "marginal"):
        verdict = stored
    return verdict, *ANSWERS[verdict], reason


def why_of(view: StationView) -> str:
    """Return why the valve is open or shut, as sentences."""
    decided, missing = view.valve_decided, view.missing_permissives
    if decided == Flow.TO_DRAIN.value:
        why = "Open to the drain: the purifier is rinsed before the fill."
    elif decided == Flow.TO_RESERVOIR.value and view.phase == Phase.RINSE.value:
        why = "Open: a short rinse is running, and every permissive holds."
    elif decided == Flow.TO_RESERVOIR.value:
        why = "Open: the reservoir is filling, and every permissive holds."
    elif view.phase == Phase.TRIPPED.value and view.first_out is not None:
        why = f"Shut by a trip: {FAULTS[Trip(view.first_out)].what}"
    elif missing:
        clauses = [PERMISSIVE_MISSING[Permissive(one)] for one in missing]
        begins = "Shut, and a fill is pending" if view.phase == Phase.PAUSE.value else "Shut"
        why = f"{begins}: {'; '.join(clauses)}."
    elif view.phase == Phase.IDLE.value:
        why = "Shut: no fill is due, and every permissive holds."
    else:
        why = "Shut: the fill continues in a moment."
    if view.valve_reported not in ("unknown", decided):
        why += f" The controller still reports it {_REPORTED[view.valve_reported]}."
    return why


_REPORTED = {"shut": "shut", "fill": "open to the reservoir", "drain": "open to the drain"}


def as_set(quantity: Quantity) -> str:
    """Format a quantity from the configuration, such as a limit, without the decimals of a measurement."""
    number = abs(quantity.number)
    places = 2 if number < 9.995 else 1 if number < 99.95 else 0
    return f"{round(quantity.number, places):g} {quantity.unit}"


def _measured(view: StationView, units: DisplayUnits) -> str:
    ppm = view.product_ppm
    if ppm is None or not math.isfinite(ppm):
        return "not known"
    value, band = units.measured(ppm, view.product_uncertainty_ppm, view.identity.factor)
    return f"{value.text} ± {'not known' if band is None else band.text}"
