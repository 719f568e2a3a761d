"""Calibration in standard solutions, each with its value at its own temperature."""

import math
import statistics
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError, OutOfRangeError
from bridge.water.calibration import (
    PLACE_K,
    Calibration,
    CalibrationPoint,
    PastCalibration,
    constant_percent,
    drift_percent_per_year,
    one_point,
    point,
    two_point,
)
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
    labelled,
    value_us_cm,
    with_slope,
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
    # The makers give no sound value for the 1413 standard at 35 °C; ours is that of potassium chloride.
    assert set(standard.temperatures_c) - set(published) == ({35.0} if standard is BOTTLED_1413 else set())
    assert set(published) <= set(standard.temperatures_c)
    for t, value in published.items():
        assert value_us_cm(standard, t, 0.0) == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize("standard", [BOTTLED_84, BOTTLED_1413, labelled(447.0)])
def test_a_bottled_standard_follows_potassium_chloride_at_and_between_its_points(
    standard: Standard, salt: Callable[[str, float, float], float], iapws_water: Callable[[float], float]
) -> None:
    # McCleskey, J. Chem. Eng. Data 56 (2011) 317 (thermo, chemicals), with pure water by IAPWS (iapws): the
    # solution of potassium chloride that has this standard's value at 25 °C.
    nominal = value_us_cm(standard, 25.0)
    low, high = 0.0, 0.02
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if salt("KCl", middle, 25.0) + 1.0 < nominal else (low, middle)
    lowest, highest = standard.range_c
    for tenth in range(round(10 * lowest), round(10 * highest) + 1, 5):
        t = 0.1 * tenth
        true = salt("KCl", low, t) + 1.0 * iapws_water(t) / iapws_water(25.0)
        assert value_us_cm(standard, t) == pytest.approx(true, rel=0.012), f"at {t} °C"


def test_a_standard_in_the_cold_has_no_value_that_nobody_published() -> None:
    with pytest.raises(OutOfRangeError, match="5 to 35 °C, not at 0"):
        value_us_cm(BOTTLED_84, 0.0)
    with pytest.raises(OutOfRangeError, match="15 to 35 °C"):
        value_us_cm(BOTTLED_1413, 10.0)


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


def test_long_leads_make_the_uncertainty_larger_and_the_claim_covers_it() -> None:
    import random

    dice = random.Random(11)
    leads_ohm = 15.0
    cell = Cell(0.1, leads_ohm, 2.0)
    weak, strong = (
        point(standard, conductance_us(cell, value_us_cm(standard, 25.0)), 25.0)
        for standard in (BOTTLED_84, BOTTLED_1413)
    )
    two, one = (
        two_point(weak, strong, lead_resistance_ohm=leads_ohm),
        one_point(strong, lead_resistance_ohm=leads_ohm, offset_us=2.0),
    )

    def drawn(of: CalibrationPoint) -> CalibrationPoint:
        # The error of the reading is that of the value, on the safe side.
        share = dice.gauss(1.0, 0.01 * of.standard_uncertainty_percent)
        return replace(of, conductance_us=of.conductance_us * share)

    found_two = [two_point(drawn(weak), drawn(strong), lead_resistance_ohm=leads_ohm) for _ in range(2000)]
    found_one = [one_point(drawn(strong), lead_resistance_ohm=leads_ohm, offset_us=2.0) for _ in range(2000)]
    for claimed, found in ((two, found_two), (one, found_one)):
        seen = 100.0 * statistics.stdev(each.cell.constant_per_cm for each in found) / 0.1
        assert 0.95 * seen < claimed.constant_uncertainty_percent < 1.25 * seen
    offset_us = statistics.stdev(each.cell.offset_us for each in found_two)
    assert 0.95 * offset_us < two.offset_uncertainty_us < 1.5 * offset_us
    assert two.own_percent < two.constant_uncertainty_percent
    short = [point(one, value_us_cm(one, 25.0) / 0.1, 25.0) for one in (BOTTLED_84, BOTTLED_1413)]
    assert two.own_percent > 1.15 * two_point(*short).own_percent


