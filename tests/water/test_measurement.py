"""Measurements from the probe and from hand meters."""

import dataclasses
import math
from collections.abc import Callable

import pytest

from bridge.errors import OutOfRangeError
from bridge.water.conductivity import Cell, Compensation, Method
from bridge.water.measurement import (
    Measurement,
    MeasuringChain,
    budget_at,
    budget_at_limit,
    budget_of,
    measure,
    measure_compensated,
    measure_conductivity,
    measure_pocket_meter,
)
from bridge.water.uncertainty import Source, StandardUncertainties

PRODUCT = MeasuringChain(Cell(0.05, offset_us=0.1), Compensation(Method.PURE), 0.5)
CALIBRATED = StandardUncertainties(cell_constant_percent=1.0, method_percent_per_k=0.05)
FEED = MeasuringChain(Cell(1.0), Compensation(Method.NATURAL), 0.7, CALIBRATED)


def test_product_water_of_20_ppm_sodium_chloride_is_measured_at_any_temperature(
    salt: Callable[[str, float, float], float], iapws_water: Callable[[float], float]
) -> None:
    # McCleskey, J. Chem. Eng. Data 56 (2011) 317 (thermo, chemicals) and IAPWS (iapws).
    molality = 20.0 / 58.44 / 1000.0
    truth = 0.5 * (salt("NaCl", molality, 25.0) + iapws_water(25.0))
    for t in (5.0, 12.0, 25.0, 33.0):
        conductance = (salt("NaCl", molality, t) + iapws_water(t)) / 0.05 + 0.1
        reading = measure(PRODUCT, conductance, t)
        assert reading.dissolved_solids_ppm == pytest.approx(truth, rel=0.01)
        assert abs(reading.dissolved_solids_ppm - truth) < reading.expanded_uncertainty_ppm


def test_a_measurement_has_its_scale_and_its_method() -> None:
    reading = measure(FEED, 500.0, 20.0)
    # ISO 7888:1985, f25 at 20 °C = 1.116.
    assert reading.conductivity_25_us_cm == pytest.approx(558.0, rel=0.001)
    assert reading.dissolved_solids_ppm == pytest.approx(390.6, rel=0.001)
    assert reading.expanded_uncertainty_ppm == pytest.approx(10.5, rel=0.1)
    assert reading == Measurement(
        conductance_us=500.0,
        conductivity_us_cm=500.0,
        temperature_c=20.0,
        conductivity_25_us_cm=reading.conductivity_25_us_cm,
        dissolved_solids_ppm=reading.dissolved_solids_ppm,
        expanded_uncertainty_ppm=reading.expanded_uncertainty_ppm,
        factor=0.7,
        method=Method.NATURAL,
    )


def test_a_hand_reading_in_conductivity_needs_no_cell() -> None:
    chain = dataclasses.replace(FEED, cell=Cell(0.05, 3.0, 1.0))
    by_hand, by_cell = measure_conductivity(chain, 500.0, 20.0), measure(FEED, 500.0, 20.0)
    assert dataclasses.replace(by_hand, conductance_us=500.0) == by_cell
    assert by_hand.conductance_us is None


def test_a_compensated_hand_reading_is_not_compensated_again() -> None:
    reading = measure_compensated(FEED, 100.0)
    assert reading.conductivity_25_us_cm == 100.0
    assert reading.dissolved_solids_ppm == pytest.approx(70.0)
    assert reading.method is Method.OFF
    assert reading.temperature_c is None


def test_the_compensation_of_a_meter_is_less_certain_away_from_25_degrees() -> None:
    at_25, at_5 = (measure_compensated(FEED, 100.0, t).expanded_uncertainty_ppm for t in (25.0, 5.0))
    assert at_5 > 2.0 * at_25


def test_the_thermometer_of_a_compensated_reading_counts_with_two_per_cent_for_each_kelvin() -> None:
    inputs = StandardUncertainties(
        cell_constant_percent=0.0,
        conductance_percent=0.0,
        offset_us=0.0,
        lead_resistance_ohm=0.0,
        temperature_k=0.5,
        linear_percent_per_k=0.0,
        method_percent_per_k=0.0,
        smallest_ppm=0.0,
    )
    chain = dataclasses.replace(FEED, uncertainties=inputs)
    # 2 %/K of 70 ppm for half a kelvin, twice.
    assert measure_compensated(chain, 100.0, 15.0).expanded_uncertainty_ppm == pytest.approx(1.4)
    # The coefficient of the meter: 0.2 %/K over ten kelvin.
    chain = dataclasses.replace(
        FEED,
        uncertainties=dataclasses.replace(inputs, temperature_k=0.0, linear_percent_per_k=0.2),
    )
    assert measure_compensated(chain, 100.0, 15.0).expanded_uncertainty_ppm == pytest.approx(2.8)


