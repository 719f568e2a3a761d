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

How long a probe's values have stood still: real readings move, a repeated old value does not.

Two clocks run, both in flowing water only, for standing water may honestly stand still: one while conductance
and temperature are the same to the last bit, one while the conductance alone is. For the second the
temperatures seen meanwhile are kept, since no water keeps its conductance while its temperature moves far.

What counts as a fault of a probe: the bounds and times of its diagnosis.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum, auto

from bridge.errors import OutOfRangeError
from bridge.water import health as faults
from bridge.water import pure_water
from bridge.water.health import Finding, Health, ProbeFault


@dataclass(frozen=True, slots=True)
class Stillness:
    """Since the conductance last moved; :data:`MOVING` when it has just done so."""

    same_for_s: float = 0.0
    """How long, in flowing water, both values have been the same."""
    for_s: float = 0.0
    """The same for the conductance alone ..."""
    low_c: float = math.inf
    """... and between which temperatures it has stood still."""
    high_c: float = -math.inf

    @property
    def moved_k(self) -> float:
        """How far the temperature moved meanwhile, in kelvin; below zero when none was seen."""
        return self.high_c - self.low_c


MOVING = Stillness()


def still_longer(
    before: Stillness, flowed_s: float, temperature_c: float | None, same_temperature: bool
) -> Stillness:
    """After one more reading with the conductance of the last one.

    ``flowed_s`` is the time since then if water flowed, else 0; ``temperature_c`` is None where it cannot be
    trusted; ``same_temperature`` says that it did not move either.
    """
    low_c, high_c = before.low_c, before.high_c
    if temperature_c is not None:
        low_c, high_c = min(low_c, temperature_c), max(high_c, temperature_c)
    same_for_s = before.same_for_s + flowed_s if same_temperature else 0.0
    return Stillness(same_for_s, before.for_s + flowed_s, low_c, high_c)


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


__all__ = ["Circuit", "Finding", "ProbeFault", "ProbeSettings", "ProbeState", "observe", "worst"]


class Circuit(Enum):
    """What the controller says about the temperature sensor's wires."""

    SOUND = auto()
    OPEN = auto()
    SHORT = auto()


_SOUND = Circuit.SOUND


@dataclass(frozen=True, slots=True)
class ProbeState:
    """What has to be remembered between readings; begin with ``ProbeState()``."""

    seen_at_s: float | None = None
    last_us_cm: float | None = None
    before_us_cm: float | None = None
    last_c: float | None = None
    restless: float = 0.0
    """Share of the recent readings that jumped, forgetting exponentially."""
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
) -> tuple[ProbeState, tuple[Finding, ...]]:
    """Judge one reading: the next state, and what is wrong, worst first; nothing wrong is an empty tuple.

    ``conductivity_us_cm`` is the probe's, at the water's own temperature; ``feed_us_cm`` the feed cell's at
    about the same temperature, where there is one. None, or no finite number, is a value that was not
    measured. ``now_s`` is a monotonic time in seconds; a time that steps back counts as no time. ``flowing``
    says whether water moves past the probe: standing water may honestly stand still.
    """
    # Each check is looked at here and worded elsewhere: nearly every reading is sound and needs no words.
    found: list[Finding] = []
    flowed_s = 0.0
    if flowing and state.seen_at_s is not None and now_s > state.seen_at_s:
        flowed_s = min(now_s - state.seen_at_s, settings.longest_gap_s)

    # Temperature first: the floor depends on it.
    trusted_c = temperature_c
    if (
        temperature_c is None
        or not settings.lowest_c <= temperature_c <= settings.highest_c
        or temperature_circuit is not _SOUND
    ):
        if temperature_c is not None and not math.isfinite(temperature_c):
            temperature_c = None
        found.append(_temperature_fault(settings, temperature_c, temperature_circuit))
        trusted_c = None

    if conductivity_us_cm is None or not math.isfinite(conductivity_us_cm):
        return (
            ProbeState(now_s, None, None, temperature_c, state.restless, state.noisy),
            _worst_first([faults.no_conductance(), *found]),
        )

    if conductivity_us_cm < _HIGHEST_FLOOR_US_CM and _below_floor(settings, conductivity_us_cm, trusted_c):
        found.append(faults.below_floor(conductivity_us_cm))
    elif conductivity_us_cm >= settings.over_range_us_cm:
        found.append(faults.over_range(conductivity_us_cm, settings.over_range_us_cm))

    last, still = state.last_us_cm, MOVING
    if conductivity_us_cm == last:
        still = still_longer(state.still, flowed_s, trusted_c, temperature_c == state.last_c)
        if still.same_for_s >= settings.frozen_after_s:
            found.append(faults.frozen(still.same_for_s))
        if still.for_s > still.same_for_s and _has_stood_still(settings, still):
            found.append(faults.conductance_frozen(still.for_s, still.moved_k))

    restless, noisy = state.restless, state.noisy
    if last is not None and state.before_us_cm is not None:
        jump = abs(conductivity_us_cm - 2.0 * last + state.before_us_cm)
        jumped = jump > settings.noise_us_cm and jump > settings.noise_fraction * abs(conductivity_us_cm)
        restless += ((1.0 if jumped else 0.0) - restless) / settings.noise_readings
        # Different marks for raising and clearing, or the finding itself would flicker.
        noisy = restless > (0.25 if noisy else 0.5)
    if noisy:
        found.append(faults.noisy(settings.noise_fraction))

    swapped_for_s = 0.0
    if feed_us_cm is not None and conductivity_us_cm > settings.swapped_ratio * feed_us_cm > 0.0:
        swapped_for_s = state.swapped_for_s + flowed_s
        if swapped_for_s >= settings.swapped_after_s > 0.0:
            found.append(faults.swapped(conductivity_us_cm, feed_us_cm))

    return (
        ProbeState(now_s, conductivity_us_cm, last, temperature_c, restless, noisy, swapped_for_s, still),
        _worst_first(found) if found else (),
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


def _has_stood_still(settings: ProbeSettings, still: Stillness) -> bool:
    return still.for_s >= settings.frozen_after_s and still.moved_k >= settings.moved_k


def _temperature_fault(settings: ProbeSettings, temperature_c: float | None, circuit: Circuit) -> Finding:
    if circuit is not _SOUND:
        return faults.circuit_open() if circuit is Circuit.OPEN else faults.circuit_short()
    if temperature_c is None:
        return faults.no_temperature()
    if temperature_c in settings.fault_codes_c:
        return faults.fault_code(temperature_c)
    return faults.implausible(temperature_c, settings.lowest_c, settings.highest_c)


def _worst_first(found: list[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(found, key=lambda finding: -finding.health))