@pytest.mark.parametrize(("leads_ohm", "within"), [(0.0, 0.005), (5.0, 0.12)])
def test_the_thermometer_moves_the_constant_as_the_sensitivity_says(leads_ohm: float, within: float) -> None:
    cell = Cell(0.1, leads_ohm, 0.5)
    seen = [conductance_us(cell, value_us_cm(one, 22.0)) for one in (BOTTLED_84, BOTTLED_1413)]

    def both(shown_c: float) -> tuple[Calibration, Calibration]:
        weak, strong = (
            point(one, us, shown_c) for one, us in zip((BOTTLED_84, BOTTLED_1413), seen, strict=True)
        )
        return (
            two_point(weak, strong, lead_resistance_ohm=leads_ohm),
            one_point(strong, lead_resistance_ohm=leads_ohm, offset_us=0.5),
        )

    for right, high in zip(both(22.0), both(22.01), strict=True):
        moved = 100.0 * math.log(high.cell.constant_per_cm / right.cell.constant_per_cm) / 0.01
        # Leads magnify all of it, on the safe side.
        assert moved <= right.percent_per_k * 1.01
        assert right.percent_per_k == pytest.approx(moved, rel=within)


def test_a_calibration_has_the_mean_temperature_of_its_solutions() -> None:
    weak, strong = point(BOTTLED_84, 840.0, 20.0), point(BOTTLED_1413, 14130.0, 24.0)
    assert two_point(weak, strong).temperature_c == pytest.approx(22.0)
    assert one_point(strong).temperature_c == 24.0


def test_two_standards_may_differ_by_no_more_than_a_factor_of_two() -> None:
    weak, strong = point(labelled(100.0), 1000.0, 25.0), point(labelled(200.0), 2000.0, 25.0)
    assert two_point(weak, strong).cell.constant_per_cm == pytest.approx(0.1)
    with pytest.raises(InputError, match="too alike"):
        two_point(weak, point(labelled(199.9), 1999.0, 25.0))


def test_the_water_of_a_standard_that_nobody_measured_is_uncertain_by_half() -> None:
    measured, assumed = (
        point(KCL_001, 14093.3, 25.0, water_us_cm=us, conductance_uncertainty_percent=0.0).own_percent
        for us in (1.10, None)
    )
    # Half of 1.10 µS/cm in 1409.33 µS/cm.
    assert math.sqrt(assumed**2 - measured**2) == pytest.approx(100.0 * 0.55 / 1409.33, rel=1e-6)


@pytest.mark.parametrize("leads_ohm", [0.0, 15.0])
def test_a_thermometer_as_uncertain_as_its_place_makes_both_uncertainties_the_same(leads_ohm: float) -> None:
    cell = Cell(0.1, leads_ohm)
    weak, strong = (
        point(one, conductance_us(cell, value_us_cm(one, 22.0)), 22.0, temperature_uncertainty_k=PLACE_K)
        for one in (BOTTLED_84, BOTTLED_1413)
    )
    for found in (
        two_point(weak, strong, lead_resistance_ohm=leads_ohm),
        one_point(strong, lead_resistance_ohm=leads_ohm),
    ):
        assert found.own_percent == pytest.approx(found.constant_uncertainty_percent)


def test_a_cell_of_a_large_constant_is_calibrated_by_readings_of_a_fraction_of_a_microsiemens() -> None:
    cell = Cell(100.0)
    weak, strong = (
        point(one, conductance_us(cell, value_us_cm(one, 25.0)), 25.0)
        for one in (labelled(5.0), labelled(50.0))
    )
    assert strong.conductance_us == pytest.approx(0.5)
    for found in (one_point(strong), two_point(weak, strong)):
        assert found.cell.constant_per_cm == pytest.approx(100.0)


def test_the_longest_leads_that_two_readings_allow_take_half_of_the_rise() -> None:
    """A rise times leads of (√a - √b) / (√a + √b): for a = 9 b one half. Then one constant fits."""
    weak, strong = point(BOTTLED_84, 500.0, 25.0), point(BOTTLED_1413, 1500.0, 25.0)
    weak, strong = replace(weak, reference_us_cm=100.0), replace(strong, reference_us_cm=900.0)
    found = two_point(weak, strong, lead_resistance_ohm=500.0)
    assert conductance_us(found.cell, 900.0) - conductance_us(found.cell, 100.0) == pytest.approx(1000.0)
    with pytest.raises(OutOfRangeError, match="check the lead resistance"):
        two_point(weak, strong, lead_resistance_ohm=500.1)


