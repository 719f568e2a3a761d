"""The diagnosis of a probe, in the classes of NAMUR NE 107.

A state machine: it takes one reading, and returns the next state and the findings, in constant time and
memory. It does not latch or delay a finding, and it closes no valve: the guard does. The faults are:

* **below the floor**: no water conducts less than pure water at its temperature. A dry, broken or
  disconnected cell reads about zero. Without this check it would pass as the purest water.
* **over range**: the input circuit cannot measure more.
* **frozen**: real readings move, a repeated old value does not. Pure water measured with a coarse step can
  repeat too. So the conductance must stay exactly the same for a long time in flowing water, and one of two
  conditions must hold as well. Either the temperature stays exactly the same too, or it moves so far that the
  conductance of any water would change: by at least 2 % for each kelvin, which is more than any usable step
  of the reading. A controller may state a coarser step; then a change within two steps shows nothing. Only
  time with flowing water counts, because the values of standing water can stay the same.
* **noisy**: more than half of the recent readings jump by more than allowed. A jump is the distance from the
  straight line through the two readings before, so a steady rise does not count. One spike is not enough.
* **temperature implausible, temperature fault code**: the temperature is impossible for liquid water, or it
  is a value with which the sensor reports its own failure.
* **not measured**: there is no value.
* **feed and product swapped**: the product conducts clearly more than its feed for a long time.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum, auto

from bridge.errors import OutOfRangeError
from bridge.water import health
from bridge.water.conductivity import PURE_HIGHEST_C, PURE_LOWEST_C, pure_water_us_cm
from bridge.water.health import Finding, Health


@dataclass(frozen=True, slots=True)
class Stillness:
    """How long the values of a probe have been the same in flowing water.

    :data:`MOVING` if they have just moved.
    """

    same_for_s: float = 0.0
    """Time for which conductance and temperature have been the same."""
    for_s: float = 0.0
    """Time for which the conductance has been the same."""
    low_c: float = math.inf
    """The lowest temperature in this time."""
    high_c: float = -math.inf
    """The highest temperature in this time."""

    @property
    def moved_k(self) -> float:
        """The range of the temperature in this time, in kelvin. Negative if there was no temperature."""
        return self.high_c - self.low_c


MOVING = Stillness()


def still_longer(
    before: Stillness, flowed_s: float, temperature_c: float | None, same_temperature: bool
) -> Stillness:
    """Return the stillness after one more reading with the same conductance.

    Args:
        before: the stillness at the last reading.
        flowed_s: the time since the last reading if water flowed, else 0.
        temperature_c: the temperature, or None if it cannot be trusted.
        same_temperature: True if the temperature is the same as in the last reading.
    """
    low_c, high_c = before.low_c, before.high_c
    if temperature_c is not None:
        low_c, high_c = min(low_c, temperature_c), max(high_c, temperature_c)
    same_for_s = before.same_for_s + flowed_s if same_temperature else 0.0
    return Stillness(same_for_s, before.for_s + flowed_s, low_c, high_c)


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """The bounds and times of the diagnosis. The defaults are common practice, no source, for a product cell.

    Raises:
        OutOfRangeError: If a setting would disable a check.
    """

    over_range_us_cm: float = 5000.0
    floor_tolerance: float = 0.2
    """Fraction of the conductivity of pure water by which a reading may be lower.

    Covers the cell's calibration.
    """
    resolution_us_cm: float = 0.0
    """One step of the reading. A reading may be half a step below the floor, except a reading of zero."""
    lowest_c: float = -2.0
    highest_c: float = 60.0
    fault_codes_c: tuple[float, ...] = (-127.0, 85.0)
    """Values that digital sensors report when disconnected, and at power-on before the first measurement
    (common practice, no source)."""
    frozen_after_s: float = 900.0
    moved_k: float = 3.0
    """The conductance is frozen if it stays the same while the temperature moves by this much."""
    noise_fraction: float = 0.1
    """A jump counts as noise if it is larger than this fraction of the reading and than ``noise_us_cm``."""
    noise_us_cm: float = 0.05
    noise_readings: float = 16.0
    """The number of recent readings that count for the noise, approximately."""
    swapped_ratio: float = 1.5
    swapped_after_s: float = 120.0
    longest_gap_s: float = 10.0
    """A gap between readings counts as this long at most, so that an outage does not freeze a probe."""

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
                f"these settings disable a check of the probe: {self}; times, ratios and limits must be "
                "positive, the floor tolerance below 1, the lowest temperature below the highest, and "
                "noise_readings at least 2"
            )


class Circuit(Enum):
    """The state of the temperature sensor's circuit, as the controller reports it."""

    SOUND = auto()
    OPEN = auto()
    SHORT = auto()


