"""A smooth curve through measured points that never turns back between them.

A calibration taken with a bucket and a rule has few points. Straight lines between them cut every bend;
a plain cubic may swing and give a volume that falls while the water rises. The monotone piecewise cubic
of Fritsch and Carlson (SIAM J. Numer. Anal. 17, 1980, 238) with the slopes of Fritsch and Butland
(SIAM J. Sci. Stat. Comput. 5, 1984, 300) does neither, and passes through every point exactly.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

# An end slope of nothing would make the inverse there infinitely steep; this share of the first
# secant keeps the way back as exact as the way there.
_LEAST_END_SLOPE = 0.01
_SOLVER_STEPS = 80


@dataclass(frozen=True, slots=True)
class MonotoneCurve:
    """Piecewise cubic through ``xs`` and ``ys``, both strictly rising, with a slope at each point."""

    xs: tuple[float, ...]
    ys: tuple[float, ...]
    slopes: tuple[float, ...]

    @classmethod
    def through(cls, xs: Sequence[float], ys: Sequence[float]) -> "MonotoneCurve":
        """The curve through at least two points, both coordinates strictly rising (the caller checks)."""
        return cls(tuple(xs), tuple(ys), _slopes(xs, ys))

    def at(self, x: float) -> float:
        """The value at ``x``, which lies within the points."""
        last = len(self.xs) - 1
        if x >= self.xs[last]:
            return self.ys[last]
        i = max(bisect_right(self.xs, x) - 1, 0)
        return self._cubic(i, x - self.xs[i])[0]

    def inverse(self, y: float) -> float:
        """The ``x`` at which the curve has the value ``y``, which lies within the points."""
        last = len(self.ys) - 1
        if y >= self.ys[last]:
            return self.xs[last]
        i = max(bisect_right(self.ys, y) - 1, 0)
        # Newton, kept inside a bracket that halves whenever a step would leave it.
        low, high = 0.0, self.xs[i + 1] - self.xs[i]
        u = high * (y - self.ys[i]) / (self.ys[i + 1] - self.ys[i])
        for _ in range(_SOLVER_STEPS):
            value, slope = self._cubic(i, u)
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
        return self.xs[i] + u

    def _cubic(self, i: int, u: float) -> tuple[float, float]:
        """Value and slope at the distance ``u`` behind point ``i``."""
        h = self.xs[i + 1] - self.xs[i]
        secant = (self.ys[i + 1] - self.ys[i]) / h
        m0, m1 = self.slopes[i], self.slopes[i + 1]
        t = u / h
        b = 3.0 * secant - 2.0 * m0 - m1
        c = m0 + m1 - 2.0 * secant
        return self.ys[i] + u * (m0 + t * (b + t * c)), m0 + t * (2.0 * b + 3.0 * t * c)


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
    """The one-sided three-point slope at an end, held where the curve stays monotone."""
    slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    return min(max(slope, _LEAST_END_SLOPE * d0), 3.0 * d0)
