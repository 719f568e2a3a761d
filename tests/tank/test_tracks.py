"""The Kalman filter behind the use of a day, against matrices of numpy and distributions of scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import norm, truncnorm

from bridge.tank.tracks import (
    FAST_KEPT,
    PARTS,
    SLOW_KEPT,
    Track,
    first_spread,
    gains_of,
    later,
    narrowed,
    root_of,
    row_of,
    seen,
)

Matrix = NDArray[np.float64]
SIZES = (0.8, 0.5, 0.3)
"""Of season, slow and fast."""


def full(spread: tuple[float, ...]) -> Matrix:
    """Returns the whole covariance of a lower triangle."""
    matrix = np.zeros((PARTS, PARTS))
    matrix[np.tril_indices(PARTS)] = spread
    return matrix + np.tril(matrix, -1).T


def lower(matrix: Matrix) -> tuple[float, ...]:
    return tuple(float(value) for value in matrix[np.tril_indices(PARTS)])


@st.composite
def tracks(draw: st.DrawFn) -> Track:
    """Draws a filtered state with any mean and any covariance."""
    chance = np.random.default_rng(draw(st.integers(0, 2**32)))
    factor = chance.normal(size=(PARTS, PARTS))
    return Track(0.0, 5.0, 2.0, tuple(chance.normal(size=PARTS)), lower(factor @ factor.T + 0.01 * np.eye(7)))


def test_the_parts_of_a_day_are_a_level_two_waves_of_the_year_and_two_that_pass() -> None:
    for day in (0, 100, 200, 737_000):
        turn = 2.0 * math.pi * day / 365.2425
        level, cos, sin, cos2, sin2, slow, fast = row_of(day)
        assert (level, slow, fast) == (1.0, 1.0, 1.0)
        assert complex(cos, sin) == pytest.approx(complex(math.cos(turn), math.sin(turn)), abs=1e-6)
        assert complex(cos2, sin2) == pytest.approx(complex(cos, sin) ** 2, abs=1e-6)
    # A Gregorian year has 146097 days in 400 years.
    assert row_of(1000) == pytest.approx(row_of(1000 + 146_097), abs=1e-6)


def test_before_anything_is_learned_the_parts_are_independent_and_have_their_sizes() -> None:
    matrix = full(first_spread(2.0, SIZES))
    assert np.count_nonzero(matrix - np.diag(np.diag(matrix))) == 0
    # The half-yearly wave has 0.3 of the size of the yearly one.
    assert np.sqrt(np.diag(matrix)) == pytest.approx([2.0, 0.8, 0.8, 0.24, 0.24, 0.5, 0.3])


@given(tracks(), st.integers(0, 40))
def test_a_later_state_is_that_of_the_transition_matrix(track: Track, days: int) -> None:
    kept = np.diag([1.0] * 5 + [SLOW_KEPT, FAST_KEPT])
    noise = np.zeros((PARTS, PARTS))
    # A stationary wanderer gains as much variance as it loses.
    noise[5, 5], noise[6, 6] = (1.0 - SLOW_KEPT**2) * SIZES[1] ** 2, (1.0 - FAST_KEPT**2) * SIZES[2] ** 2
    mean, matrix = np.array(track.mean), full(track.spread)
    for _ in range(days):
        mean, matrix = kept @ mean, kept @ matrix @ kept.T + noise
    after = later(track, SIZES, days)
    assert after.mean == pytest.approx(mean, abs=1e-9)
    assert full(after.spread) == pytest.approx(matrix, abs=1e-9)
    assert (after.noise, after.freedom, after.log_weight) == (track.noise, track.freedom, track.log_weight)


@given(tracks(), st.integers(0, 366))
def test_the_forecast_of_a_day_has_the_mean_and_the_covariances_of_the_sum(track: Track, day: int) -> None:
    row = np.array(row_of(day))
    matrix = full(track.spread)
    forecast, cross, variance = gains_of(track, row_of(day))
    assert forecast == pytest.approx(float(row @ np.array(track.mean)))
    assert cross == pytest.approx(matrix @ row)
    assert variance == pytest.approx(float(row @ matrix @ row) + 1.0)


@given(tracks(), st.integers(0, 366), st.booleans())
def test_a_day_of_which_only_the_sign_is_known_has_the_moments_of_a_truncated_normal(
    track: Track, day: int, some: bool
) -> None:
    row = np.array(row_of(day))
    mean, matrix = np.array(track.mean), full(track.spread)
    middle, variance = float(row @ mean), float(row @ matrix @ row) + 1.0
    size = math.sqrt(variance)
    at = -middle / size
    if norm.sf(at if some else -at) < 1e-9:
        return  # So sure a forecast is not wrong, and the code bounds the chance.
    cut = truncnorm(at, math.inf, middle, size) if some else truncnorm(-math.inf, at, middle, size)
    # The law of total expectation and of total variance, for parts that are normal with the sum.
    gain = matrix @ row / variance
    after = seen(track, row_of(day), some)
    assert np.array(after.mean) == pytest.approx(mean + gain * (cut.mean() - middle), abs=1e-6)
    narrower = matrix - np.outer(gain, gain) * (variance - cut.var())
    assert full(after.spread) == pytest.approx(narrower, abs=1e-5)
    assert after.noise == track.noise


@given(tracks(), st.floats(0.0, 1.0))
def test_a_covariance_is_narrowed_by_an_outer_product(track: Track, by: float) -> None:
    cross = [0.1 * (number + 1) for number in range(PARTS)]
    expected = full(track.spread) - by * np.outer(cross, cross)
    assert full(narrowed(track.spread, cross, by)) == pytest.approx(expected)


@given(tracks())
def test_the_root_of_a_covariance_is_that_of_cholesky(track: Track) -> None:
    root = np.zeros((PARTS, PARTS))
    for number, line in enumerate(root_of(track.spread)):
        root[number, : len(line)] = line
    assert root == pytest.approx(np.linalg.cholesky(full(track.spread)), abs=1e-6)


def test_a_part_without_spread_has_no_root_and_disturbs_no_other() -> None:
    spread = first_spread(1.0, (0.0, 0.5, 0.3))
    root = root_of(spread)
    assert [line[-1] for line in root] == pytest.approx([1.0, 0.0, 0.0, 0.0, 0.0, 0.5, 0.3])
    assert all(value == 0.0 for line in root for value in line[:-1])
