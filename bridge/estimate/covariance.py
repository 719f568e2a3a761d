"""The algebra of a small Kalman filter: covariances as tuples of rows, of any size.

Plain loops are fast enough for a handful of numbers a minute, and need no library.
"""

import math
from collections.abc import Sequence

Matrix = tuple[tuple[float, ...], ...]
Rows = list[list[float]]


def diagonal(variances: Sequence[float]) -> Matrix:
    """Return the covariance of independent numbers."""
    size = range(len(variances))
    return tuple(tuple(variances[i] if i == j else 0.0 for j in size) for i in size)


def identity(size: int) -> Rows:
    """Return the derivatives of a step that changes nothing, to write into."""
    return [[1.0 if i == j else 0.0 for j in range(size)] for i in range(size)]


def zeros(size: int) -> Rows:
    """Return a covariance of nothing, to write into."""
    return [[0.0] * size for _ in range(size)]


def propagated(jacobian: Rows, covariance: Matrix, noise: Rows) -> Matrix:
    """Return the covariance after a step: J P Jᵀ + noise."""
    size = range(len(covariance))
    half = [[sum(jacobian[i][k] * covariance[k][j] for k in size) for j in size] for i in size]
    return tuple(
        tuple(sum(half[i][k] * jacobian[j][k] for k in size) + noise[i][j] for j in size) for i in size
    )


def with_variance(covariance: Matrix, which: int, variance: float) -> Matrix:
    """Return the covariance in which one number has another variance and the same covariances."""
    rows = [list(row) for row in covariance]
    rows[which][which] = variance
    return tuple(map(tuple, rows))


def alone(covariance: Matrix, which: int, variance: float) -> Matrix:
    """Return the covariance in which one number has a variance and no correlation."""
    rows = [
        [0.0 if which in (i, j) else value for j, value in enumerate(row)] for i, row in enumerate(covariance)
    ]
    rows[which][which] = variance
    return tuple(map(tuple, rows))


def updated(
    covariance: Matrix, shown: Sequence[float], innovation: float, variance: float
) -> tuple[list[float], Matrix]:
    """Return the steps of all numbers, and the covariance, after an observation.

    Args:
        covariance: the covariance before.
        shown: how much of each number the observation shows.
        innovation: the observation less its expected value.
        variance: the observation's own variance.
    """
    size = range(len(covariance))
    with_shown = [sum(covariance[i][j] * shown[j] for j in size) for i in size]
    whole = sum(shown[i] * with_shown[i] for i in size) + variance
    if whole <= 0.0:
        return [0.0 for _ in size], covariance
    gain = [value / whole for value in with_shown]
    rows = [[covariance[i][j] - gain[i] * with_shown[j] for j in size] for i in size]
    for i in size:
        rows[i][i] = max(rows[i][i], 0.0)
    return [step * innovation for step in gain], tuple(map(tuple, rows))


def bounded(
    covariance: Matrix, shown: Sequence[float], bound: float, variance: float
) -> tuple[list[float], Matrix]:
    """Return the same after an upper bound: the sum is at most ``bound`` above its expected value.

    The sum is normal before, and a normal distribution cut off at the bound after (moments: N. L. Johnson,
    S. Kotz, Continuous Univariate Distributions 1, 1970, 13.7). What it was correlated with follows.
    """
    size = range(len(covariance))
    whole = sum(shown[i] * covariance[i][j] * shown[j] for i in size for j in size) + variance
    unchanged = [0.0 for _ in size], covariance
    if whole <= 0.0:
        return unchanged
    sd = math.sqrt(whole)
    cut = max(bound / sd, -6.0)
    below = 0.5 * math.erfc(-cut / math.sqrt(2.0))
    hazard = math.exp(-0.5 * cut * cut) / math.sqrt(2.0 * math.pi) / below
    left = max(1.0 - cut * hazard - hazard * hazard, 1e-6)
    if left > 0.999:
        return unchanged
    # The normal observation that leaves the same mean and the same variance.
    apparent = variance + whole * left / (1.0 - left)
    return updated(covariance, shown, -sd * hazard / (1.0 - left), apparent)
