"""A continuous level sensor, and the settings of the level of one reservoir.

Two kinds of level sensor are common. In the first a float on an arm or a stem turns a resistor. In the second
a magnet in the float closes reed contacts in a chain of resistors. Both give a fraction of the full
electrical range. The direction depends on the wiring, so the calibration table may rise or fall.

The settings hold the fitted sensors and switches, the marks, and the delays.
"""

import math
from dataclasses import dataclass, field
from enum import Enum
from itertools import pairwise

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.shapes import MonotoneCurve, Shape, not_negative, positive


class LevelFault(Enum):
    """A fault of the level sensor or the switches.

    The value is its id in the log, on the hub and in the manual.
    """

    LEVEL_SENSOR_OPEN = "level-sensor-open"
    LEVEL_SENSOR_SHORT = "level-sensor-short"
    LEVEL_SENSOR_OUT_OF_RANGE = "level-sensor-out-of-range"
    LEVEL_SENSOR_MISSING = "level-sensor-missing"
    SWITCH_MISSING = "switch-missing"
    SWITCHES_CONTRADICT = "switches-contradict"
    LEVEL_SENSOR_CONTRADICTS_SWITCH = "level-sensor-contradicts-switch"
    LEVEL_SENSOR_STUCK = "level-sensor-stuck"

    @property
    def sentence(self) -> str:
        """What was found, and what to check first."""
        return _SENTENCES[self]


_SENTENCES = {
    LevelFault.LEVEL_SENSOR_OPEN: (
        "The level sensor reads like an open circuit; the depth is unknown. Check its plug and its cable."
    ),
    LevelFault.LEVEL_SENSOR_SHORT: (
        "The level sensor reads like a short circuit; the depth is unknown. "
        "Check its cable for crushed insulation and its plug for water."
    ),
    LevelFault.LEVEL_SENSOR_OUT_OF_RANGE: (
        "The level sensor reads outside its calibration table; the depth is unknown. "
        "Check that the float moves freely and that the table belongs to this level sensor."
    ),
    LevelFault.LEVEL_SENSOR_MISSING: (
        "The configuration has a level sensor, but the controller sends no value for it; the depth is "
        "unknown. Check the level sensor's plug and that the controller is set up for it."
    ),
    LevelFault.SWITCH_MISSING: (
        "The configuration has a level switch that the controller does not report. "
        "Check that the controller is set up for it, or take it out of the configuration."
    ),
    LevelFault.SWITCHES_CONTRADICT: (
        "An upper level switch is wet while a lower one is dry, which is impossible; the level is "
        "unknown. Check that every float moves freely and that no two switches are swapped."
    ),
    LevelFault.LEVEL_SENSOR_CONTRADICTS_SWITCH: (
        "The level sensor and a level switch disagree about the level; the level is unknown. Look into the "
        "reservoir, then check the wrong one for a stuck float or a mark at the wrong height."
    ),
    LevelFault.LEVEL_SENSOR_STUCK: (
        "The level sensor has not moved for a long time, or did not move while the water did. "
        "Check that its float is free. If nobody took water, this can be normal."
    ),
}


RawLevelSensor = float | LevelFault | None
"""A fraction of the electrical range; a fault that the controller reports; None for no value."""


@dataclass(frozen=True, slots=True)
class LevelSensorTable:
    """The calibration of a level sensor: ``points`` of (fraction 0 to 1, depth in metres), in any order.

    In the order of the fractions the depth must strictly rise or strictly fall. The monotone curve of
    :mod:`bridge.tank.shapes` connects the points.

    Raises:
        InputError: If there are fewer than two points, if a fraction occurs twice, if the depth does not
            always rise or always fall, or if a value is outside its range.
    """

    points: tuple[tuple[float, float], ...]
    _sign: float = field(init=False, repr=False, compare=False)
    _curve: MonotoneCurve = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if len(self.points) < 2:
            raise InputError(f"Level sensor table: {len(self.points)} point(s); give at least two.")
        for fraction, depth_m in self.points:
            if not (0.0 <= fraction <= 1.0 and 0.0 <= depth_m < math.inf):
                raise InputError(
                    f"Level sensor table: ({fraction:g}, {depth_m:g}); give a fraction of 0 to 1 "
                    "and a depth of 0 m or more."
                )
        points = sorted(self.points)
        sign = math.copysign(1.0, points[1][1] - points[0][1])
        for before, here in pairwise(points):
            if here[0] == before[0]:
                raise InputError(f"Level sensor table: the fraction {here[0]:g} occurs twice; give it once.")
            if sign * here[1] <= sign * before[1]:
                raise InputError(
                    f"Level sensor table: {here} after {before}; along rising fractions the depth must "
                    "always rise or always fall."
                )
        object.__setattr__(self, "_sign", sign)
        object.__setattr__(
            self, "_curve", MonotoneCurve.through([f for f, _ in points], [sign * d for _, d in points])
        )

    @property
    def fractions(self) -> tuple[float, float]:
        """The smallest and the largest fraction of the table."""
        return self._curve.xs[0], self._curve.xs[-1]

    @property
    def depths_m(self) -> tuple[float, float]:
        """The smallest and the largest depth of the table, in metres."""
        ends = (self._sign * self._curve.ys[0], self._sign * self._curve.ys[-1])
        return min(ends), max(ends)

    def depth_m(self, fraction: float) -> float:
        """Return the depth in metres at ``fraction``. Beyond an end of the table, the depth of that end."""
        return self._sign * self._curve.at(max(fraction, self._curve.xs[0]))


