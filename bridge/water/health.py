"""Sensor health in the four classes of NAMUR NE 107, with "good" before them.

What can be wrong with a probe: a closed set of ids, each with its class, and the sentences that say so.
"""

from dataclasses import dataclass
from enum import Enum, IntEnum


class Health(IntEnum):
    """How far a measuring point can be trusted; a larger number is worse.

    The order is the one in which the classes are shown when several apply: a failure hides
    everything else. Source of the classes: NAMUR NE 107, Self-monitoring and diagnosis of field devices.
    """

    GOOD = 0
    MAINTENANCE_REQUIRED = 1
    OUT_OF_SPECIFICATION = 2
    FUNCTION_CHECK = 3
    FAILURE = 4

    @property
    def word(self) -> str:
        """The class as a lower-case word with hyphens, fit for a topic or a column."""
        return self.name.lower().replace("_", "-")


class ProbeFault(Enum):
    """What can be wrong with a probe. The value is the fault's id, the same in log, alert and manual."""

    BELOW_FLOOR = "probe-below-floor"
    OVER_RANGE = "probe-over-range"
    FROZEN = "probe-frozen"
    NOISY = "probe-noisy"
    TEMPERATURE_IMPLAUSIBLE = "temperature-implausible"
    TEMPERATURE_FAULT_CODE = "temperature-fault-code"
    NOT_MEASURED = "probe-not-measured"
    FEED_AND_PRODUCT_SWAPPED = "feed-and-product-swapped"

    @property
    def health(self) -> Health:
        """The fault's class after NE 107."""
        return _CLASSES[self]


# Failure: the value means nothing. Out of specification: it means something, with more doubt than the
# instrument promises.
_CLASSES = {
    ProbeFault.BELOW_FLOOR: Health.FAILURE,
    ProbeFault.OVER_RANGE: Health.OUT_OF_SPECIFICATION,
    ProbeFault.FROZEN: Health.FAILURE,
    ProbeFault.NOISY: Health.OUT_OF_SPECIFICATION,
    ProbeFault.TEMPERATURE_IMPLAUSIBLE: Health.FAILURE,
    ProbeFault.TEMPERATURE_FAULT_CODE: Health.FAILURE,
    ProbeFault.NOT_MEASURED: Health.FAILURE,
    ProbeFault.FEED_AND_PRODUCT_SWAPPED: Health.FAILURE,
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong with a reading."""

    fault: ProbeFault
    health: Health
    sentence: str
    """What was seen, and what to look at."""


def circuit_open() -> Finding:
    """The controller says that the sensor's wires are broken."""
    return _finding(
        ProbeFault.TEMPERATURE_FAULT_CODE,
        "the temperature sensor's circuit is open; a wire is broken or unplugged",
    )


def circuit_short() -> Finding:
    """The controller says that the sensor's wires touch."""
    return _finding(
        ProbeFault.TEMPERATURE_FAULT_CODE,
        "the temperature sensor's circuit is short; look for water in a plug",
    )


def no_temperature() -> Finding:
    """No temperature came."""
    return _finding(
        ProbeFault.NOT_MEASURED, "no water temperature was measured; check the temperature sensor"
    )


def fault_code(temperature_c: float) -> Finding:
    """The sensor says in its own way that it failed."""
    return _finding(
        ProbeFault.TEMPERATURE_FAULT_CODE,
        f"the temperature sensor reports {temperature_c:g} °C, its way of saying that it failed; check "
        "its plug and its supply",
    )


def implausible(temperature_c: float, lowest_c: float, highest_c: float) -> Finding:
    """No liquid water has this temperature."""
    return _finding(
        ProbeFault.TEMPERATURE_IMPLAUSIBLE,
        f"the temperature sensor reports {temperature_c:.1f} °C, where {lowest_c:g} to "
        f"{highest_c:g} °C is possible; check the sensor",
    )


def no_conductance() -> Finding:
    """No conductance came."""
    return _finding(ProbeFault.NOT_MEASURED, "no conductance was measured; check the cell's plug and cable")


def below_floor(conductivity_us_cm: float) -> Finding:
    """No water conducts so little."""
    return _finding(
        ProbeFault.BELOW_FLOOR,
        f"the cell reads {conductivity_us_cm:.4g} µS/cm, less than the purest water; it is dry, "
        "full of air bubbles or disconnected: check that it is immersed and plugged in",
    )


def over_range(conductivity_us_cm: float, range_us_cm: float) -> Finding:
    """The input circuit cannot tell how much more it is."""
    return _finding(
        ProbeFault.OVER_RANGE,
        f"the cell reads {conductivity_us_cm:.4g} µS/cm, at or over its range of "
        f"{range_us_cm:g} µS/cm; look for a short circuit or salt water",
    )


def frozen(same_for_s: float) -> Finding:
    """Both values have been the same for too long."""
    return _finding(
        ProbeFault.FROZEN,
        f"conductance and temperature have not moved at all for {same_for_s:.0f} s of flow; "
        "the controller may be repeating an old value: restart it and check the cell",
    )


def conductance_frozen(still_for_s: float, moved_k: float) -> Finding:
    """The conductance stood still while the temperature moved far."""
    return _finding(
        ProbeFault.FROZEN,
        f"the conductance has not moved at all for {still_for_s:.0f} s of flow, while the "
        f"temperature moved by {moved_k:.1f} K; the controller may be repeating an old value",
    )


def noisy(noise_fraction: float) -> Finding:
    """More than half of the readings jump by more than this fraction."""
    return _finding(
        ProbeFault.NOISY,
        f"most readings jump by more than {noise_fraction:.0%}; look for bubbles, a loose "
        "plug, or a pump or mains cable beside the cell's cable",
    )


def swapped(product_us_cm: float, feed_us_cm: float) -> Finding:
    """The product has conducted clearly more than its feed for long."""
    return _finding(
        ProbeFault.FEED_AND_PRODUCT_SWAPPED,
        f"the product reads {product_us_cm:.4g} µS/cm and the feed only {feed_us_cm:.4g} "
        "µS/cm; the two cells are probably plugged in the wrong way round",
    )


def _finding(fault: ProbeFault, sentence: str) -> Finding:
    return Finding(fault, _CLASSES[fault], sentence)
