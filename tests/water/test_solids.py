"""Dissolved solids on a named scale, and the verdict."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.estimate.verdict import Verdict, judge
from bridge.water.measurement import Scale, dissolved_solids_ppm, on_other_scale, scale_label

ORDER = [Verdict.SUITABLE, Verdict.MARGINAL, Verdict.UNSUITABLE]
ppm = st.floats(0.0, 200.0)


def test_the_same_water_reads_differently_on_the_two_common_scales() -> None:
    assert dissolved_solids_ppm(80.0, Scale.HALF.factor) == pytest.approx(40.0)
    assert dissolved_solids_ppm(80.0, Scale.SEVEN_TENTHS.factor) == pytest.approx(56.0)
    assert on_other_scale(56.0, 0.7, 0.5) == pytest.approx(40.0)


def test_a_scale_has_a_label() -> None:
    assert Scale.HALF.label == "0.5 ppm per µS/cm at 25 °C"
    assert scale_label(0.64) == "0.64 ppm per µS/cm at 25 °C"


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


@pytest.mark.parametrize("factor", [0.0, 0.05, 7.0, -0.5, math.nan])
def test_a_factor_that_no_water_has_is_refused(factor: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"0\.5 and 0\.7 are common"):
        dissolved_solids_ppm(100.0, factor)
