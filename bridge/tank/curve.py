"""A smooth monotone curve through measured points.

A calibration with a bucket and a rule has few points. Straight lines between them cut every bend. A plain
cubic can overshoot, so that the volume falls while the water rises. The monotone piecewise cubic of Fritsch
and Carlson (SIAM J. Numer. Anal. 17, 1980, 238) with the slopes of Fritsch and Butland (SIAM J. Sci. Stat.
Comput. 5, 1984, 300) does neither, and is exact at every point.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

# With an end slope of zero the inverse would be infinitely steep there. This share of the first secant keeps
# the inverse as exact as the curve.
_LEAST_END_SLOPE = 0.01
_SOLVER_STEPS = 80

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
        i = max(bisect_right(self.ys, y) - 1, 0)
        x0, h, y0, m0, b, c = self._cubics[i]
        # Newton's method within a bracket. A step that would leave the bracket halves it instead.
        low, high = 0.0, h
        u = high * (y - y0) / (self.ys[i + 1] - y0)
        for _ in range(_SOLVER_STEPS):
            t = u / h
            value, slope = y0 + u * (m0 + t * (b + t * c)), m0 + t * (2.0 * b + 3.0 * t * c)
            if value == y:
                break
            if value < y:
                low = u
            else:
                high = u
            following = u - (value - y) / slope if slope > 0.0 else low
            if not low < following < high:
                following = 0.5 * (low + high)
            if following == u or high - low <= 1e-16 * high:
                break
            u = following
        return x0 + u


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
    """Return the one-sided three-point slope at an end, bounded so that the curve stays monotone."""
    slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    return min(max(slope, _LEAST_END_SLOPE * d0), 3.0 * d0)
