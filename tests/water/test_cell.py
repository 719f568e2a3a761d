"""From conductance to conductivity."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.water.conductivity import Cell, conductance_us, conductivity_us_cm, with_slope


def test_conductivity_is_conductance_times_the_cell_constant() -> None:
    assert conductivity_us_cm(Cell(0.1), 140.0) == pytest.approx(14.0)


def test_the_reading_of_a_dry_cell_is_subtracted() -> None:
    assert conductivity_us_cm(Cell(0.1, offset_us=0.5), 140.5) == pytest.approx(14.0)


def test_long_leads_do_not_make_the_water_look_purer() -> None:
    # 1000 ohm of water behind 50 ohm of cable: the input measures 1050 ohm, by Ohm's law.
    assert conductivity_us_cm(Cell(1.0, lead_resistance_ohm=50.0), 1e6 / 1050.0) == pytest.approx(1000.0)


@given(
    constant=st.floats(0.01, 10.0),
    leads=st.floats(0.0, 100.0),
    offset=st.floats(-1.0, 1.0),
    water=st.floats(0.0, 5000.0),
)
def test_conductance_and_conductivity_are_inverse(
    constant: float, leads: float, offset: float, water: float
) -> None:
    cell = Cell(constant, leads, offset)
    assert conductivity_us_cm(cell, conductance_us(cell, water)) == pytest.approx(water, rel=1e-6, abs=1e-6)


@given(seen=st.floats(0.1, 5000.0), leads=st.floats(0.0, 100.0))
def test_the_slope_is_the_derivative(seen: float, leads: float) -> None:
    cell = Cell(0.5, leads, 0.02)
    step = seen * 1e-5
    numeric = (conductivity_us_cm(cell, seen + step) - conductivity_us_cm(cell, seen - step)) / (2 * step)
    assert with_slope(cell, seen)[1] == pytest.approx(numeric, rel=1e-6)


@pytest.mark.parametrize(
    ("low", "high", "name"),
    [
        (0.001, 100.0, "constant_per_cm"),
        (0.0, 1000.0, "lead_resistance_ohm"),
        (-1000.0, 1000.0, "offset_us"),
    ],
)
def test_a_cell_may_have_any_value_up_to_both_ends_of_its_range(low: float, high: float, name: str) -> None:
    for value in (low, high):
        Cell(**{"constant_per_cm": 0.1, name: value})
    for value in (math.nextafter(low, -math.inf), math.nextafter(high, math.inf)):
        with pytest.raises(OutOfRangeError, match="must lie"):
            Cell(**{"constant_per_cm": 0.1, name: value})


@pytest.mark.parametrize("wrong", [-0.001, math.inf, math.nan])
def test_an_impossible_conductivity_has_no_conductance(wrong: float) -> None:
    with pytest.raises(OutOfRangeError, match="zero or more"):
        conductance_us(Cell(0.1), wrong)
    assert conductance_us(Cell(0.1, 10.0, 0.3), 0.0) == 0.3, "a dry cell reads its offset"


@pytest.mark.parametrize(
    ("constant", "leads", "offset"),
    [(0.0, 0.0, 0.0), (-0.1, 0.0, 0.0), (math.nan, 0.0, 0.0), (0.1, -1.0, 0.0), (0.1, 0.0, math.inf)],
)
def test_an_impossible_cell_is_refused(constant: float, leads: float, offset: float) -> None:
    with pytest.raises(OutOfRangeError, match="must lie"):
        Cell(constant, leads, offset)


@pytest.mark.parametrize("seen", [math.nan, math.inf, -math.inf, 20_000.0, 30_000.0])
def test_an_impossible_conductance_is_refused(seen: float) -> None:
    with pytest.raises(OutOfRangeError, match="leads"):
        conductivity_us_cm(Cell(0.1, lead_resistance_ohm=50.0), seen)
