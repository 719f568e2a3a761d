"""The health of a sensor in the classes of NAMUR NE 107, and the faults of a probe with their texts."""

from dataclasses import dataclass
from enum import Enum, IntEnum


class Health(IntEnum):
    """The health of a measuring point: good, or one of four classes. A larger number is worse.

    If several classes apply, the worst one is shown. Source of the classes: NAMUR NE 107, Self-monitoring and
    diagnosis of field devices.
    """

    GOOD = 0
    MAINTENANCE_REQUIRED = 1
    OUT_OF_SPECIFICATION = 2
    FUNCTION_CHECK = 3
    FAILURE = 4

    @property
    def word(self) -> str:
        """The class as a lower-case word with hyphens, for topics and columns."""
        return self.name.lower().replace("_", "-")


class ProbeFault(Enum):
    """A fault of a probe. The value is its id in the log, in alerts and in the manual."""

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


# Failure: the value is not usable. Out of specification: the value is usable, but less accurate than
# specified.
_CLASSES = {
    ProbeFault.BELOW_FLOOR: Health.FAILURE,
    ProbeFault.OVER_RANGE: Health.FAILURE,
    ProbeFault.FROZEN: Health.FAILURE,
    ProbeFault.NOISY: Health.OUT_OF_SPECIFICATION,
    ProbeFault.TEMPERATURE_IMPLAUSIBLE: Health.FAILURE,
    ProbeFault.TEMPERATURE_FAULT_CODE: Health.FAILURE,
    ProbeFault.NOT_MEASURED: Health.FAILURE,
    ProbeFault.FEED_AND_PRODUCT_SWAPPED: Health.FAILURE,
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault of a reading."""

    fault: ProbeFault
    health: Health
    sentence: str
    """What was found, and what to check."""


def circuit_open() -> Finding:
    """Return the finding for an open circuit of the temperature sensor."""
    return _finding(
        ProbeFault.TEMPERATURE_FAULT_CODE,
        "the temperature sensor's circuit is open; a wire is broken or unplugged",
    )


def circuit_short() -> Finding:
    """Return the finding for a short circuit of the temperature sensor."""
    return _finding(
        ProbeFault.TEMPERATURE_FAULT_CODE,
        "the temperature sensor's circuit is short; check its plugs for water",
    )


def no_temperature() -> Finding:
    """Return the finding for a missing temperature."""
    return _finding(
        ProbeFault.NOT_MEASURED, "no water temperature was measured; check the temperature sensor"
    )


def fault_code(temperature_c: float) -> Finding:
    """Return the finding for a temperature that is a fault code of the sensor."""
    return _finding(
        ProbeFault.TEMPERATURE_FAULT_CODE,
        f"the temperature sensor reports {temperature_c:g} °C, which is its fault code; check its plug and "
        "its power supply",
    )


def implausible(temperature_c: float, lowest_c: float, highest_c: float) -> Finding:
    """Return the finding for a temperature that is impossible for liquid water."""
    return _finding(
        ProbeFault.TEMPERATURE_IMPLAUSIBLE,
        f"the temperature sensor reports {temperature_c:.1f} °C, where {lowest_c:g} to "
        f"{highest_c:g} °C is possible; check the sensor",
    )


def no_conductance() -> Finding:
    """Return the finding for a missing conductance."""
    return _finding(ProbeFault.NOT_MEASURED, "no conductance was measured; check the cell's plug and cable")


def below_floor(conductivity_us_cm: float) -> Finding:
    """Return the finding for a conductivity below that of pure water."""
    return _finding(
        ProbeFault.BELOW_FLOOR,
        f"the cell reads {conductivity_us_cm:.4g} µS/cm, less than the purest water; it is dry, "
        "full of air bubbles or disconnected: check that it is immersed and plugged in",
    )


def over_range(conductivity_us_cm: float, range_us_cm: float) -> Finding:
    """Return the finding for a conductivity at or over the range of the input circuit."""
    return _finding(
        ProbeFault.OVER_RANGE,
        f"the cell reads {conductivity_us_cm:.4g} µS/cm, at or over its range of "
        f"{range_us_cm:g} µS/cm; look for a short circuit or salt water",
    )


def frozen(same_for_s: float) -> Finding:
    """Return the finding for a conductance and a temperature that do not move."""
    return _finding(
        ProbeFault.FROZEN,
        f"conductance and temperature have not moved at all for {same_for_s:.0f} s of flow; "
        "the controller may be repeating an old value: restart it and check the cell",
    )


def conductance_frozen(still_for_s: float, moved_k: float) -> Finding:
    """Return the finding for a conductance that does not move while the temperature does."""
    return _finding(
        ProbeFault.FROZEN,
        f"the conductance has not moved at all for {still_for_s:.0f} s of flow, while the "
        f"temperature has moved by {moved_k:.1f} K; the controller may be repeating an old value",
    )


def noisy(noise_fraction: float) -> Finding:
    """Return the finding for readings of which more than half jump by more than this fraction."""
    return _finding(
        ProbeFault.NOISY,
        f"most readings jump by more than {noise_fraction:.0%}; look for bubbles, a loose "
        "plug, or a pump or mains cable beside the cell's cable",
    )


def swapped(product_us_cm: float, feed_us_cm: float) -> Finding:
    """Return the finding for a product that conducts clearly more than its feed for a long time."""
    return _finding(
        ProbeFault.FEED_AND_PRODUCT_SWAPPED,
        f"the product reads {product_us_cm:.4g} µS/cm and the feed only {feed_us_cm:.4g} "
        "µS/cm; the two cells are probably plugged in the wrong way round",
    )


def exchanged(product_us_cm: float, feed_us_cm: float | None) -> Finding:
    """Return the finding for a product and a feed that have changed suddenly in opposite directions.

    Args:
        product_us_cm: what the product cell measures now.
        feed_us_cm: what the feed cell measures now; None if it fails.
    """
    feed = "the feed cell fails" if feed_us_cm is None else f"the feed is at {feed_us_cm:.4g} µS/cm"
    return _finding(
        ProbeFault.FEED_AND_PRODUCT_SWAPPED,
        "product and feed have changed at once in opposite directions; the product is now at "
        f"{product_us_cm:.4g} µS/cm, and {feed}. The two cells are probably plugged in the wrong way round. "
        "If they are not, measure the product by hand and record the retest",
    )


def _finding(fault: ProbeFault, sentence: str) -> Finding:
    return Finding(fault, _CLASSES[fault], sentence)
