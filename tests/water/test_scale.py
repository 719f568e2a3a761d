"""Dissolved solids on a named scale."""

import math

import pytest

from bridge.errors import OutOfRangeError
from bridge.water.measurement import Scale, dissolved_solids_ppm, on_other_scale, scale_label


def test_the_same_water_reads_differently_on_the_two_common_scales() -> None:
    assert dissolved_solids_ppm(80.0, Scale.HALF.factor) == pytest.approx(40.0)
    assert dissolved_solids_ppm(80.0, Scale.SEVEN_TENTHS.factor) == pytest.approx(56.0)
    assert on_other_scale(56.0, 0.7, 0.5) == pytest.approx(40.0)


def test_a_scale_has_a_label() -> None:
    assert Scale.HALF.label == "0.5 ppm per µS/cm at 25 °C"
    assert scale_label(0.64) == "0.64 ppm per µS/cm at 25 °C"


@pytest.mark.parametrize("factor", [0.0, 0.05, 7.0, -0.5, math.nan])
def test_a_factor_that_no_water_has_is_refused(factor: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"0\.5 and 0\.7 are common"):
        dissolved_solids_ppm(100.0, factor)


def test_the_ends_of_the_range_of_factors_are_allowed() -> None:
    for factor in (0.3, 1.5):
        assert dissolved_solids_ppm(100.0, factor) == pytest.approx(100.0 * factor)
    for factor in (math.nextafter(0.3, 0.0), math.nextafter(1.5, 2.0)):
        with pytest.raises(OutOfRangeError, match="must lie between"):
            dissolved_solids_ppm(100.0, factor)