@dataclass(frozen=True, slots=True)
class ProbeState:
    """The state of the diagnosis between readings. ``ProbeState()`` is the first one."""

    seen_at_s: float | None = None
    last_us_cm: float | None = None
    before_us_cm: float | None = None
    last_c: float | None = None
    jump_share: float = 0.0
    """Share of the recent readings that jumped, as an exponential moving average."""
    noisy: bool = False
    swapped_for_s: float = 0.0
    still: Stillness = MOVING


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
    step_us_cm: float = 0.0,
) -> tuple[ProbeState, tuple[Finding, ...]]:
    """Diagnose one reading.

    Args:
        settings: the bounds and times of the diagnosis.
        state: the state that the last call returned, or ``ProbeState()``.
        conductivity_us_cm: the conductivity at the water's own temperature. None, or a value that is not a
            finite number, means not measured.
        temperature_c: the water temperature, likewise.
        now_s: monotonic seconds. A time before the last reading counts as no time.
        feed_us_cm: the conductivity of the feed at about the same temperature; None without a feed cell.
        flowing: True if water flows past the probe.
        temperature_circuit: the state of the temperature sensor's circuit.
        step_us_cm: one step of the reading, if the controller states one. A step that hides the noise of real
            water makes equal readings no sign of an old value.

    Returns:
        The next state, and the findings, worst first. Without a fault there are no findings.
    """
    found: list[Finding] = []
    flowed_s = 0.0
    if flowing and state.seen_at_s is not None:
        flowed_s = min(max(now_s - state.seen_at_s, 0.0), settings.longest_gap_s)

    # The temperature comes first, because the floor depends on it.
    trusted_c = temperature_c
    if (
        temperature_c is None
        or not settings.lowest_c <= temperature_c <= settings.highest_c
        or temperature_circuit is not Circuit.SOUND
    ):
        if temperature_c is not None and not math.isfinite(temperature_c):
            temperature_c = None
        found.append(_temperature_fault(settings, temperature_c, temperature_circuit))
        trusted_c = None

    if conductivity_us_cm is None or not math.isfinite(conductivity_us_cm):
        return (
            ProbeState(now_s, last_c=temperature_c, jump_share=state.jump_share, noisy=state.noisy),
            _worst_first([health.no_conductance(), *found]),
        )

    # Comparing with the highest floor first saves 0.6 µs a reading of a probe.
    if conductivity_us_cm < _HIGHEST_FLOOR_US_CM and _below_floor(settings, conductivity_us_cm, trusted_c):
        found.append(health.below_floor(conductivity_us_cm))
    elif conductivity_us_cm >= settings.over_range_us_cm:
        found.append(health.over_range(conductivity_us_cm, settings.over_range_us_cm))

    last, still = state.last_us_cm, MOVING
    if conductivity_us_cm == last:
        still = still_longer(state.still, flowed_s, trusted_c, temperature_c == state.last_c)
        if still.same_for_s >= settings.frozen_after_s and step_us_cm <= _FINE_STEP * conductivity_us_cm:
            found.append(health.frozen(still.same_for_s))
        elif (
            _has_stood_still(settings, still)
            and _LEAST_SLOPE * still.moved_k * conductivity_us_cm > 2.0 * step_us_cm
        ):
            found.append(health.conductance_frozen(still.for_s, still.moved_k))

    jump_share, noisy = state.jump_share, state.noisy
    if last is not None and state.before_us_cm is not None:
        jump = abs(conductivity_us_cm - 2.0 * last + state.before_us_cm)
        jumped = jump > settings.noise_us_cm and jump > settings.noise_fraction * abs(conductivity_us_cm)
        jump_share += ((1.0 if jumped else 0.0) - jump_share) / settings.noise_readings
        # The bounds for raising and for clearing differ, so that the finding does not flicker.
        noisy = jump_share > (0.25 if noisy else 0.5)
    if noisy:
        found.append(health.noisy(settings.noise_fraction))

    swapped_for_s = 0.0
    if feed_us_cm is not None and conductivity_us_cm > settings.swapped_ratio * feed_us_cm > 0.0:
        swapped_for_s = state.swapped_for_s + flowed_s
        if swapped_for_s >= settings.swapped_after_s > 0.0:
            found.append(health.swapped(conductivity_us_cm, feed_us_cm))

    return (
        ProbeState(
            seen_at_s=now_s,
            last_us_cm=conductivity_us_cm,
            before_us_cm=last,
            last_c=temperature_c,
            jump_share=jump_share,
            noisy=noisy,
            swapped_for_s=swapped_for_s,
            still=still,
        ),
        _worst_first(found) if found else (),
    )


def worst(findings: Iterable[Finding]) -> Health:
    """Return the worst class of the findings, or good without findings."""
    return max((finding.health for finding in findings), default=Health.GOOD)


_FINE_STEP = 0.005
"""A step under this share of the reading shows the noise of real water (common practice, no source)."""
_LEAST_SLOPE = 0.02
"""The conductance of any water changes at least by this share for each kelvin."""
_HIGHEST_FLOOR_US_CM = pure_water_us_cm(PURE_HIGHEST_C)


def _below_floor(settings: ProbeSettings, conductivity_us_cm: float, temperature_c: float | None) -> bool:
    # Without a temperature the floor is that of the coldest water, the lowest one, so that a dry cell is
    # still found.
    at_c = PURE_LOWEST_C
    if temperature_c is not None:
        at_c = min(max(temperature_c, PURE_LOWEST_C), PURE_HIGHEST_C)
    floor_us_cm = pure_water_us_cm(at_c) * (1.0 - settings.floor_tolerance)
    return conductivity_us_cm <= 0.0 or conductivity_us_cm + 0.5 * settings.resolution_us_cm < floor_us_cm


def _has_stood_still(settings: ProbeSettings, still: Stillness) -> bool:
    return still.for_s >= settings.frozen_after_s and still.moved_k >= settings.moved_k


def _temperature_fault(settings: ProbeSettings, temperature_c: float | None, circuit: Circuit) -> Finding:
    if circuit is not Circuit.SOUND:
        return health.circuit_open() if circuit is Circuit.OPEN else health.circuit_short()
    if temperature_c is None:
        return health.no_temperature()
    if temperature_c in settings.fault_codes_c:
        return health.fault_code(temperature_c)
    return health.implausible(temperature_c, settings.lowest_c, settings.highest_c)


def _worst_first(found: list[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(found, key=lambda finding: -finding.health))
