"""The estimate of a capacity, from the rating and from earlier cartridges."""

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats

from bridge.errors import InputError
from bridge.purifier.cartridge import Capacity, Evidence, estimate


def test_without_earlier_cartridges_the_estimate_is_the_rating_with_heavy_tails() -> None:
    capacity = estimate(100.0, rating_sd=0.20)
    assert capacity.median_g == pytest.approx(100.0, rel=0.005)
    # External reference: scipy's quantiles. The middle is that of a normal of 20 % and the scatter, within a
    # fifth; the tail reaches a factor of two in 2 % of the cases, where a normal of 20 % leaves 0.03 %.
    spread = math.hypot(0.20, capacity.scatter)
    for p in (0.1, 0.9):
        middle = math.log(capacity.quantile_g(p) / 100.0)
        assert middle == pytest.approx(spread * stats.norm.ppf(p), rel=0.2)
    (half,) = capacity.chances_below([50.0])
    wide = math.hypot(0.20, 0.6)
    mixture = 0.85 * stats.norm.cdf(math.log(0.5) / spread) + 0.15 * stats.norm.cdf(math.log(0.5) / wide)
    assert half == pytest.approx(mixture, rel=0.05)
    assert half == pytest.approx(0.02, abs=0.005)
    assert capacity.rests_on == "only its rating ±20 %"


def test_a_rating_without_a_stated_deviation_may_well_be_wrong_by_a_factor_of_two() -> None:
    capacity = estimate(100.0)
    assert capacity.rests_on == "only its rating ±50 %"
    half, double = capacity.chances_below([50.0, 200.0])
    assert 0.08 < half < 0.14
    assert double == pytest.approx(1.0 - half, abs=0.005)
    assert width(capacity) > 2.0 * width(estimate(100.0, rating_sd=0.20))


def test_earlier_cartridges_correct_a_wrong_rating() -> None:
    one = estimate(100.0, [Evidence(140.0, True)])
    four = estimate(100.0, [Evidence(grams, True) for grams in (138.0, 142.0, 139.0, 141.0)])
    assert one.median_g == pytest.approx(140.0, rel=0.04)
    assert four.median_g == pytest.approx(140.0, rel=0.01)
    assert width(four) < width(one) < width(estimate(100.0))


def width(capacity: Capacity) -> float:
    return math.log(capacity.quantile_g(0.9) / capacity.quantile_g(0.1))


def test_cartridges_that_scatter_give_a_wider_interval_than_cartridges_that_agree() -> None:
    agree = estimate(100.0, [Evidence(grams, True) for grams in (99.0, 100.0, 101.0, 100.0)])
    scatter = estimate(100.0, [Evidence(grams, True) for grams in (80.0, 120.0, 90.0, 112.0)])
    assert scatter.scatter > 2.0 * agree.scatter
    assert width(scatter) > 2.0 * width(agree)


def test_a_cartridge_that_was_changed_early_is_a_lower_bound() -> None:
    bare = estimate(100.0, rating_sd=0.20)
    early_low = estimate(100.0, [Evidence(50.0, False)], 0.20)
    early_high = estimate(100.0, [Evidence(130.0, False)], 0.20)
    assert early_low.median_g == pytest.approx(bare.median_g, rel=0.01)
    assert early_high.median_g > 130.0
    assert early_high.quantile_g(0.9) > estimate(100.0, [Evidence(130.0, True)], 0.20).quantile_g(0.9)
    assert early_high.rests_on == "rating ±20 %, 1 changed early"


@settings(max_examples=15, deadline=None)
@given(st.floats(1.0, 1e4), st.lists(st.tuples(st.floats(0.4, 2.0), st.booleans()), max_size=5))
@example(1.75, [(1.5, False)])
def test_grams_on_another_scale_give_the_same_estimate_on_that_scale(
    scale: float, book: list[tuple[float, bool]]
) -> None:
    one = estimate(1.0, [Evidence(share, end) for share, end in book])
    other = estimate(scale, [Evidence(scale * share, end) for share, end in book])
    assert other.median_g == pytest.approx(scale * one.median_g, rel=1e-6)
    assert sum(other.weights) == pytest.approx(1.0)


@pytest.mark.parametrize(("rating_g", "load_g"), [(0.0, 10.0), (-5.0, 10.0), (math.nan, 10.0), (100.0, 0.0)])
def test_a_rating_or_a_load_that_is_not_above_zero_is_refused(rating_g: float, load_g: float) -> None:
    with pytest.raises(InputError):
        estimate(rating_g, [Evidence(load_g, True)])
