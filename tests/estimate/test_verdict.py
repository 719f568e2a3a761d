"""The verdict by guarded acceptance, and the line of the product."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.estimate.verdict import (
    ProductLine,
    Verdict,
    decide,
    judge,
    over_limit_probability,
    passes,
    product_line,
)

ORDER = [Verdict.SUITABLE, Verdict.MARGINAL, Verdict.UNSUITABLE]
ppm = st.floats(0.0, 200.0)


def test_the_guard_band_is_added_before_the_verdict() -> None:
    assert judge(48.0, 0.0) is Verdict.MARGINAL
    assert judge(48.0, 2.0) is Verdict.UNSUITABLE
    assert judge(24.0, 1.0) is Verdict.MARGINAL


@given(value=ppm, guard=st.floats(0.0, 50.0), more=st.floats(0.0, 50.0))
def test_more_solids_or_a_wider_guard_band_never_improve_the_verdict(
    value: float, guard: float, more: float
) -> None:
    before = ORDER.index(judge(value, guard))
    assert ORDER.index(judge(value + more, guard)) >= before
    assert ORDER.index(judge(value, guard + more)) >= before


@given(value=ppm, guard=st.floats(0.0, 50.0))
def test_acceptable_water_is_below_the_limit_by_the_guard_band(value: float, guard: float) -> None:
    # Guarded acceptance, JCGM 106:2012, 8.3.2: accepted only below the limit less the guard band.
    assert (judge(value, guard) is not Verdict.UNSUITABLE) == (value + guard < 50.0)


@pytest.mark.parametrize(
    ("value", "guard", "limit", "target"),
    [
        (math.nan, 0.0, 50.0, 25.0),
        (math.inf, 0.0, 50.0, 25.0),
        (10.0, math.nan, 50.0, 25.0),
        (10.0, -1.0, 50.0, 25.0),
        (10.0, 0.0, 25.0, 50.0),
        (10.0, 0.0, math.nan, 25.0),
    ],
)
def test_impossible_values_have_no_verdict(value: float, guard: float, limit: float, target: float) -> None:
    with pytest.raises(OutOfRangeError):
        judge(value, guard, limit, target)


def test_the_probability_is_that_of_a_normal_distribution() -> None:
    dice = random.Random(3)
    over = sum(dice.gauss(45.0, 4.0) >= 50.0 for _ in range(40_000)) / 40_000
    assert over_limit_probability(45.0, 8.0, 50.0) == pytest.approx(over, abs=0.005)
    assert over_limit_probability(50.0, 8.0, 50.0) == pytest.approx(0.5)


@given(value=st.floats(0.0, 120.0), band=st.floats(0.0, 60.0))
def test_accepted_water_is_at_most_seldom_over_the_limit(value: float, band: float) -> None:
    judgement = decide(value, band)
    accepted = judgement.verdict in (Verdict.SUITABLE, Verdict.MARGINAL)
    assert judgement.over_limit_probability is not None
    # k = 2: JCGM 106:2012, 9.5.3.
    assert accepted == (judgement.over_limit_probability < 0.0227501)
    assert accepted == passes(value, band)
    assert judgement.expanded_ppm is not None
    assert judgement.expanded_ppm >= 0.1


def test_a_value_that_shows_nothing_is_unknown_and_one_over_the_limit_is_unsuitable() -> None:
    assert decide(30.0, 30.0).verdict is Verdict.UNKNOWN
    assert decide(45.0, 8.0).verdict is Verdict.UNSUITABLE
    assert decide(60.0, 60.0).verdict is Verdict.UNSUITABLE
    assert decide(6.0, 30.0).verdict is Verdict.MARGINAL


def test_a_retest_that_is_near_the_limit_does_not_pass() -> None:
    assert not passes(49.9, 2.0)
    assert not passes(49.95, 0.0)
    assert passes(47.0, 2.0)


def test_the_product_has_a_line_of_its_own() -> None:
    assert product_line(None, 0.0, flowing=True) is ProductLine.FAILED
    assert product_line(57.0, 2.0, flowing=False) is ProductLine.STANDING
    assert product_line(57.0, 2.0, flowing=True) is ProductLine.OVER_LIMIT
    assert product_line(12.0, 2.0, flowing=True) is ProductLine.FLOWING
