"""The uncertainty budget by the GUM, checked with Monte Carlo."""

import dataclasses
import math
import random
import statistics

import pytest

from bridge.errors import OutOfRangeError
from bridge.water.conductivity import Cell, Compensation, Method, conductivity_25, pure_water_us_cm
from bridge.water.measurement import MeasuringChain, budget_of, measure
from bridge.water.meter import USUAL_METER, read
from bridge.water.uncertainty import Source, StandardUncertainties, WaterKind, curve_percent
from tests.water import ions

INPUTS = StandardUncertainties(
    cell_constant_percent=1.2,
    conductance_percent=0.5,
    conductance_step_us=0.4,
    temperature_k=0.3,
    linear_percent_per_k=0.15,
    method_percent_per_k=0.05,
    method_above_percent_per_k=0.08,
    factor_percent=0.8,
    calibration_percent_per_k=1.5,
    offset_us=0.1,
    lead_resistance_ohm=0.8,
    smallest_ppm=0.05,
)


@pytest.mark.parametrize(
    ("method", "conductance", "t"),
    [
        (Method.NATURAL, 2500.0, 8.0),
        (Method.PURE, 400.0, 12.0),
        (Method.PURE, 3.0, 31.0),
        (Method.LINEAR, 900.0, 35.0),
    ],
)
def test_the_budget_agrees_with_monte_carlo(method: Method, conductance: float, t: float) -> None:
    # JCGM 101:2008: draw every input from its distribution, and take the spread of the results.
    cell = Cell(0.1, lead_resistance_ohm=2.0, offset_us=0.05)
    chain = MeasuringChain(cell, Compensation(method), 0.5, INPUTS)
    dice = random.Random(20240229)

    def once() -> float:
        drawn_us = (
            cell.offset_us + (conductance - cell.offset_us) * dice.gauss(1.0, 0.005) + dice.uniform(-0.2, 0.2)
        )
        seen = drawn_us - cell.offset_us + dice.gauss(0.0, 0.1)
        # One thermometer for the calibration and for the reading: one error, twice.
        thermometer_k = dice.gauss(0.0, 0.3)
        constant = cell.constant_per_cm * dice.gauss(1.0, 0.012) * (1.0 + 0.015 * thermometer_k)
        water = constant * seen / (1.0 - seen * 1e-6 * dice.gauss(2.0, 0.8))
        how = Compensation(method, dice.gauss(2.0, 0.15))
        at_25 = conductivity_25(how, water, t + thermometer_k)
        curve = dice.gauss(1.0, (0.0005 if t < 25.0 else 0.0008) * abs(t - 25.0))
        return at_25 * curve * 0.5 * dice.gauss(1.0, 0.008) + dice.gauss(0.0, 0.05)

    spread = statistics.stdev(once() for _ in range(20_000))
    assert measure(chain, conductance, t).expanded_uncertainty_ppm == pytest.approx(2.0 * spread, rel=0.05)


@pytest.mark.parametrize("method", list(Method))
def test_the_budget_has_the_uncertainty_of_the_reading(method: Method) -> None:
    chain = MeasuringChain(Cell(0.1, 2.0, 0.05), Compensation(method), 0.7, INPUTS)
    reading = measure(chain, 300.0, 14.0)
    budget = budget_of(chain, reading)
    assert budget.expanded_ppm == pytest.approx(reading.expanded_uncertainty_ppm, rel=1e-12)
    assert budget.dissolved_solids_ppm == pytest.approx(reading.dissolved_solids_ppm, rel=1e-12)
    assert {line.source for line in budget.contributions} == set(Source)


def test_the_budget_names_the_largest_contribution() -> None:
    inputs = dataclasses.replace(INPUTS, temperature_k=3.0)
    chain = MeasuringChain(Cell(0.1), Compensation(Method.NATURAL), 0.5, inputs)
    assert budget_of(chain, measure(chain, 3000.0, 15.0)).largest.source is Source.TEMPERATURE


def test_without_compensation_the_uncertainty_grows_with_the_distance_from_25_degrees() -> None:
    chain = MeasuringChain(Cell(0.1), Compensation(Method.OFF), 0.5, INPUTS)
    near, far = (measure(chain, 3000.0, t).expanded_uncertainty_ppm for t in (24.0, 8.0))
    assert far > 4.0 * near


def test_a_missing_compensation_is_the_half_width_of_a_rectangle() -> None:
    # By 2 %/K, water of 5 °C conducts 60 % of its value at 25 °C. So at most two thirds are missing.
    assert curve_percent(INPUTS, Method.OFF, 5.0) == pytest.approx(100.0 * 2.0 / 3.0 / math.sqrt(3.0))
    assert curve_percent(INPUTS, Method.OFF, 25.0) == 0.0


