"""The closed sets of the guard in words that a grower reads. Core.

The ids stay the guard's own everywhere; these are only what stands beside them on a screen or on paper.
"""

from bridge.guard.alarms import Status
from bridge.guard.model import Permissive, Phase

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
"""What each permissive asks, said as it is when it holds."""

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
"""The same as clauses, for when it does not hold."""

PHASE_WORDS: dict[Phase, str] = {
    Phase.REST: "at rest",
    Phase.RINSE: "rinsing",
    Phase.FILL: "filling",
    Phase.PAUSE: "interrupted",
    Phase.TRIPPED: "tripped",
}

STATUS_WORDS: dict[Status, str] = {
    Status.NORMAL: "gone",
    Status.UNACKNOWLEDGED: "not yet acknowledged",
    Status.ACKNOWLEDGED: "acknowledged",
    Status.RETURNED_UNACKNOWLEDGED: "gone again, not yet acknowledged",
    Status.LATCHED_UNACKNOWLEDGED: "latched, not yet acknowledged",
    Status.LATCHED_ACKNOWLEDGED: "latched, acknowledged, waits for its reset",
}

ANSWERS = {
    "suitable": "Yes: this water may be used.",
    "marginal": "Yes, with care: this water is above the advised value.",
    "unsuitable": "No: do not use this water.",
    "unknown": "Not known: nothing can be said of this water.",
}
"""May this water be used on the plants, by the words of a verdict."""
