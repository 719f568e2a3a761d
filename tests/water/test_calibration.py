"""Calibration in standard solutions, each with its value at its own temperature."""

import math
import statistics
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError, OutOfRangeError
from bridge.water.calibration import one_point, point, two_point
from bridge.water.conductivity import Cell, conductance_us
from bridge.water.standards import (
    BOTTLED_84,
    BOTTLED_1413,
    KCL_001,
    KCL_01,
    STANDARDS,
    Standard,
    aired_water_us_cm,
    find,
    value_us_cm,
)

Table = Callable[[str], list[dict[str, str]]]


@pytest.mark.parametrize("t", [5.0, 10.0, 15.0, 18.0, 20.0, 25.0, 30.0, 35.0])
def test_potassium_chloride_gives_one_cell_constant_at_every_temperature(t: float, table: Table) -> None:
    # CRC Handbook (kcl_conductivity.csv). A cell sees the salt and the water it is dissolved in.
    row = next(row for row in table("kcl_conductivity.csv") if float(row["t_C"]) == t)
    seen_us = (float(row["kcl_0.01_mol_kg"]) + float(row["water_co2_saturated"])) / 0.4817
    found = one_point(point(KCL_001, seen_us, t))
    assert found.cell.constant_per_cm == pytest.approx(0.4817, rel=1e-6)
    # The same holds for perfectly pure water.
    assert one_point(point(KCL_001, seen_us, t, water_us_cm=0.0)).cell.constant_per_cm == pytest.approx(
        0.4817, rel=0.003
    )


def test_an_independent_measurement_of_the_same_solution_gives_the_same_cell_constant(
    salt: Callable[[str, float, float], float], iapws_water: Callable[[float], float]
) -> None:
    # McCleskey, J. Chem. Eng. Data 56 (2011) 317 (thermo, chemicals), with pure water by IAPWS:
    # independent measurements in an independent cell.
    constants = [
        one_point(
            point(KCL_001, (salt("KCl", 0.01, t) + iapws_water(t)) / 0.1, t, water_us_cm=iapws_water(t))
        ).cell.constant_per_cm
        for t in (5.0, 10.0, 15.0, 18.0, 20.0, 25.0, 30.0, 35.0)
    ]
    assert max(constants) / min(constants) < 1.003
    assert statistics.mean(constants) == pytest.approx(0.1, rel=0.006)


@pytest.mark.parametrize(
    ("standard", "file", "column"),
    [
        (KCL_001, "kcl_conductivity.csv", "kcl_0.01_mol_kg"),
        (KCL_01, "kcl_conductivity.csv", "kcl_0.1_mol_kg"),
        (BOTTLED_84, "bottled_standards.csv", "standard_84"),
        (BOTTLED_1413, "bottled_standards.csv", "standard_1413"),
    ],
)
def test_a_standard_is_its_published_table(standard: Standard, file: str, column: str, table: Table) -> None:
    published = {float(row["t_C"]): float(row[column]) for row in table(file) if row[column]}
    assert tuple(published) == standard.temperatures_c
    for t, value in published.items():
        assert value_us_cm(standard, t, 0.0) == pytest.approx(value, rel=1e-9)


def test_the_interpolation_is_close_between_the_entries_of_the_table() -> None:
    # The entry at 18 °C is removed and interpolated: Wu, Koch and Pratt measured 1219.93 µS/cm there.
    without = Standard(
        "without 18 °C",
        "",
        tuple(t for t in KCL_001.temperatures_c if t != 18.0),
        tuple(k for k in KCL_001.conductivities_us_cm if k != 1219.93),
        0.1,
        3,
        False,
    )
    assert value_us_cm(without, 18.0) == pytest.approx(1219.93, rel=3e-4)


def test_the_water_of_a_standard_is_added_only_if_the_table_omits_it() -> None:
    assert value_us_cm(KCL_001, 25.0) == pytest.approx(1408.23 + 1.10)
    assert value_us_cm(KCL_001, 25.0, 0.5) == pytest.approx(1408.73)
    assert value_us_cm(BOTTLED_84, 25.0, 0.5) == pytest.approx(84.0)
    assert aired_water_us_cm(12.5) == pytest.approx(0.84)


def test_the_nominal_value_of_a_standard_gives_a_wrong_cold_calibration() -> None:
    seen_us = value_us_cm(BOTTLED_1413, 15.0) / 0.1
    assert one_point(point(BOTTLED_1413, seen_us, 15.0)).cell.constant_per_cm == pytest.approx(0.1)
    assert 1413.0 / seen_us > 0.12


