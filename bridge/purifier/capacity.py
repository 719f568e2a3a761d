"""The capacity of a cartridge up to the crossing of the limit, in grams, as a Bayesian estimate.

The logarithm of the capacity has a normal distribution around the mean of the kind. The rating is the prior
of this mean. The load of each earlier cartridge at exhaustion narrows it. A cartridge that was changed early
gives only a lower bound (a censored observation). The scatter between cartridges is estimated together with
the mean, on a fixed grid.
"""

import math
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import accumulate

from bridge.errors import InputError

RATING_SD = 0.20
"""Relative standard deviation of a maker's rating against the true mean (common practice, no source)."""
TYPICAL_SCATTER = 0.05
"""Scatter between cartridges of one kind before the first one is exhausted (common practice, no source)."""

_SCATTERS = (0.015, 0.03, 0.05, 0.08, 0.12, 0.18)
_SCATTER_LN_SD = 0.4
_POINTS = 241
_REACH_SD = 4.5
_FALL_BEYOND = 20.0
"""Slope of the log density beyond the grid, per unit of ln(grams) (a normal at 4.5 sd)."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """The load of an earlier cartridge at its removal, in grams. ``exhausted`` false means changed early."""

    load_g: float
    exhausted: bool


@dataclass(frozen=True, slots=True)
class Capacity:
    """The capacity of a cartridge, as a prior distribution before its own product shows anything.

    Attributes:
        ln_low: the lowest point of the grid, ln(grams).
        ln_step: the step of the grid.
        weights: the probabilities of the points; their sum is one.
        scatter: the estimated relative scatter between cartridges.
        rests_on: the data behind the estimate, in words.
    """

    ln_low: float
    ln_step: float
    weights: tuple[float, ...]
    scatter: float
    rests_on: str

    def quantile_g(self, p: float) -> float:
        """Return the quantile of the capacity in grams for probability ``p``, 0 < p < 1."""
        return math.exp(grid_quantile(self.ln_low, self.ln_step, self.weights, p))

    @property
    def median_g(self) -> float:
        """The median of the capacity, in grams."""
        return self.quantile_g(0.5)

    def ln_density(self, ln_g: float) -> float:
        """Return the log of the density at ln(grams), up to a constant. It falls linearly beyond the grid."""
        position = (ln_g - self.ln_low) / self.ln_step
        last = len(self.weights) - 1
        inside = min(max(position, 0.0), float(last))
        left = min(int(inside), last - 1)
        low, high = math.log(max(self.weights[left], 1e-300)), math.log(max(self.weights[left + 1], 1e-300))
        return low + (inside - left) * (high - low) - _FALL_BEYOND * self.ln_step * abs(position - inside)


def estimate(
    rating_g: float,
    earlier: Iterable[Evidence] = (),
    rating_sd: float = RATING_SD,
    typical_scatter: float = TYPICAL_SCATTER,
) -> Capacity:
    """Estimate the capacity of the next cartridge of a kind, from its rating and the earlier cartridges.

    Args:
        rating_g: the rating in grams on the user's ppm scale.
        earlier: the earlier cartridges of the same kind, in any order.
        rating_sd: relative standard deviation of the rating, 0.01 to 1.
        typical_scatter: prior of the relative scatter between cartridges, 0.01 to 0.5.

    Raises:
        InputError: If the rating or a load is not above zero, or a deviation is outside its range.
    """
    _check(rating_g, rating_sd, typical_scatter)
    known = tuple(earlier)
    for line in known:
        if not (math.isfinite(line.load_g) and line.load_g > 0.0):
            raise InputError(
                f"Capacity: an earlier cartridge's load of {line.load_g:g} g; it must be above zero."
            )
    centre = math.log(rating_g)
    logs = [math.log(line.load_g) for line in known]
    low = min([centre - _REACH_SD * rating_sd, *(x - 0.3 for x in logs)])
    high = max([centre + _REACH_SD * rating_sd, *(x + 0.3 for x in logs)])
    step = (high - low) / (_POINTS - 1)
    means = [low + i * step for i in range(_POINTS)]
    predictive = [0.0] * _POINTS
    scatter_sum = total = 0.0
    joint = [
        [_ln_joint(mean, scatter, centre, rating_sd, typical_scatter, known, logs) for mean in means]
        for scatter in _SCATTERS
    ]
    top = max(max(row) for row in joint)
    for scatter, row in zip(_SCATTERS, joint, strict=True):
        weights = [math.exp(value - top) for value in row]
        mass = sum(weights)
        scatter_sum += scatter * mass
        total += mass
        for i, density in enumerate(_smear(weights, scatter / step)):
            predictive[i] += density
    norm = sum(predictive)
    return Capacity(
        low,
        step,
        tuple(value / norm for value in predictive),
        scatter_sum / total,
        _rests_on(known, rating_sd),
    )


def grid_quantile(low: float, step: float, weights: Iterable[float], p: float) -> float:
    """Return the ``p`` quantile of probabilities on an even grid, each spread evenly over its cell.

    Raises:
        InputError: If ``p`` is not between 0 and 1.
    """
    if not 0.0 < p < 1.0:
        raise InputError(f"Quantile: a probability of {p:g}; it must lie between 0 and 1.")
    cumulated = list(accumulate(weights))
    target = p * cumulated[-1]
    i = min(bisect_left(cumulated, target), len(cumulated) - 1)
    before = cumulated[i - 1] if i else 0.0
    inside = cumulated[i] - before
    return low + step * (i - 0.5 + ((target - before) / inside if inside > 0.0 else 0.5))


def _ln_joint(
    mean: float,
    scatter: float,
    centre: float,
    rating_sd: float,
    typical_scatter: float,
    known: tuple[Evidence, ...],
    logs: list[float],
) -> float:
    total = -0.5 * ((mean - centre) / rating_sd) ** 2
    total -= 0.5 * (math.log(scatter / typical_scatter) / _SCATTER_LN_SD) ** 2
    for line, ln_load in zip(known, logs, strict=True):
        z = (ln_load - mean) / scatter
        if line.exhausted:
            total += -0.5 * z * z - math.log(scatter)
        else:
            total += math.log(max(0.5 * math.erfc(z / math.sqrt(2.0)), 1e-300))
    return total


def _smear(weights: list[float], sd_cells: float) -> list[float]:
    """Return the weights convolved with a normal of ``sd_cells`` cells. Weight beyond the grid is dropped."""
    reach = max(1, math.ceil(4.0 * sd_cells))
    kernel = [math.exp(-0.5 * (k / sd_cells) ** 2) for k in range(-reach, reach + 1)]
    norm = sum(kernel)
    smeared = [0.0] * len(weights)
    last = len(weights) - 1
    top = max(weights)
    for i, weight in enumerate(weights):
        if weight < 1e-12 * top:
            continue
        for k in range(max(0, reach - i), min(2 * reach, last - i + reach) + 1):
            smeared[i + k - reach] += weight * kernel[k] / norm
    return smeared


def _rests_on(known: tuple[Evidence, ...], rating_sd: float) -> str:
    exhausted = sum(line.exhausted for line in known)
    early = len(known) - exhausted
    parts = [f"rating ±{100.0 * rating_sd:g} %"]
    if exhausted:
        parts.append(f"{exhausted} earlier exhausted")
    if early:
        parts.append(f"{early} changed early")
    return ", ".join(parts)


def _check(rating_g: float, rating_sd: float, typical_scatter: float) -> None:
    if not (math.isfinite(rating_g) and rating_g > 0.0):
        raise InputError(f"Capacity: a rating of {rating_g:g} g; it must be above zero.")
    if not 0.01 <= rating_sd <= 1.0:
        raise InputError(f"Capacity: a rating's relative deviation of {rating_sd:g}; give 0.01 to 1.")
    if not 0.01 <= typical_scatter <= 0.5:
        raise InputError(f"Capacity: a scatter between cartridges of {typical_scatter:g}; give 0.01 to 0.5.")
