"""The sum of parts that wanders from day to day: its state in a Kalman filter, carried on and corrected.

The parts are a constant level, a yearly and a half-yearly wave, and two that return to zero in weeks and in
days. :mod:`bridge.tank.daily_use` says what they stand for. A covariance is its lower triangle.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

_LEVEL, _COS, _SIN, _COS2, _SIN2, _SLOW, _FAST = range(7)
PARTS = 7
SLOW_KEPT = 0.97
FAST_KEPT = 0.70
_SECOND_WAVE = 0.3
"""Size of the half-yearly wave in units of the yearly one."""


@dataclass(frozen=True, slots=True)
class Track:
    """One hypothesis: its filtered state and how well it has forecast."""

    log_weight: float
    freedom: float
    """Effective number of days behind the noise."""
    noise: float
    """Variance of the noise."""
    mean: tuple[float, ...]
    spread: tuple[float, ...]
    """Lower triangle of the covariance, in units of the noise's variance."""


def first_spread(level_sd: float, sizes: tuple[float, float, float]) -> tuple[float, ...]:
    """Return the covariance before anything is learned, from the sizes of season, slow and fast."""
    season, slow, fast = sizes
    all_sizes = (level_sd, season, season, _SECOND_WAVE * season, _SECOND_WAVE * season, slow, fast)
    return tuple(
        all_sizes[row] ** 2 if row == column else 0.0 for row in range(PARTS) for column in range(row + 1)
    )


def row_of(day: int) -> tuple[float, ...]:
    """Return how much of each part counts on a day."""
    angle = 2.0 * math.pi * day / 365.2425
    return 1.0, math.cos(angle), math.sin(angle), math.cos(2.0 * angle), math.sin(2.0 * angle), 1.0, 1.0


def later(track: Track, sizes: tuple[float, float, float], days: int) -> Track:
    """Return the state some days later: slow and fast return towards zero."""
    _, slow, fast = sizes
    kept = (1.0, 1.0, 1.0, 1.0, 1.0, SLOW_KEPT**days, FAST_KEPT**days)
    mean = tuple(one * keep for one, keep in zip(track.mean, kept, strict=True))
    spread = list(track.spread)
    at = 0
    for row in range(PARTS):
        for column in range(row + 1):
            spread[at] *= kept[row] * kept[column]
            at += 1
    spread[_place(_SLOW, _SLOW)] += slow * slow * (1.0 - kept[_SLOW] ** 2)
    spread[_place(_FAST, _FAST)] += fast * fast * (1.0 - kept[_FAST] ** 2)
    return replace(track, mean=mean, spread=tuple(spread))


def _place(row: int, column: int) -> int:
    """Return the place in the lower triangle."""
    return row * (row + 1) // 2 + column


Gain = tuple[float, list[float], float]
"""The forecast of z, the covariance of each part with it, and its variance in units of the noise."""

_LOWER = tuple((row, column) for row in range(PARTS) for column in range(row + 1))
_FULL = tuple(
    tuple(_place(max(row, column), min(row, column)) for column in range(PARTS)) for row in range(PARTS)
)


def gains_of(track: Track, row: tuple[float, ...]) -> Gain:
    """Return the forecast of a day and what its measurement tells of each part."""
    spread = track.spread
    cross = [sum(spread[place] * one for place, one in zip(places, row, strict=True)) for places in _FULL]
    forecast = sum(one * part for one, part in zip(row, track.mean, strict=True))
    return forecast, cross, sum(one * part for one, part in zip(row, cross, strict=True)) + 1.0


def seen(track: Track, row: tuple[float, ...], some: bool) -> Track:
    """Return the state after a day whose sum is known to be above zero, or below it; the noise stays."""
    forecast, cross, variance = gains_of(track, row)
    sign = 1.0 if some else -1.0
    at = sign * forecast / math.sqrt(variance)
    below = max(0.5 * math.erfc(-at / math.sqrt(2.0)), 1e-12)
    pull = math.exp(-0.5 * at * at) / math.sqrt(2.0 * math.pi) / below
    mean = tuple(
        part + one * sign * pull / math.sqrt(variance) for part, one in zip(track.mean, cross, strict=True)
    )
    return replace(track, mean=mean, spread=narrowed(track.spread, cross, pull * (pull + at) / variance))


def narrowed(spread: Sequence[float], cross: Sequence[float], by: float) -> tuple[float, ...]:
    """Return the covariance less ``by`` times the product of each two of ``cross``."""
    return tuple(
        value - by * cross[row] * cross[column] for value, (row, column) in zip(spread, _LOWER, strict=True)
    )


def root_of(spread: Sequence[float]) -> list[list[float]]:
    """Return the lower triangular root of a covariance (Cholesky)."""
    root: list[list[float]] = []
    for row in range(PARTS):
        line: list[float] = []
        for column in range(row + 1):
            rest = spread[_place(row, column)]
            above = line if row == column else root[column]
            rest -= math.fsum(one * two for one, two in zip(line, above, strict=False))
            if row == column:
                line.append(math.sqrt(max(rest, 0.0)))
            else:
                line.append(rest / root[column][column] if root[column][column] > 1e-9 else 0.0)
        root.append(line)
    return root
