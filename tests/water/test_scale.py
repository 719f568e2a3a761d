"""The scale of dissolved solids."""

import math

import pytest

from bridge.errors import OutOfRangeError
from bridge.water.measurement import checked_factor, scale_label


def test_a_scale_has_a_label() -> None:
    assert scale_label(0.64) == "0.64 ppm per µS/cm at 25 °C"


@pytest.mark.parametrize("factor", [0.0, 0.05, 7.0, -0.5, math.nan])
def test_a_factor_that_no_water_has_is_refused(factor: float) -> None:
    with pytest.raises(OutOfRangeError, match=r"0\.5 and 0\.7 are common"):
        checked_factor(factor)


def test_the_ends_of_the_range_of_factors_are_allowed() -> None:
    for factor in (0.3, 1.5):
        assert checked_factor(factor) == factor
    for factor in (math.nextafter(0.3, 0.0), math.nextafter(1.5, 2.0)):
        with pytest.raises(OutOfRangeError, match="must lie between"):
            checked_factor(factor)