def test_an_uncertain_temperature_makes_the_constant_uncertain() -> None:
    sure, unsure = (
        one_point(point(KCL_001, 14000.0, 20.0, temperature_uncertainty_k=u)).constant_uncertainty_percent
        for u in (0.0, 1.0)
    )
    # About 2 % for each kelvin: (1408.23 - 1273.03) / 5 K / 1273 at 20 °C, CRC Handbook.
    assert math.sqrt(unsure**2 - sure**2) == pytest.approx(2.1, rel=0.05)


def test_a_drift_is_significant_only_beyond_the_uncertainty() -> None:
    before = one_point(point(BOTTLED_1413, 14130.0, 25.0))
    # One calibration: 0.6 % of the standard, 0.2 % of the reading, 0.2 K at 2 %/K. Of two, with k = 2: 2.1 %.
    for by, significant in ((1.019, False), (1.023, True), (1.0 / 1.019, False), (1.0 / 1.023, True)):
        again = one_point(point(BOTTLED_1413, 14130.0 / by, 25.0))
        assert again.drift_is_significant(before) is significant
    # Twice as uncertain a standard asks for twice the drift, and none at all for any.
    coarse = [replace(one, constant_uncertainty_percent=2.0) for one in (before, again)]
    assert not coarse[1].drift_is_significant(coarse[0])
    sure = replace(before, constant_uncertainty_percent=0.0)
    assert not sure.drift_is_significant(sure)
    assert replace(again, constant_uncertainty_percent=0.0).drift_is_significant(sure)
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
    with pytest.raises(OutOfRangeError, match="exchanged"):
        two_point(point(BOTTLED_84, 840.0, 25.0), point(BOTTLED_1413, 840.0, 25.0))
    for offset_us in (900.0, 840.0):
        with pytest.raises(OutOfRangeError, match="is impossible with an offset"):
            one_point(weak, offset_us=offset_us)
    short = point(BOTTLED_1413, 1e6, 25.0)
    with pytest.raises(OutOfRangeError, match="is impossible with an offset"):
        one_point(short, lead_resistance_ohm=1.0)
    with pytest.raises(OutOfRangeError, match="not pure enough for a standard"):
        point(KCL_001, 14100.0, 25.0, water_us_cm=50.0)
    with pytest.raises(OutOfRangeError, match="finite"):
        point(KCL_001, 14100.0, 25.0, temperature_uncertainty_k=math.nan)


def test_a_standard_is_found_by_its_id_and_an_unknown_id_lists_the_ids() -> None:
    assert find("kcl-0.01") is KCL_001
    with pytest.raises(InputError, match=r"84, 1413, kcl-0\.01, kcl-0\.1"):
        find("1431")


DAY_S = 86_400.0


def test_the_uncertainty_of_a_cell_grows_from_its_calibration_with_its_own_drift() -> None:
    assert constant_percent(0.0) == 5.0
    year_s = 365.25 * DAY_S
    first = PastCalibration(0.0, 0.1, 0.7)
    assert constant_percent(0.0, [first]) == pytest.approx(0.7)
    # The prior: 5 % a year.
    assert constant_percent(2.0 * year_s, [first]) == pytest.approx(math.hypot(0.7, 10.0))
    # The newest one counts, in any order.
    newest = PastCalibration(year_s, 0.1, 0.4)
    assert constant_percent(year_s, [first, newest]) == constant_percent(year_s, [newest, first]) == 0.4
    steady = [PastCalibration(n * year_s, 0.1 * (1.0 + 0.002 * (n % 2)), 0.7) for n in range(8)]
    restless = [PastCalibration(n * year_s, 0.1 * math.exp(0.15 * n), 0.7) for n in range(8)]
    assert drift_percent_per_year(steady) < 3.0
    assert drift_percent_per_year(restless) > 10.0
    # Another cell is no drift, and two calibrations of one week show none.
    other = [first, PastCalibration(year_s, 1.0, 0.7)]
    week = [first, PastCalibration(7.0 * DAY_S, 0.1015, 0.7)]
    assert drift_percent_per_year(other) == drift_percent_per_year([first]) == 5.0
    assert drift_percent_per_year(week) == pytest.approx(5.0, rel=0.02)


