"""Tank shapes: from the depth of the water to its volume, and back.

Depth is in metres from the lowest inside point, volume in litres. All dimensions are inside dimensions. A new
shape is one more class with the members of :class:`Shape`. The checks of quantities serve the whole room.

A calibration with a bucket and a rule has few points, so a smooth curve runs through them. Straight lines
between them cut every bend. A plain cubic can overshoot, so that the volume falls while the water rises. The
monotone piecewise cubic of Fritsch and Carlson (SIAM J. Numer. Anal. 17, 1980, 238) with the slopes of
Fritsch and Butland (SIAM J. Sci. Stat. Comput. 5, 1984, 300) does neither, and is exact at every point.
"""

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Protocol

from bridge.errors import InputError, OutOfRangeError

# With an end slope of zero the inverse would be infinitely steep there. This share of the first secant keeps
# the inverse as exact as the curve.
_LEAST_END_SLOPE = 0.01
_HALVINGS = 52
"""Of one piece of a curve: one for each binary digit of a float."""

_Cubic = tuple[float, float, float, float, float, float]
"""One piece: its start x0, its length h, the value y0 and the slope m0 at the start, and b, c of
y0 + u (m0 + t (b + t c)), with u the distance from the start and t = u / h."""


@dataclass(frozen=True, slots=True)
class MonotoneCurve:
    """A piecewise cubic through ``xs`` and ``ys``, both strictly rising, with a slope at each point."""

    xs: tuple[float, ...]
    ys: tuple[float, ...]
    slopes: tuple[float, ...]
    _cubics: tuple[_Cubic, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        cubics = []
        for x0, x1, y0, y1, m0, m1 in zip(
            self.xs, self.xs[1:], self.ys, self.ys[1:], self.slopes, self.slopes[1:], strict=False
        ):
            h = x1 - x0
            secant = (y1 - y0) / h
            cubics.append((x0, h, y0, m0, 3.0 * secant - 2.0 * m0 - m1, m0 + m1 - 2.0 * secant))
        object.__setattr__(self, "_cubics", tuple(cubics))

    @classmethod
    def through(cls, xs: Sequence[float], ys: Sequence[float]) -> "MonotoneCurve":
        """Return the curve through at least two points.

        The caller checks that both coordinates strictly rise.
        """
        return cls(tuple(xs), tuple(ys), _slopes(xs, ys))

    def at(self, x: float) -> float:
        """Return the value at ``x``, which must not be below the first point.

        Beyond the last point, the last value.
        """
        if x >= self.xs[-1]:
            return self.ys[-1]
        x0, h, y0, m0, b, c = self._cubics[max(bisect_right(self.xs, x) - 1, 0)]
        u = x - x0
        t = u / h
        return y0 + u * (m0 + t * (b + t * c))

    def inverse(self, y: float) -> float:
        """Return the ``x`` at which the curve has the value ``y``, which must lie within the points."""
        if y >= self.ys[-1]:
            return self.xs[-1]
        x0, h, y0, m0, b, c = self._cubics[max(bisect_right(self.ys, y) - 1, 0)]
        low, high = 0.0, h
        for _ in range(_HALVINGS):
            u = 0.5 * (low + high)
            t = u / h
            if y0 + u * (m0 + t * (b + t * c)) < y:
                low = u
            else:
                high = u
        return x0 + low


def _slopes(xs: Sequence[float], ys: Sequence[float]) -> tuple[float, ...]:
    h = [b - a for a, b in pairwise(xs)]
    secants = [(b - a) / step for a, b, step in zip(ys, ys[1:], h, strict=False)]
    if len(secants) == 1:
        return secants[0], secants[0]
    inner = []
    for left, right, d0, d1 in zip(h, h[1:], secants, secants[1:], strict=False):
        w0, w1 = 2.0 * right + left, right + 2.0 * left
        inner.append((w0 + w1) / (w0 / d0 + w1 / d1))
    first = _end_slope(h[0], h[1], secants[0], secants[1])
    last = _end_slope(h[-1], h[-2], secants[-1], secants[-2])
    return first, *inner, last


def _end_slope(h0: float, h1: float, d0: float, d1: float) -> float:
    """Return the one-sided three-point slope at an end, bounded so that the curve stays monotone.

    The curve is monotone up to a slope of three secants. The slope here is always less than two.
    """
    slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    return max(slope, _LEAST_END_SLOPE * d0)


# After a conversion to a volume and back, rounding may exceed an end by this share of the range.
_ROUNDING = 1e-9


def positive(where: str, what: str, value: float, unit: str) -> None:
    """Check that a value is a finite number above 0.

    Args:
        where: the part that the message names.
        what: the quantity that the message names.
        value: the value.
        unit: its unit.

    Raises:
        OutOfRangeError: If it is not.
    """
    if not 0.0 < value < math.inf:
        raise OutOfRangeError(f"{where}: {what} is {value:g} {unit}; it must be a number above 0.")


def not_negative(where: str, what: str, value: float, unit: str) -> None:
    """Check that a value is a finite number of 0 or more. The arguments are those of :func:`positive`.

    Raises:
        OutOfRangeError: If it is not.
    """
    if not 0.0 <= value < math.inf:
        raise OutOfRangeError(f"{where}: {what} is {value:g} {unit}; it must be a number of 0 or more.")


def within(where: str, what: str, value: float, top: float, unit: str) -> float:
    """Return ``value`` if it lies in 0 to ``top``. A value beyond an end by rounding counts as the end.

    Raises:
        OutOfRangeError: If the value lies outside the range.
    """
    if -_ROUNDING * top <= value <= top * (1.0 + _ROUNDING):
        return min(max(value, 0.0), top)
    raise OutOfRangeError(f"{where}: {what} is {value:g} {unit}; this tank holds 0 to {top:g} {unit}.")


_L_PER_M3 = 1000.0
_SOLVER_STEPS = 6
"""Of Newton's method for a lying cylinder. The error after four is that of a float, at every depth."""


class Shape(Protocol):
    """The members of every tank shape. ``volume_l`` and ``depth_m`` are inverse to each other."""

    @property
    def height_m(self) -> float:
        """The depth of water when the tank is brim-full, in metres."""

    @property
    def capacity_l(self) -> float:
        """The volume when the tank is brim-full, in litres."""

    def volume_l(self, depth_m: float) -> float:
        """Return the volume in litres at a depth of ``depth_m``, 0 to ``height_m``.

        Raises:
            OutOfRangeError: If the depth is negative, above the brim, or not a number.
        """

    def depth_m(self, volume_l: float) -> float:
        """Return the depth in metres at a volume of ``volume_l``, 0 to ``capacity_l``.

        Raises:
            OutOfRangeError: If the volume is negative, above the capacity, or not a number.
        """


@dataclass(frozen=True, slots=True)
class UprightCylinder:
    """A round tank that stands upright.

    Raises:
        OutOfRangeError: If a dimension is not above 0.
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
        """Return the volume in litres at ``depth_m``, as :meth:`Shape.volume_l`."""
        depth_m = within("Upright cylinder", "the depth", depth_m, self.height_m, "m")
        return self._l_per_m * depth_m

    def depth_m(self, volume_l: float) -> float:
        """Return the depth in metres at ``volume_l``, as :meth:`Shape.depth_m`."""
        volume_l = within("Upright cylinder", "the volume", volume_l, self.capacity_l, "L")
        return min(volume_l / self._l_per_m, self.height_m)


@dataclass(frozen=True, slots=True)
class Box:
    """A tank with a rectangular floor and upright walls.

    Raises:
        OutOfRangeError: If a dimension is not above 0.
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
        """Return the volume in litres at ``depth_m``, as :meth:`Shape.volume_l`."""
        depth_m = within("Box", "the depth", depth_m, self.height_m, "m")
        return self._l_per_m * depth_m

    def depth_m(self, volume_l: float) -> float:
        """Return the depth in metres at ``volume_l``, as :meth:`Shape.depth_m`."""
        volume_l = within("Box", "the volume", volume_l, self.capacity_l, "L")
        return min(volume_l / self._l_per_m, self.height_m)


@dataclass(frozen=True, slots=True)
class HorizontalCylinder:
    """A round tank that lies on its side, with flat ends.

    The wetted part of an end is a circular segment of area r²/2 · (φ - sin φ). φ is the angle of the water
    line, seen from the axis: sin²(φ/4) = depth / (2 r).

    Raises:
        OutOfRangeError: If a dimension is not above 0.
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
        """The depth of water when the tank is full to the brim, in metres."""
        return self.diameter_m

    def volume_l(self, depth_m: float) -> float:
        """Return the volume in litres at ``depth_m``, as :meth:`Shape.volume_l`."""
        depth_m = within("Horizontal cylinder", "the depth", depth_m, self.diameter_m, "m")
        angle = 4.0 * math.asin(math.sqrt(depth_m / self.diameter_m))
        return self._scale_l * (angle - math.sin(angle))

    def depth_m(self, volume_l: float) -> float:
        """Return the depth in metres at ``volume_l``, as :meth:`Shape.depth_m`."""
        volume_l = within("Horizontal cylinder", "the volume", volume_l, self.capacity_l, "L")
        # The upper half mirrors the lower one.
        if volume_l > 0.5 * self.capacity_l:
            return self.diameter_m - self._segment_depth_m(self.capacity_l - volume_l)
        return self._segment_depth_m(volume_l)

    def _segment_depth_m(self, volume_l: float) -> float:
        return self.diameter_m * math.sin(0.25 * _segment_angle(volume_l / self._scale_l)) ** 2


@dataclass(frozen=True, slots=True)
class TaperedBarrel:
    """A round barrel whose diameter changes evenly from bottom to top (a frustum of a cone).

    Raises:
        OutOfRangeError: If a dimension is not above 0.
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
        """Return the volume in litres at ``depth_m``, as :meth:`Shape.volume_l`."""
        depth_m = within("Tapered barrel", "the depth", depth_m, self.height_m, "m")
        r0 = 0.5 * self.bottom_diameter_m
        widening = self._taper * depth_m
        return math.pi * depth_m * (r0 * r0 + r0 * widening + widening * widening / 3.0) * _L_PER_M3

    def depth_m(self, volume_l: float) -> float:
        """Return the depth in metres at ``volume_l``, as :meth:`Shape.depth_m`."""
        volume_l = within("Tapered barrel", "the volume", volume_l, self.capacity_l, "L")
        r0 = 0.5 * self.bottom_diameter_m
        thrice_m3 = 3.0 * volume_l / (math.pi * _L_PER_M3)
        surface_radius = math.cbrt(max(r0**3 + self._taper * thrice_m3, 0.0))
        # (r - r0) / taper would lose all digits for a barrel that is nearly a cylinder. This form loses none.
        depth = thrice_m3 / (surface_radius**2 + surface_radius * r0 + r0**2)
        return min(depth, self.height_m)


@dataclass(frozen=True, slots=True)
class StrappingTable:
    """Any other tank, as a measured table of depth in metres and volume in litres.

    ``points`` begin with (0, 0), and both columns strictly rise. A :class:`MonotoneCurve` connects the
    points. It is exact at every point.

    Raises:
        InputError: If there are fewer than two points, if the first point is not (0, 0), or if a column does
            not rise. The message names the row.
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
        curve = MonotoneCurve.through(
            [depth for depth, _ in self.points], [volume for _, volume in self.points]
        )
        object.__setattr__(self, "_curve", curve)

    @property
    def height_m(self) -> float:
        """The depth of water when the tank is full to the brim, in metres."""
        return self.points[-1][0]

    @property
    def capacity_l(self) -> float:
        """The volume when the tank is full to the brim, in litres."""
        return self.points[-1][1]

    def volume_l(self, depth_m: float) -> float:
        """Return the volume in litres at ``depth_m``, as :meth:`Shape.volume_l`."""
        depth_m = within("Strapping table", "the depth", depth_m, self.height_m, "m")
        return self._curve.at(depth_m)

    def depth_m(self, volume_l: float) -> float:
        """Return the depth in metres at ``volume_l``, as :meth:`Shape.depth_m`."""
        return self._curve.inverse(within("Strapping table", "the volume", volume_l, self.capacity_l, "L"))


def _segment_angle(target: float) -> float:
    """Return the angle φ in 0 to π with φ - sin φ = ``target``, by Newton's method.

    The function is convex there, and the cube root is below the solution. So the first step goes above the
    solution, and every further step approaches it from above.
    """
    if target <= 0.0:
        return 0.0
    angle = math.cbrt(6.0 * target)
    for _ in range(_SOLVER_STEPS):
        angle -= (angle - math.sin(angle) - target) / (2.0 * math.sin(0.5 * angle) ** 2)
    return angle
