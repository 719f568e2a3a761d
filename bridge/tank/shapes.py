"""Tank shapes: from the depth of the water to its volume, and back.

Depth is measured in metres from the lowest inside point, volume in litres; all dimensions are inside
dimensions. A new shape is one more class with the members of :class:`Shape`.

What depends on the dimensions alone is worked out once. A reading asks for a volume twice, so a depth that
lies in the tank is not even handed to :func:`bridge.tank.shapes.within`.

The two checks that every part of the tank needs, with one wording.
"""

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Protocol

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.curve import MonotoneCurve

# Rounding on the way through a volume and back may pass an end by this share of the range.
_ROUNDING = 1e-9


def positive(where: str, what: str, value: float, unit: str) -> None:
    """Refuse a ``value`` that is not a number above 0.

    Raises:
        OutOfRangeError: with the place, the quantity and what would be right.
    """
    if not 0.0 < value < math.inf:
        raise OutOfRangeError(f"{where}: {what} is {value:g} {unit}; it must be a number above 0.")


def not_negative(where: str, what: str, value: float, unit: str) -> None:
    """Refuse a ``value`` that is not a number of 0 or more.

    Raises:
        OutOfRangeError: with the place, the quantity and what would be right.
    """
    if not 0.0 <= value < math.inf:
        raise OutOfRangeError(f"{where}: {what} is {value:g} {unit}; it must be a number of 0 or more.")


def within(where: str, what: str, value: float, top: float, unit: str) -> float:
    """``value`` if it lies in 0 to ``top``; an end passed by rounding alone counts as the end.

    Raises:
        OutOfRangeError: with the place, the quantity and the range.
    """
    if 0.0 <= value <= top:
        return value
    if -_ROUNDING * top <= value <= top * (1.0 + _ROUNDING):
        return 0.0 if value < 0.0 else top
    raise OutOfRangeError(f"{where}: {what} is {value:g} {unit}; this tank holds 0 to {top:g} {unit}.")


_L_PER_M3 = 1000.0
_SOLVER_STEPS = 60


class Shape(Protocol):
    """What every tank shape can do. ``volume_l`` and ``depth_m`` are each other's inverse."""

    @property
    def height_m(self) -> float:
        """The depth of water when the tank is brim-full, in metres."""

    @property
    def capacity_l(self) -> float:
        """The volume when the tank is brim-full, in litres."""

    def volume_l(self, depth_m: float) -> float:
        """Litres in the tank when the water stands ``depth_m`` deep, 0 to ``height_m``.

        Raises:
            OutOfRangeError: the depth is negative, above the brim, or no number.
        """

    def depth_m(self, volume_l: float) -> float:
        """Metres of depth when ``volume_l`` is in the tank, 0 to ``capacity_l``.

        Raises:
            OutOfRangeError: the volume is negative, above the capacity, or no number.
        """


@dataclass(frozen=True, slots=True)
class UprightCylinder:
    """A round tank standing on its end.

    Raises:
        OutOfRangeError: a dimension is not above 0.
    """

    diameter_m: float
    height_m: float
    capacity_l: float = field(init=False, repr=False, compare=False)
    _l_per_m: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        positive("Upright cylinder", "the diameter", self.diameter_m, "m")
        positive("Upright cylinder", "the height", self.height_m, "m")
        object.__setattr__(self, "_l_per_m", math.pi / 4.0 * self.diameter_m**2 * _L_PER_M3)
        object.__setattr__(self, "capacity_l", self._l_per_m * self.height_m)

    def volume_l(self, depth_m: float) -> float:
        if not 0.0 <= depth_m <= self.height_m:
            depth_m = within("Upright cylinder", "the depth", depth_m, self.height_m, "m")
        return self._l_per_m * depth_m

    def depth_m(self, volume_l: float) -> float:
        volume_l = within("Upright cylinder", "the volume", volume_l, self.capacity_l, "L")
        return min(volume_l / self._l_per_m, self.height_m)