@given(
    constant=st.floats(0.02, 2.0),
    leads=st.floats(0.0, 10.0),
    offset=st.floats(-0.5, 0.5),
    t=st.floats(15.0, 35.0),
)
def test_two_points_give_constant_and_offset(constant: float, leads: float, offset: float, t: float) -> None:
    cell = Cell(constant, leads, offset)
    weak, strong = (
        point(standard, conductance_us(cell, value_us_cm(standard, t)), t)
        for standard in (BOTTLED_84, BOTTLED_1413)
    )
    found = two_point(strong, weak, lead_resistance_ohm=leads)
    assert found.cell.constant_per_cm == pytest.approx(constant, rel=1e-6)
    assert found.cell.offset_us == pytest.approx(offset, abs=1e-3)
    assert found.standard_id == "84+1413"
    again = one_point(strong, lead_resistance_ohm=leads, offset_us=offset)
    assert again.cell.constant_per_cm == pytest.approx(constant, rel=1e-6)


def test_the_uncertainty_of_two_points_agrees_with_monte_carlo() -> None:
    import random

    dice = random.Random(7)
    cell = Cell(0.1, 0.0, 2.0)
    weak, strong = (
        point(standard, conductance_us(cell, value_us_cm(standard, 25.0)), 25.0)
        for standard in (BOTTLED_84, BOTTLED_1413)
    )
    claimed = two_point(weak, strong)
    constants, offsets = [], []
    for _ in range(4000):
        k1 = weak.reference_us_cm * dice.gauss(1.0, weak.standard_uncertainty_percent / 100.0)
        k2 = strong.reference_us_cm * dice.gauss(1.0, strong.standard_uncertainty_percent / 100.0)
        constants.append((k2 - k1) / (strong.conductance_us - weak.conductance_us))
        offsets.append(weak.conductance_us - k1 / constants[-1])
    assert claimed.constant_uncertainty_percent == pytest.approx(
        100.0 * statistics.stdev(constants) / 0.1, rel=0.06
    )
    assert claimed.offset_uncertainty_us == pytest.approx(statistics.stdev(offsets), rel=0.06)


def test_an_uncertain_temperature_makes_the_constant_uncertain() -> None:
    sure, unsure = (
        one_point(point(KCL_001, 14000.0, 20.0, temperature_uncertainty_k=u)).constant_uncertainty_percent
        for u in (0.0, 1.0)
    )
    # About 2 % for each kelvin: (1408.23 - 1273.03) / 5 K / 1273 at 20 °C, CRC Handbook.
    assert math.sqrt(unsure**2 - sure**2) == pytest.approx(2.1, rel=0.05)


def test_a_drift_is_significant_only_beyond_the_uncertainty() -> None:
    before = one_point(point(BOTTLED_1413, 14130.0, 25.0))
    a_little, a_lot = (one_point(point(BOTTLED_1413, 14130.0 / by, 25.0)) for by in (1.005, 1.08))
    assert a_little.drift_percent(before) == pytest.approx(0.5)
    assert not a_little.drift_is_significant(before)
    assert a_lot.drift_percent(before) == pytest.approx(8.0)
    assert a_lot.drift_is_significant(before)


def test_no_standard_is_used_outside_its_table() -> None:
    for standard in STANDARDS:
        low, high = standard.range_c
        for t in (low - 0.1, high + 0.1, math.nan):
            with pytest.raises(OutOfRangeError, match=standard.ident):
                value_us_cm(standard, t)


def test_impossible_calibrations_are_refused() -> None:
    weak, strong = point(BOTTLED_84, 840.0, 25.0), point(BOTTLED_1413, 14130.0, 25.0)
    with pytest.raises(OutOfRangeError, match="immersed and connected"):
        point(BOTTLED_84, 0.0, 25.0)
    with pytest.raises(InputError, match="too alike"):
        two_point(strong, point(KCL_001, 14100.0, 25.0))
    with pytest.raises(OutOfRangeError, match="exchanged"):
        two_point(point(BOTTLED_84, 14130.0, 25.0), point(BOTTLED_1413, 840.0, 25.0))
    with pytest.raises(OutOfRangeError, match="is impossible with an offset"):
        one_point(weak, offset_us=900.0)
    with pytest.raises(OutOfRangeError, match="not pure enough for a standard"):
        point(KCL_001, 14100.0, 25.0, water_us_cm=50.0)
    with pytest.raises(OutOfRangeError, match="finite"):
        point(KCL_001, 14100.0, 25.0, temperature_uncertainty_k=math.nan)


def test_a_standard_is_found_by_its_id_and_an_unknown_id_lists_the_ids() -> None:
    assert find("kcl-0.01") is KCL_001
    with pytest.raises(InputError, match=r"84, 1413, kcl-0\.01, kcl-0\.1"):
        find("1431")
