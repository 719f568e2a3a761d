"""The compensation: conductivity at any water temperature, converted to 25 °C."""

import math
from collections.abc import Callable
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.water.conductivity import (
    PURE_WATER_AT_25_US_CM,
    Compensation,
    Method,
    compensate,
    conductivity_25,
    pure_water_us_cm,
)

NATURAL = Compensation(Method.NATURAL)
PURE = Compensation(Method.PURE)
LINEAR = Compensation(Method.LINEAR)
OFF = Compensation(Method.OFF)
ALL = [NATURAL, PURE, LINEAR, Compensation(Method.LINEAR, 3.0), OFF]

# Molar masses in g/mol from the atomic weights, for ppm = mg/kg.
MOLAR_MASS = {"NaCl": 58.44, "CaCl2": 110.98, "NaHCO3": 84.01}


def test_natural_is_the_table_of_iso_7888(table: Callable[[str], list[dict[str, str]]]) -> None:
    entries = table("iso_7888_f25.csv")
    assert len(entries) == 36
    for row in entries:
        assert conductivity_25(NATURAL, 1.0, float(row["t_C"])) == pytest.approx(float(row["f25"]), abs=0.001)


@pytest.mark.parametrize(("formula", "within"), [("NaCl", 0.01), ("CaCl2", 0.03), ("NaHCO3", 0.03)])
@pytest.mark.parametrize("ppm", [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 25.0, 50.0])
def test_pure_is_right_for_product_water_with_any_common_salt(
    formula: str,
    within: float,
    ppm: float,
    salt: Callable[[str, float, float], float],
    iapws_water: Callable[[float], float],
) -> None:
    # Salt: McCleskey, J. Chem. Eng. Data 56 (2011) 317 (thermo, chemicals). Water: IAPWS (iapws).
    molality = ppm / MOLAR_MASS[formula] / 1000.0
    at_25 = salt(formula, molality, 25.0) + iapws_water(25.0)
    for t in range(5, 36):
        measured = salt(formula, molality, t) + iapws_water(t)
        assert conductivity_25(PURE, measured, t) == pytest.approx(at_25, rel=within), f"at {t} °C"


def test_pure_converts_pure_water_to_pure_water(iapws_water: Callable[[float], float]) -> None:
    for t in range(5, 36):
        assert conductivity_25(PURE, iapws_water(t), t) == pytest.approx(iapws_water(25.0), rel=0.02)


def test_pure_is_usable_for_clean_water_that_has_stood_in_air(
    table: Callable[[str], list[dict[str, str]]],
) -> None:
    # CRC Handbook, water saturated with the air's carbon dioxide (kcl_conductivity.csv). Carbonic acid is not
    # a salt, so the method does not cover it. The result is still right within 6 %, while the reading changes
    # by a factor of 2.
    at = {float(row["t_C"]): float(row["water_co2_saturated"]) for row in table("kcl_conductivity.csv")}
    for t, measured in at.items():
        if t <= 35.0:
            assert conductivity_25(PURE, measured, t) == pytest.approx(at[25.0], rel=0.06), f"at {t} °C"


def test_linear_is_wrong_by_tens_of_per_cent_where_water_is_nearly_pure(
    iapws_water: Callable[[float], float],
) -> None:
    assert conductivity_25(LINEAR, iapws_water(10.0), 10.0) < 0.7 * iapws_water(25.0)


def test_linear_follows_its_coefficient() -> None:
    assert conductivity_25(Compensation(Method.LINEAR, 2.5), 75.0, 15.0) == pytest.approx(100.0)


@pytest.mark.parametrize("how", ALL)
@given(conductivity=st.floats(-1.0, 5000.0))
def test_at_25_degrees_no_method_changes_anything(how: Compensation, conductivity: float) -> None:
    assert conductivity_25(how, conductivity, 25.0) == pytest.approx(conductivity, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("how", ALL)
@given(
    fraction=st.floats(0.0, 1.0),
    one=st.floats(0.0, 5000.0),
    more=st.floats(1e-6, 100.0),
)
def test_a_higher_conductivity_never_gives_purer_water(
    how: Compensation, fraction: float, one: float, more: float
) -> None:
    low, high = how.method.range_c
    t = low + fraction * (high - low)
    assert conductivity_25(how, one, t) < conductivity_25(how, one + more, t)


@pytest.mark.parametrize("t", [0.0, 5.0, 25.0, 40.0, 50.0])
def test_pure_is_continuous_below_the_conductivity_of_pure_water(t: float) -> None:
    water = pure_water_us_cm(t)
    assert conductivity_25(PURE, 0.0, t) == 0.0
    assert 0.0 < conductivity_25(PURE, 0.5 * water, t) < PURE_WATER_AT_25_US_CM
    just_below, just_above = (conductivity_25(PURE, water * (1 + e), t) for e in (-1e-9, 1e-9))
    assert just_below == pytest.approx(just_above, rel=1e-7)
    assert conductivity_25(PURE, -0.01, t) < 0.0


@pytest.mark.parametrize("how", ALL)
@given(fraction=st.floats(0.01, 0.99), conductivity=st.floats(0.01, 2000.0))
def test_the_sensitivities_are_the_derivatives(
    how: Compensation, fraction: float, conductivity: float
) -> None:
    low, high = how.method.range_c
    t = low + fraction * (high - low)
    if how.method is Method.PURE and abs(conductivity / pure_water_us_cm(t) - 1.0) < 0.01:
        return  # The curve has a kink at the pure-water line.
    result = compensate(how, conductivity, t)

    def slope(at: Callable[[float], float], step: float) -> float:
        return (at(step) - at(-step)) / (2.0 * step)

    close = partial(pytest.approx, rel=1e-4, abs=1e-6 * conductivity)
    of_conductivity = slope(lambda e: conductivity_25(how, conductivity + e, t), conductivity * 1e-4)
    of_temperature = slope(lambda e: conductivity_25(how, conductivity, t + e), 1e-4)
    assert result.per_conductivity == close(of_conductivity)
    assert result.per_kelvin == close(of_temperature)
    of_coefficient = slope(
        lambda e: conductivity_25(Compensation(how.method, how.linear_percent_per_k + e), conductivity, t),
        1e-4,
    )
    assert result.per_coefficient == close(of_coefficient)


@pytest.mark.parametrize("how", ALL)
def test_a_method_refuses_a_temperature_outside_its_range_and_names_the_range(how: Compensation) -> None:
    low, high = how.method.range_c
    conductivity_25(how, 100.0, low)
    conductivity_25(how, 100.0, high)
    for t in (low - 0.01, high + 0.01, math.nan, math.inf):
        with pytest.raises(OutOfRangeError, match=f"{how.method.value}.*{low:g} to {high:g} °C"):
            conductivity_25(how, 100.0, t)


@pytest.mark.parametrize("coefficient", [0.0, -2.0, 4.1, math.nan])
def test_a_coefficient_that_no_water_has_is_refused(coefficient: float) -> None:
    with pytest.raises(OutOfRangeError, match="2 %/K is common"):
        Compensation(Method.LINEAR, coefficient)


def test_a_coefficient_may_be_small_and_up_to_the_largest_that_salts_have() -> None:
    for percent_per_k in (0.1, 3.5):
        assert Compensation(Method.LINEAR, percent_per_k).linear_percent_per_k == percent_per_k
    with pytest.raises(OutOfRangeError, match=r"at most 3\.5"):
        Compensation(Method.LINEAR, math.nextafter(3.5, 4.0))