@dataclass(frozen=True, slots=True)
class LevelSensor:
    """A level sensor: its table, and the bounds of a fault.

    Raises:
        InputError: If the table reaches outside the plausible band.
        OutOfRangeError: If the step or the margin is negative, or the plausible band is empty.
    """

    table: LevelSensorTable
    step_m: float = 0.0
    """Resolution: the distance of two reed contacts in metres; 0 for a continuous resistor."""
    plausible_low: float = 0.01
    """A fraction below this is an open or a short circuit."""
    plausible_high: float = 0.99
    """A fraction above this is the other one of the two."""
    open_reads_high: bool = True
    """True if a broken wire gives the highest reading, as with a pull-up resistor."""
    margin: float = 0.02
    """A fraction outside the table by up to this much counts as the end of the table (wear, temperature)."""
    _lowest: float = field(init=False, repr=False, compare=False)
    _highest: float = field(init=False, repr=False, compare=False)
    """A fraction from ``_lowest`` to ``_highest`` gives a depth: it is plausible, and in the table or its
    margin."""

    def __post_init__(self) -> None:
        not_negative("Level sensor", "the step", self.step_m, "m")
        not_negative("Level sensor", "the margin", self.margin, "of the range")
        if not 0.0 <= self.plausible_low < self.plausible_high <= 1.0:
            raise OutOfRangeError(
                f"Level sensor: the plausible band is {self.plausible_low:g} to {self.plausible_high:g}; "
                "it must rise and lie within 0 to 1."
            )
        first, last = self.table.fractions
        if first < self.plausible_low or last > self.plausible_high:
            raise InputError(
                f"Level sensor: the table runs from {first:g} to {last:g}, outside the plausible band of "
                f"{self.plausible_low:g} to {self.plausible_high:g}; widen the band or check the table. "
                "There a broken wire would look like a level."
            )
        object.__setattr__(self, "_lowest", max(first - self.margin, self.plausible_low))
        object.__setattr__(self, "_highest", min(last + self.margin, self.plausible_high))

    def read(self, raw: RawLevelSensor) -> float | LevelFault:
        """Return the depth in metres, or the fault. None and not-a-number are a missing value."""
        if isinstance(raw, LevelFault):
            return raw
        if raw is None:
            return LevelFault.LEVEL_SENSOR_MISSING
        if self._lowest <= raw <= self._highest:
            return self.table.depth_m(raw)
        if not math.isfinite(raw):
            return LevelFault.LEVEL_SENSOR_MISSING
        if raw > self.plausible_high:
            return LevelFault.LEVEL_SENSOR_OPEN if self.open_reads_high else LevelFault.LEVEL_SENSOR_SHORT
        if raw < self.plausible_low:
            return LevelFault.LEVEL_SENSOR_SHORT if self.open_reads_high else LevelFault.LEVEL_SENSOR_OPEN
        return LevelFault.LEVEL_SENSOR_OUT_OF_RANGE