@dataclass(frozen=True, slots=True)
class Box:
    """A tank with a rectangular floor and upright walls.

    Raises:
        OutOfRangeError: a dimension is not above 0.
    """

    length_m: float
    width_m: float
    height_m: float
    capacity_l: float = field(init=False, repr=False, compare=False)
    _l_per_m: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        positive("Box", "the length", self.length_m, "m")
        positive("Box", "the width", self.width_m, "m")
        positive("Box", "the height", self.height_m, "m")
        object.__setattr__(self, "_l_per_m", self.length_m * self.width_m * _L_PER_M3)
        object.__setattr__(self, "capacity_l", self._l_per_m * self.height_m)

    def volume_l(self, depth_m: float) -> float:
        if not 0.0 <= depth_m <= self.height_m:
            depth_m = within("Box", "the depth", depth_m, self.height_m, "m")
        return self._l_per_m * depth_m

    def depth_m(self, volume_l: float) -> float:
        volume_l = within("Box", "the volume", volume_l, self.capacity_l, "L")
        return min(volume_l / self._l_per_m, self.height_m)


@dataclass(frozen=True, slots=True)
class HorizontalCylinder:
    """A round tank lying on its side, with flat ends.

    The wetted part of the end is a circular segment of area r²/2 · (φ - sin φ), where φ is the angle the
    water line subtends at the axis: sin²(φ/4) = depth / (2 r).

    Raises:
        OutOfRangeError: a dimension is not above 0.
    """

    diameter_m: float
    length_m: float
    capacity_l: float = field(init=False, repr=False, compare=False)
    _scale_l: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        positive("Horizontal cylinder", "the diameter", self.diameter_m, "m")
        positive("Horizontal cylinder", "the length", self.length_m, "m")
        object.__setattr__(self, "_scale_l", self.diameter_m**2 / 8.0 * self.length_m * _L_PER_M3)
        object.__setattr__(self, "capacity_l", 2.0 * math.pi * self._scale_l)

    @property
    def height_m(self) -> float:
        return self.diameter_m

    def volume_l(self, depth_m: float) -> float:
        if not 0.0 <= depth_m <= self.diameter_m:
            depth_m = within("Horizontal cylinder", "the depth", depth_m, self.diameter_m, "m")
        # The upper half mirrors the lower one; measured from the nearer end the angle stays exact.
        if depth_m > 0.5 * self.diameter_m:
            return self.capacity_l - self._segment_l(self.diameter_m - depth_m)
        return self._segment_l(depth_m)

    def depth_m(self, volume_l: float) -> float:
        volume_l = within("Horizontal cylinder", "the volume", volume_l, self.capacity_l, "L")
        if volume_l > 0.5 * self.capacity_l:
            return self.diameter_m - self._segment_depth_m(self.capacity_l - volume_l)
        return self._segment_depth_m(volume_l)

    def _segment_l(self, depth_m: float) -> float:
        angle = 4.0 * math.asin(math.sqrt(depth_m / self.diameter_m))
        return self._scale_l * (angle - math.sin(angle))

    def _segment_depth_m(self, volume_l: float) -> float:
        return self.diameter_m * math.sin(0.25 * _segment_angle(volume_l / self._scale_l)) ** 2