def test_the_curve_has_one_uncertainty_in_colder_and_another_in_warmer_water() -> None:
    for method in (Method.PURE, Method.NATURAL, Method.LINEAR):
        assert curve_percent(INPUTS, method, 24.5) == pytest.approx(0.5 * 0.05)
        assert curve_percent(INPUTS, method, 25.5) == pytest.approx(0.5 * 0.08)


def test_a_reading_of_a_hand_meter_has_no_budget() -> None:
    chain = MeasuringChain(Cell(1.0), Compensation(Method.NATURAL), 0.5, INPUTS)
    for celsius in (None, 20.0):
        with pytest.raises(OutOfRangeError, match="hand meter"):
            budget_of(chain, read(USUAL_METER, 100.0, 0.5, celsius).measurement)


@pytest.mark.parametrize("value", [-0.1, math.nan, math.inf])
@pytest.mark.parametrize("name", [field.name for field in dataclasses.fields(StandardUncertainties)])
def test_an_impossible_uncertainty_is_refused_by_name(name: str, value: float) -> None:
    with pytest.raises(OutOfRangeError, match=name):
        StandardUncertainties(**{name: value})


# Ions and how many of them for one equivalent.
_SALTS = {
    "NaCl": ((ions.SODIUM, 1.0), (ions.CHLORIDE, 1.0)),
    "KCl": ((ions.POTASSIUM, 1.0), (ions.CHLORIDE, 1.0)),
    "CaCl2": ((ions.CALCIUM, 0.5), (ions.CHLORIDE, 1.0)),
    "NaHCO3": ((ions.SODIUM, 1.0), (ions.HYDROGENCARBONATE, 1.0)),
    "Ca(HCO3)2": ((ions.CALCIUM, 0.5), (ions.HYDROGENCARBONATE, 1.0)),
    "Na2SO4": ((ions.SODIUM, 1.0), (ions.SULFATE, 0.5)),
    "MgSO4": ((ions.MAGNESIUM, 0.5), (ions.SULFATE, 0.5)),
    "KNO3": ((ions.POTASSIUM, 1.0), (ions.NITRATE, 1.0)),
    "NH4Cl": ((ions.AMMONIUM, 1.0), (ions.CHLORIDE, 1.0)),
    "HCl": ((ions.HYDROGEN, 1.0), (ions.CHLORIDE, 1.0)),
    "H2SO4": ((ions.HYDROGEN, 1.0), (ions.SULFATE, 0.5)),
    "NaOH": ((ions.SODIUM, 1.0), (ions.HYDROXIDE, 1.0)),
}


@pytest.mark.parametrize(
    ("kind", "method", "salts"),
    [
        (WaterKind.EXCHANGE_PRODUCT, Method.PURE, ("NaCl", "KCl", "CaCl2", "NaHCO3", "HCl", "NaOH")),
        (WaterKind.PERMEATE, Method.PURE, ("NaCl", "CaCl2", "NaHCO3", "Na2SO4")),
        (WaterKind.RAIN, Method.PURE, ("H2SO4", "NH4Cl", "NaCl", "KNO3", "CaCl2")),
        (WaterKind.TAP, Method.NATURAL, ("NaHCO3", "Ca(HCO3)2", "CaCl2", "NaCl", "KNO3", "MgSO4")),
    ],
)
def test_the_uncertainty_of_the_compensation_is_that_of_the_ions_in_the_water(
    kind: WaterKind, method: Method, salts: tuple[str, ...]
) -> None:
    # Ionic conductivities of McCleskey et al. (2012), 0.5 mmol/kg of charge.
    def percent_per_k(salt: str, t: float) -> float:
        def us_cm(at: float) -> float:
            return sum(0.5 * count * ion.conductivity(0.022, at) for ion, count in _SALTS[salt])

        at_25 = us_cm(25.0) + pure_water_us_cm(25.0)
        found = conductivity_25(Compensation(method), us_cm(t) + pure_water_us_cm(t), t)
        return 100.0 * (found / at_25 - 1.0) / abs(t - 25.0)

    below, above = kind.method_percent_per_k
    errors = [percent_per_k(salt, t) for salt in salts for t in (5.0, 10.0, 15.0, 20.0)]
    root_mean_square = math.sqrt(statistics.mean(error * error for error in errors))
    # Stated in steps of 0.05, rounded up.
    assert below - 0.06 <= root_mean_square <= below
    assert max(-percent_per_k(salt, 30.0) for salt in salts) <= above