@dataclass(frozen=True, slots=True)
class LevelSettings:
    """The settings of one reservoir. Fractions are of the capacity to the brim, by volume.

    A level sensor, or a low and a full switch, or all of them must be fitted. With less, the start or the end
    of a fill could not be detected.

    Raises:
        OutOfRangeError: If a fraction, a depth or a time is outside its range.
        InputError: If too few sensors are fitted, or if the level sensor does not reach one of the marks.
    """

    shape: Shape
    level_sensor: LevelSensor | None = None
    low_switch: bool = False
    full_switch: bool = False
    overflow_switch: bool = False
    refill_fraction: float = 0.5
    """At or below this mark a fill can start."""
    fill_fraction: float = 0.9
    """At or above this mark a fill ends."""
    low_switch_fraction: float | None = None
    """The position of the low switch. None for the refill mark."""
    full_switch_fraction: float | None = None
    """The position of the full switch. None for the fill mark."""
    debounce_s: float = 2.0
    """How long a low or full switch must be stable before it counts."""
    overflow_return_s: float = 10.0
    """How long an overflow float must stay down before it counts as down. Up counts at once."""
    contradiction_s: float = 20.0
    """How long a contradiction must last before the level counts as unknown."""
    ride_through_s: float = 2.0
    """How long the last depth is used if the level sensor gives no value."""
    wave_time_constant_s: float = 4.0
    """Time constant of the low pass that removes waves from the level sensor; 0 for none."""
    agreement_m: float = 0.03
    """How far level sensor and switches may differ, in metres of depth, in addition to the level sensor's
    step."""
    stuck_after_s: float | None = 3 * 86400.0
    """A level sensor that does not move for this long is reported as stuck. None for never."""

    refill_m: float = field(init=False, compare=False)
    fill_m: float = field(init=False, compare=False)
    low_switch_m: float = field(init=False, compare=False)
    full_switch_m: float = field(init=False, compare=False)
    tolerance_m: float = field(init=False, compare=False)
    """The sum of ``agreement_m`` and the level sensor's step."""
    low_certain_l: float = field(init=False, compare=False)
    """The least volume while the low switch is wet, in litres."""
    full_certain_l: float = field(init=False, compare=False)
    """The least volume while the full switch is wet, in litres."""
    needs_full_switch: bool = field(init=False, compare=False)
    """True if the level sensor does not reach the fill mark, so that only the full switch ends a fill."""

    def __post_init__(self) -> None:
        low = self.refill_fraction if self.low_switch_fraction is None else self.low_switch_fraction
        full = self.fill_fraction if self.full_switch_fraction is None else self.full_switch_fraction
        _rising("the refill mark", self.refill_fraction, "the fill mark", self.fill_fraction)
        _rising("the low switch", low, "the full switch", full)
        not_negative("Level", "the debounce time", self.debounce_s, "s")
        not_negative("Level", "the return time of the overflow float", self.overflow_return_s, "s")
        not_negative("Level", "the time a contradiction may last", self.contradiction_s, "s")
        not_negative("Level", "the ride-through time", self.ride_through_s, "s")
        not_negative("Level", "the time constant of the waves", self.wave_time_constant_s, "s")
        not_negative("Level", "the agreement", self.agreement_m, "m")
        if self.stuck_after_s is not None:
            positive("Level", "the time after which a still level sensor is a hint", self.stuck_after_s, "s")

        capacity_l = self.shape.capacity_l
        depth_m = {
            part: self.shape.depth_m(fraction * capacity_l)
            for part, fraction in (
                ("refill_m", self.refill_fraction),
                ("fill_m", self.fill_fraction),
                ("low_switch_m", low),
                ("full_switch_m", full),
            )
        }
        step_m = 0.0 if self.level_sensor is None else self.level_sensor.step_m
        for name, value in depth_m.items():
            object.__setattr__(self, name, value)
        object.__setattr__(self, "tolerance_m", self.agreement_m + step_m)
        object.__setattr__(self, "low_certain_l", self._certain_l(self.low_switch_m))
        object.__setattr__(self, "full_certain_l", self._certain_l(self.full_switch_m))
        highest = 0.0 if self.level_sensor is None else self.level_sensor.table.depths_m[1]
        object.__setattr__(
            self, "needs_full_switch", highest < self.fill_m or self.fill_m + step_m > self.shape.height_m
        )
        self._check_fitted()

    def _certain_l(self, depth_m: float) -> float:
        return self.shape.volume_l(max(depth_m - self.agreement_m, 0.0))

    def _check_fitted(self) -> None:
        if self.level_sensor is None:
            if not (self.low_switch and self.full_switch):
                raise InputError(
                    "Level: without a level sensor both a low and a full switch are needed; "
                    "fit them, or a level sensor."
                )
            return
        lowest, highest = self.level_sensor.table.depths_m
        if highest > self.shape.height_m:
            raise InputError(
                f"Level: the level sensor's table reaches {highest:g} m, but the tank is only "
                f"{self.shape.height_m:g} m high; check the table and the tank's height."
            )
        if lowest > self.refill_m:
            raise InputError(
                f"Level: the level sensor's table ends at {lowest:g} m, above the refill mark at "
                f"{self.refill_m:.3f} m; no fill would ever start. Raise the mark or extend the table."
            )
        if not self.full_switch and highest < self.fill_m:
            raise InputError(
                f"Level: the level sensor's table ends at {highest:g} m, below the fill mark at "
                f"{self.fill_m:.3f} m; no fill would ever end. Lower the mark, extend the table or fit a "
                "full switch."
            )
        if not self.full_switch and self.fill_m + self.level_sensor.step_m > self.shape.height_m:
            raise InputError(
                f"Level: the fill mark at {self.fill_m:.3f} m and one step of the level sensor of "
                f"{self.level_sensor.step_m:g} m reach over the brim at {self.shape.height_m:g} m; "
                "lower the mark or fit a full switch."
            )


def _rising(lower: str, low: float, upper: str, high: float) -> None:
    if not 0.0 < low < high <= 1.0:
        raise OutOfRangeError(
            f"Level: {lower} is at {low:g} and {upper} at {high:g} of the capacity; "
            "both must lie above 0 and up to 1, the second above the first."
        )
