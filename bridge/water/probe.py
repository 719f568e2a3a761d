"""Probe diagnosis: can this reading be trusted, in the classes of NAMUR NE 107.

A streaming state machine: one reading in, the next state and the findings out, in constant time and memory.
It only judges; latching, delaying and closing valves is the business of whoever asks. What is looked for, and
why:

* **below the floor**: no water conducts less than pure water does at its temperature. A dry, broken or
  disconnected cell reads about zero, and without this check would pass for the purest water there is.
* **over range**: the input circuit cannot tell how much more it is.
* **frozen**: real readings move. Pure water read with a coarse step may well repeat, so the conductance must
  be the same to the last bit for a long time, in water that flows, and the temperature must either be the
  same too, or have moved so far meanwhile that no water could have kept its conductance: by 2 % for each
  kelvin at the least, which is more than any usable step of the reading.
* **noisy**: more than half of the recent readings jump more than allowed. Each jump is taken from the
  straight line through its two predecessors, so that neither a single spike nor a steady rise counts.
* **temperature implausible / fault code**: no liquid water has it, or a sensor says "I failed" in its own
  way.
* **not measured**: no value came.
* **feed and product swapped**: the product conducts clearly more than the feed it was made from, for long.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum, auto

from bridge.errors import OutOfRangeError
from bridge.water import pure_water
from bridge.water.health import Health


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


class Circuit(Enum):
    """What the controller says about the temperature sensor's wires."""

    SOUND = auto()
    OPEN = auto()
    SHORT = auto()


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong with a reading."""

    fault: ProbeFault
    health: Health
    sentence: str
    """What was seen, and what to look at."""


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """What counts as a fault. The defaults are common practice, no source, for a product cell.

    Raises :class:`OutOfRangeError` for settings under which a check could never work.
    """

    over_range_us_cm: float = 5000.0
    floor_tolerance: float = 0.2
    """How far below the conductivity of pure water a reading may lie, as a fraction of it: covers the cell's
    calibration."""
    resolution_us_cm: float = 0.0
    """One step of the reading; half of it is allowed below the floor too. A reading of zero is always
    below."""
    lowest_c: float = -2.0
    highest_c: float = 60.0
    fault_codes_c: tuple[float, ...] = (-127.0, 85.0)
    """What digital sensors report when disconnected, and at power-on before they measured (common practice,
    no source)."""
    frozen_after_s: float = 900.0
    moved_k: float = 3.0
    """A conductance that stays the same although the temperature moved by this much is frozen."""
    noise_fraction: float = 0.1
    """A jump larger than this fraction of the reading counts as noise ..."""
    noise_us_cm: float = 0.05
    """... if it is also larger than this."""
    noise_readings: float = 16.0
    """About how many readings the judgement on noise remembers."""
    swapped_ratio: float = 1.5
    swapped_after_s: float = 120.0
    longest_gap_s: float = 10.0
    """A gap between readings counts as at most this long, so that an outage freezes nothing."""

    def __post_init__(self) -> None:
        sound = (
            0.0 < self.over_range_us_cm < math.inf
            and 0.0 <= self.floor_tolerance < 1.0
            and 0.0 <= self.resolution_us_cm < math.inf
            and -math.inf < self.lowest_c < self.highest_c < math.inf
            and self.frozen_after_s > 0.0
            and self.moved_k > 0.0
            and self.noise_fraction > 0.0
            and self.noise_us_cm >= 0.0
            and 2.0 <= self.noise_readings <= 10000.0
            and 1.0 <= self.swapped_ratio < math.inf
            and self.swapped_after_s >= 0.0
            and self.longest_gap_s > 0.0
        )
        if not sound:
            raise OutOfRangeError(
                f"these settings leave a probe unwatched: {self}; times, ratios and limits must be "
                "positive, the floor tolerance below 1, the lowest temperature below the highest, at "
                "least 2 readings of noise remembered"
            )


@dataclass(frozen=True, slots=True)
class ProbeState:
    """What has to be remembered between readings; begin with ``ProbeState()``."""

    seen_at_s: float | None = None
    last_us_cm: float | None = None
    before_us_cm: float | None = None
    last_c: float | None = None
    same_for_s: float = 0.0
    """How long, in flowing water, both values have been the same to the last bit."""
    restless: float = 0.0
    """Share of the recent readings that jumped, forgetting exponentially."""
    noisy: bool = False
    swapped_for_s: float = 0.0
    still_for_s: float = 0.0
    """As ``same_for_s``, for the conductance alone ..."""
    still_low_c: float = math.inf
    """... and between which temperatures it has stood still."""
    still_high_c: float = -math.inf


def observe(
    settings: ProbeSettings,
    state: ProbeState,
    conductivity_us_cm: float | None,
    temperature_c: float | None,
    now_s: float,
    *,
    feed_us_cm: float | None = None,
    flowing: bool = True,
    temperature_circuit: Circuit = Circuit.SOUND,
) -> tuple[ProbeState, tuple[Finding, ...]]:
    """Judge one reading: the next state, and what is wrong, worst first; nothing wrong is an empty tuple.

    ``conductivity_us_cm`` is the probe's, at the water's own temperature; ``feed_us_cm`` the feed cell's at
    about the same temperature, where there is one. None, or no finite number, is a value that was not
    measured. ``now_s`` is a monotonic time in seconds; a time that steps back counts as no time. ``flowing``
    says whether water moves past the probe: standing water may honestly stand still.
    """
    found: list[Finding] | None = None
    elapsed_s = 0.0
    if state.seen_at_s is not None and now_s > state.seen_at_s:
        elapsed_s = min(now_s - state.seen_at_s, settings.longest_gap_s)

    # Temperature first: the floor depends on it.
    if temperature_c is not None and not math.isfinite(temperature_c):
        temperature_c = None
    fault = _temperature_fault(settings, temperature_c, temperature_circuit)
    if fault is not None:
        found = [fault]

    if conductivity_us_cm is None or not math.isfinite(conductivity_us_cm):
        lost = _finding(
            ProbeFault.NOT_MEASURED, "no conductance was measured; check the cell's plug and cable"
        )
        return (
            ProbeState(now_s, None, None, temperature_c, 0.0, state.restless, state.noisy, 0.0),
            _worst_first([lost, *(found or ())]),
        )

    if conductivity_us_cm < _HIGHEST_FLOOR_US_CM and _below_floor(
        settings, conductivity_us_cm, None if fault is not None else temperature_c
    ):
        found = found or []
        found.append(
            _finding(
                ProbeFault.BELOW_FLOOR,
                f"the cell reads {conductivity_us_cm:.4g} µS/cm, less than the purest water; it is dry, "
                "full of air bubbles or disconnected: check that it is immersed and plugged in",
            )
        )
    elif conductivity_us_cm >= settings.over_range_us_cm:
        found = found or []
        found.append(
            _finding(
                ProbeFault.OVER_RANGE,
                f"the cell reads {conductivity_us_cm:.4g} µS/cm, at or over its range of "
                f"{settings.over_range_us_cm:g} µS/cm; look for a short circuit or salt water",
            )
        )

    last = state.last_us_cm
    same_for_s = 0.0
    if conductivity_us_cm == last and temperature_c == state.last_c:
        same_for_s = state.same_for_s + elapsed_s if flowing else state.same_for_s
        if same_for_s >= settings.frozen_after_s:
            found = found or []
            found.append(
                _finding(
                    ProbeFault.FROZEN,
                    f"conductance and temperature have not moved at all for {same_for_s:.0f} s of flow; "
                    "the controller may be repeating an old value: restart it and check the cell",
                )
            )

    still_for_s, still_low_c, still_high_c = 0.0, math.inf, -math.inf
    if conductivity_us_cm == last:
        still_for_s = state.still_for_s + elapsed_s if flowing else state.still_for_s
        still_low_c, still_high_c = state.still_low_c, state.still_high_c
        if temperature_c is not None and fault is None:
            still_low_c = min(still_low_c, temperature_c)
            still_high_c = max(still_high_c, temperature_c)
        moved_k = still_high_c - still_low_c
        if (
            still_for_s >= settings.frozen_after_s
            and moved_k >= settings.moved_k
            and same_for_s < still_for_s
        ):
            found = found or []
            found.append(
                _finding(
                    ProbeFault.FROZEN,
                    f"the conductance has not moved at all for {still_for_s:.0f} s of flow, while the "
                    f"temperature moved by {moved_k:.1f} K; the controller may be repeating an old value",
                )
            )

    restless, noisy = state.restless, state.noisy
    if last is not None and state.before_us_cm is not None:
        jump = abs(conductivity_us_cm - 2.0 * last + state.before_us_cm)
        jumped = jump > settings.noise_us_cm and jump > settings.noise_fraction * abs(conductivity_us_cm)
        restless += ((1.0 if jumped else 0.0) - restless) / settings.noise_readings
        # Different marks for raising and clearing, or the finding itself would flicker.
        noisy = restless > (0.25 if noisy else 0.5)
    if noisy:
        found = found or []
        found.append(
            _finding(
                ProbeFault.NOISY,
                f"most readings jump by more than {settings.noise_fraction:.0%}; look for bubbles, a loose "
                "plug, or a pump or mains cable beside the cell's cable",
            )
        )

    swapped_for_s = 0.0
    if feed_us_cm is not None and conductivity_us_cm > settings.swapped_ratio * feed_us_cm > 0.0:
        swapped_for_s = state.swapped_for_s + elapsed_s if flowing else state.swapped_for_s
        if swapped_for_s >= settings.swapped_after_s > 0.0:
            found = found or []
            found.append(
                _finding(
                    ProbeFault.FEED_AND_PRODUCT_SWAPPED,
                    f"the product reads {conductivity_us_cm:.4g} µS/cm and the feed only {feed_us_cm:.4g} "
                    "µS/cm; the two cells are probably plugged in the wrong way round",
                )
            )

    return (
        ProbeState(
            now_s,
            conductivity_us_cm,
            last,
            temperature_c,
            same_for_s,
            restless,
            noisy,
            swapped_for_s,
            still_for_s,
            still_low_c,
            still_high_c,
        ),
        () if found is None else _worst_first(found),
    )


def worst(findings: Iterable[Finding]) -> Health:
    """The worst class among the findings; good when there are none."""
    return max((finding.health for finding in findings), default=Health.GOOD)


# Above this no temperature makes a reading too small: spares nearly every reading the work.
_HIGHEST_FLOOR_US_CM = pure_water.conductivity_us_cm(pure_water.HIGHEST_C)


def _below_floor(settings: ProbeSettings, conductivity_us_cm: float, temperature_c: float | None) -> bool:
    # A bad temperature cannot excuse a dry cell: then the floor is that of the coldest water, the lowest
    # there is.
    at_c = pure_water.LOWEST_C
    if temperature_c is not None:
        at_c = min(max(temperature_c, pure_water.LOWEST_C), pure_water.HIGHEST_C)
    floor_us_cm = pure_water.conductivity_us_cm(at_c) * (1.0 - settings.floor_tolerance)
    return conductivity_us_cm <= 0.0 or conductivity_us_cm + 0.5 * settings.resolution_us_cm < floor_us_cm


def _temperature_fault(
    settings: ProbeSettings, temperature_c: float | None, circuit: Circuit
) -> Finding | None:
    if circuit is not Circuit.SOUND:
        what = (
            "open; a wire is broken or unplugged"
            if circuit is Circuit.OPEN
            else "short; look for water in a plug"
        )
        return _finding(ProbeFault.TEMPERATURE_FAULT_CODE, f"the temperature sensor's circuit is {what}")
    if temperature_c is None:
        return _finding(
            ProbeFault.NOT_MEASURED, "no water temperature was measured; check the temperature sensor"
        )
    if settings.lowest_c <= temperature_c <= settings.highest_c:
        return None
    if temperature_c in settings.fault_codes_c:
        return _finding(
            ProbeFault.TEMPERATURE_FAULT_CODE,
            f"the temperature sensor reports {temperature_c:g} °C, its way of saying that it failed; check "
            "its plug and its supply",
        )
    return _finding(
        ProbeFault.TEMPERATURE_IMPLAUSIBLE,
        f"the temperature sensor reports {temperature_c:.1f} °C, where {settings.lowest_c:g} to "
        f"{settings.highest_c:g} °C is possible; check the sensor",
    )


def _finding(fault: ProbeFault, sentence: str) -> Finding:
    return Finding(fault, _CLASSES[fault], sentence)


def _worst_first(found: list[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(found, key=lambda finding: -finding.health))