@dataclass(frozen=True, slots=True)
class TaperedBarrel:
    """A round barrel whose diameter changes evenly from bottom to top (a frustum of a cone).

    Raises:
        OutOfRangeError: a dimension is not above 0.
    """

    bottom_diameter_m: float
    top_diameter_m: float
    height_m: float
    capacity_l: float = field(init=False, repr=False, compare=False)
    _taper: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        positive("Tapered barrel", "the bottom diameter", self.bottom_diameter_m, "m")
        positive("Tapered barrel", "the top diameter", self.top_diameter_m, "m")
        positive("Tapered barrel", "the height", self.height_m, "m")
        taper = 0.5 * (self.top_diameter_m - self.bottom_diameter_m) / self.height_m
        object.__setattr__(self, "_taper", taper)
        object.__setattr__(self, "capacity_l", self.volume_l(self.height_m))

    def volume_l(self, depth_m: float) -> float:
        if not 0.0 <= depth_m <= self.height_m:
            depth_m = within("Tapered barrel", "the depth", depth_m, self.height_m, "m")
        r0 = 0.5 * self.bottom_diameter_m
        widening = self._taper * depth_m
        return math.pi * depth_m * (r0 * r0 + r0 * widening + widening * widening / 3.0) * _L_PER_M3

    def depth_m(self, volume_l: float) -> float:
        volume_l = within("Tapered barrel", "the volume", volume_l, self.capacity_l, "L")
        r0 = 0.5 * self.bottom_diameter_m
        thrice_m3 = 3.0 * volume_l / (math.pi * _L_PER_M3)
        surface_radius = math.cbrt(max(r0**3 + self._taper * thrice_m3, 0.0))
        # (r - r0) / taper would lose every digit of a barrel that hardly tapers; this form loses none.
        depth = thrice_m3 / (surface_radius**2 + surface_radius * r0 + r0**2)
        return min(depth, self.height_m)


@dataclass(frozen=True, slots=True)
class StrappingTable:
    """Any other tank, by a table of depth in metres against volume in litres that its owner measured.

    ``points`` begin with (0, 0) and both columns strictly rise; between the points runs the monotone
    curve of :mod:`bridge.tank.curve`, which is exact at every point.

    Raises:
        InputError: fewer than two points, a first point other than (0, 0), or a column that does not
            rise, naming the row.
    """

    points: tuple[tuple[float, float], ...]
    _curve: MonotoneCurve = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if len(self.points) < 2:
            raise InputError(
                f"Strapping table: {len(self.points)} point(s); give (0, 0) and at least one more, "
                "each a depth in metres and a volume in litres."
            )
        for row, point in enumerate(self.points, 1):
            if len(point) != 2 or not all(math.isfinite(value) for value in point):
                raise InputError(
                    f"Strapping table, row {row}: {point} is not a depth and a volume; give two numbers."
                )
        if tuple(self.points[0]) != (0.0, 0.0):
            raise InputError(
                f"Strapping table, row 1: {self.points[0]}; the first row must be the empty tank, "
                "depth 0 and volume 0."
            )
        for row, (before, here) in enumerate(pairwise(self.points), 2):
            if here[0] <= before[0] or here[1] <= before[1]:
                raise InputError(
                    f"Strapping table, row {row}: {here} after {before}; depth and volume must both rise "
                    "from row to row."
                )
        depths, volumes = zip(*self.points, strict=True)
        object.__setattr__(self, "_curve", MonotoneCurve.through(depths, volumes))

    @property
    def height_m(self) -> float:
        return self.points[-1][0]

    @property
    def capacity_l(self) -> float:
        return self.points[-1][1]

    def volume_l(self, depth_m: float) -> float:
        if not 0.0 <= depth_m <= self.points[-1][0]:
            depth_m = within("Strapping table", "the depth", depth_m, self.height_m, "m")
        return self._curve.at(depth_m)

    def depth_m(self, volume_l: float) -> float:
        return self._curve.inverse(within("Strapping table", "the volume", volume_l, self.capacity_l, "L"))


def _segment_angle(target: float) -> float:
    """The angle φ in 0 to π with φ - sin φ = ``target``, by Newton.

    The function is convex there and the cube root starts below the answer, so the first step lands
    above it and every further one comes down towards it.
    """
    if target <= 0.0:
        return 0.0
    angle = math.cbrt(6.0 * target)
    for _ in range(_SOLVER_STEPS):
        step = (angle - math.sin(angle) - target) / (2.0 * math.sin(0.5 * angle) ** 2)
        angle = min(angle - step, math.pi)
        if abs(step) <= 1e-15 * angle:
            break
    return angle