def test_exact_calibrations_count_as_one_year_beside_three_of_the_prior() -> None:
    year_s = 365.25 * DAY_S
    for years in (0.5, 1.0, 2.0):
        past = [
            PastCalibration(0.0, 0.1, 0.0),
            PastCalibration(years * year_s, 0.1 * math.exp(0.2 * years), 0.0),
        ]
        # Three times 5 % a year and once 20 % a year, as a root mean square.
        assert drift_percent_per_year(past) == pytest.approx(math.sqrt((3 * 25.0 + 400.0) / 4))
        assert drift_percent_per_year(reversed(past)) == drift_percent_per_year(past)
    # Calibrations whose noise has half the variance of a year's drift count (2/3)² of a year.
    noisy = [PastCalibration(n * year_s, 0.1 * math.exp(0.2 * n), 2.5) for n in range(2)]
    expected = math.sqrt((3 * 25.0 + 4 / 9 * (400.0 - 12.5)) / (3 + 4 / 9))
    assert drift_percent_per_year(noisy) == pytest.approx(expected)
    # A change of 40 % is the largest drift.
    for change, counts in ((0.399, True), (0.401, False)):
        far = [PastCalibration(0.0, 0.1, 0.0), PastCalibration(year_s, 0.1 * math.exp(change), 0.0)]
        assert (drift_percent_per_year(far) > 5.0) is counts
    twice = [PastCalibration(0.0, 0.1, 0.7), PastCalibration(0.0, 0.12, 0.7)]
    assert drift_percent_per_year(twice) == 5.0, "no time passed between them"


def test_the_drift_is_learned_for_cells_with_a_drift_of_their_own() -> None:
    import random

    dice = random.Random(71)
    year_s = 365.25 * DAY_S
    for true_percent in (1.0, 5.0, 12.0):
        learned = []
        for _ in range(300):
            constant, past = 0.1, []
            for n in range(12):
                past.append(PastCalibration(0.5 * n * year_s, constant * math.exp(dice.gauss(0, 0.006)), 0.6))
                constant *= math.exp(0.01 * dice.gauss(0.0, true_percent) * 0.5)
            learned.append(drift_percent_per_year(past))
        middle = statistics.median(learned)
        # Between the prior of 5 % and the truth, and nearer to the truth.
        assert abs(math.log(middle / true_percent)) <= 0.75 * abs(math.log(5.0 / true_percent)) + 0.15


@pytest.mark.parametrize("standard", [*STANDARDS, labelled(447.0)])
def test_the_slope_of_a_standard_is_its_derivative(standard: Standard) -> None:
    low, high = standard.range_c
    # Inside the intervals, because straight lines have a bend at the entries.
    for t in (low + 0.7, 0.5 * (low + high) + 0.7, 23.3, high - 0.7):
        for water_us_cm in (0.0, None):
            numeric = (value_us_cm(standard, t + 1e-4, 0.0) - value_us_cm(standard, t - 1e-4, 0.0)) / 2e-4
            # The slope leaves out the water of a solution of potassium chloride: less than 0.1 % of it.
            assert with_slope(standard, t, water_us_cm)[1] == pytest.approx(numeric, rel=1e-3)


def test_a_label_may_have_any_value_up_to_both_ends_of_the_range() -> None:
    for us_cm in (5.0, 20_000.0):
        assert value_us_cm(labelled(us_cm), 25.0) == pytest.approx(us_cm)
    for us_cm in (4.99, 20_001.0):
        with pytest.raises(OutOfRangeError, match="between 5 and 20000"):
            labelled(us_cm)


def test_the_water_of_a_standard_may_be_pure_or_up_to_ten_and_not_more() -> None:
    assert value_us_cm(KCL_001, 25.0, 10.0) == pytest.approx(1418.23)
    for us_cm in (-0.01, 10.01):
        with pytest.raises(OutOfRangeError, match="not pure enough"):
            value_us_cm(KCL_001, 25.0, us_cm)