def test_the_ppm_of_a_pocket_meter_are_converted_to_the_scale_of_the_limit() -> None:
    reading = measure_pocket_meter(PRODUCT, 56.0, 0.7)
    assert reading.dissolved_solids_ppm == pytest.approx(40.0)
    assert reading.conductivity_25_us_cm == pytest.approx(80.0)
    assert reading.factor == 0.5


def test_the_coarse_step_of_a_pocket_meter_adds_to_the_uncertainty() -> None:
    # A display in whole ppm at 0.5 has steps of 2 µS/cm. The distribution is rectangular, so the standard
    # uncertainty is 1 / √12 ppm, and the expanded uncertainty is twice as large.
    inputs = StandardUncertainties(
        cell_constant_percent=0.0,
        conductance_percent=0.0,
        conductance_step_us=2.0,
        offset_us=0.0,
        lead_resistance_ohm=0.0,
        temperature_k=0.0,
        smallest_ppm=0.0,
    )
    chain = dataclasses.replace(PRODUCT, uncertainties=inputs)
    assert measure_pocket_meter(chain, 3.0, 0.5).expanded_uncertainty_ppm == pytest.approx(
        2.0 / math.sqrt(12.0)
    )


def test_the_budget_at_the_limit_is_that_of_a_reading_at_the_limit() -> None:
    at_limit = budget_at(PRODUCT, 50.0, 9.0)
    assert at_limit.dissolved_solids_ppm == pytest.approx(50.0, rel=1e-9)
    # A cell with a label of 5 % dominates near 25 °C, the compensation dominates in the cold.
    assert budget_at(PRODUCT, 50.0, 24.0).largest.source is Source.CELL_CONSTANT
    assert at_limit.largest.source is Source.METHOD
    assert budget_at(FEED, 50.0, 9.0).expanded_ppm < at_limit.expanded_ppm


def test_the_thermometer_of_the_calibration_counts_once() -> None:
    # At the temperature of the calibration its error cancels: nearly nothing of 2 % for each kelvin is left.
    calibrated = dataclasses.replace(
        PRODUCT, uncertainties=StandardUncertainties(cell_constant_percent=0.6, calibration_percent_per_k=2.0)
    )

    def kelvin_ppm(chain: MeasuringChain) -> float:
        lines = budget_at(chain, 50.0, 22.0).contributions
        return next(line.ppm for line in lines if line.source is Source.TEMPERATURE)

    assert kelvin_ppm(PRODUCT) == pytest.approx(50.0 * 0.022 * 0.3, rel=0.1)
    assert kelvin_ppm(calibrated) < 0.15 * kelvin_ppm(PRODUCT)


def test_the_budget_of_a_hand_reading_is_that_of_its_interval() -> None:
    chain = dataclasses.replace(FEED, cell=Cell(0.05, 3.0, 1.0))
    reading = measure_conductivity(chain, 500.0, 12.0)
    assert budget_of(chain, reading).expanded_ppm == pytest.approx(reading.expanded_uncertainty_ppm)


def test_the_budget_at_the_limit_is_for_water_from_a_cold_pipe() -> None:
    at_limit, celsius = budget_at_limit(PRODUCT, 50.0)
    assert celsius == 15.0
    assert at_limit == budget_at(PRODUCT, 50.0, 15.0)


def test_a_reading_may_be_zero_or_small_and_a_meter_as_warm_as_liquid_water() -> None:
    for shown in (0.0, 0.5):
        assert measure_pocket_meter(FEED, shown, 0.7).dissolved_solids_ppm == pytest.approx(shown)
        assert measure_compensated(FEED, shown).conductivity_25_us_cm == shown
    for celsius in (0.0, 100.0):
        assert measure_compensated(FEED, 100.0, celsius).temperature_c == celsius


@pytest.mark.parametrize(
    "impossible",
    [
        lambda: measure(FEED, 500.0, 36.5),
        lambda: measure(FEED, 500.0, -0.5),
        lambda: measure(FEED, math.nan, 20.0),
        lambda: measure(PRODUCT, 10.0, math.nan),
        lambda: measure_conductivity(FEED, -1.0, 20.0),
        lambda: measure_conductivity(FEED, math.inf, 20.0),
        lambda: measure_compensated(FEED, math.nan),
        lambda: measure_compensated(FEED, 100.0, 300.0),
        lambda: measure_pocket_meter(FEED, -3.0, 0.5),
        lambda: measure_pocket_meter(FEED, 30.0, 5.0),
        lambda: budget_at(PRODUCT, -1.0, 15.0),
        lambda: MeasuringChain(Cell(1.0), Compensation(Method.OFF), 50.0),
    ],
)
def test_impossible_readings_are_refused(impossible: Callable[[], object]) -> None:
    with pytest.raises(OutOfRangeError):
        impossible()


def test_a_dry_cell_gives_a_measurement() -> None:
    # The diagnosis of the probe reports the dry cell; see test_probe.
    assert measure(PRODUCT, 0.1, 18.0).dissolved_solids_ppm == pytest.approx(0.0, abs=1e-9)
    assert measure(PRODUCT, 0.0, 18.0).dissolved_solids_ppm < 0.0
