"""A continuous level sensor: from its raw electrical fraction to a depth, or to a fault.

Two kinds are common. In the first a float on an arm or a stem turns a resistor. In the second a magnet in the
float closes reed contacts in a chain of resistors. Both give a fraction of the full electrical range. The
direction depends on the wiring, so the calibration table may rise or fall.
"""

import math
from dataclasses import dataclass, field
from enum import Enum
from itertools import pairwise

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.curve import MonotoneCurve
from bridge.tank.shapes import not_negative


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

    @property
    def is_hint(self) -> bool:
        """True for a suspicion that does not change the level.

        The other faults make it uncertain or unknown.
        """
        return self is LevelFault.LEVEL_SENSOR_STUCK


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
    :mod:`bridge.tank.curve` connects the points.

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
        sign = 1.0 if points[-1][1] > points[0][1] else -1.0
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

    def fraction(self, depth_m: float) -> float:
        """Return the fraction at ``depth_m``. Beyond an end of the table, the fraction of that end."""
        low, high = self.depths_m
        return self._curve.inverse(self._sign * min(max(depth_m, low), high))


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
