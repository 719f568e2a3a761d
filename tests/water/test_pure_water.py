"""The conductivity of pure water, the lowest possible reading."""

import math
from collections.abc import Callable

import pytest

from bridge.errors import OutOfRangeError
from bridge.water.conductivity import PURE_HIGHEST_C
from bridge.water.conductivity import pure_water_us_cm as conductivity_us_cm
from bridge.water.conductivity import pure_water_with_slope as with_slope


@pytest.mark.parametrize("t", range(41))
def test_the_conductivity_agrees_with_iapws(t: int, iapws_water: Callable[[float], float]) -> None:
    # IAPWS guideline on electrolytic conductivity (1990), as the library iapws carries it; with its own ion
    # product (Marshall and Franck 1981), where ours is that of Harned and Hamer.
    assert conductivity_us_cm(t) == pytest.approx(iapws_water(t), rel=0.02)


@pytest.mark.parametrize("t", range(41))
def test_with_the_same_ion_product_the_conductivity_is_that_of_iapws(
    t: int, iapws_water: Callable[[float], float], density: Callable[[float], float]
) -> None:
    # pKw by W. L. Marshall and E. U. Franck, J. Phys. Chem. Ref. Data 10 (1981) 295, as iapws carries it, and
    # by Harned and Hamer (1933). The rest of the equation is the same.
    kelvin = t + 273.15
    harned = -6.0875 + 4470.99 / kelvin + 0.01706 * kelvin
    marshall = 4.098 + 3245.2 / kelvin - 2.2362e5 / kelvin**2 + 3.984e7 / kelvin**3
    marshall -= (13.957 - 1262.3 / kelvin + 8.5641e5 / kelvin**2) * math.log10(density(t) / 1000.0)
    same = iapws_water(t) * 10.0 ** (0.5 * (marshall - harned))
    assert conductivity_us_cm(t) == pytest.approx(same, rel=3e-5)


def test_the_conductivity_at_25_degrees_is_the_measured_value() -> None:
    # Light, Licht, Bevilacqua, Morash, Electrochem. Solid-State Lett. 8 (2005) E16: 0.05501 µS/cm at 25 °C.
    assert conductivity_us_cm(25.0) == pytest.approx(0.05501, rel=0.002)


def test_the_ion_product_is_the_published_one(
    table: Callable[[str], list[dict[str, str]]],
) -> None:
    # CRC Handbook (ion_product.csv). A difference of 0.01 in pKw is 1.2 % of the conductivity.
    for row in table("ion_product.csv"):
        kelvin = float(row["t_C"]) + 273.15
        assert -6.0875 + 4470.99 / kelvin + 0.01706 * kelvin == pytest.approx(float(row["pKw"]), abs=0.01)


def test_the_density_is_right_over_the_whole_range(density: Callable[[float], float]) -> None:
    t = PURE_HIGHEST_C
    tanaka = 999.97495 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))
    assert tanaka == pytest.approx(density(t), rel=1e-4)


def test_both_ends_of_the_range_have_a_value() -> None:
    assert 0.0 < conductivity_us_cm(0.0) < conductivity_us_cm(PURE_HIGHEST_C)


@pytest.mark.parametrize("t", [0.1, 4.0, 10.0, 25.0, 37.5, 49.9])
def test_the_slope_is_the_derivative(t: float) -> None:
    numeric = (conductivity_us_cm(t + 1e-3) - conductivity_us_cm(t - 1e-3)) / 2e-3
    assert with_slope(t)[1] == pytest.approx(numeric, rel=1e-6)


@pytest.mark.parametrize("t", [-0.01, 50.01, math.nan, math.inf])
def test_a_temperature_outside_the_range_is_refused(t: float) -> None:
    with pytest.raises(OutOfRangeError, match="0 to 50 °C"):
        conductivity_us_cm(t)
