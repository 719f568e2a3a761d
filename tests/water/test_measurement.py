"""Measurements from the probe."""

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


def test_the_budget_at_the_limit_is_that_of_a_reading_at_the_limit() -> None:
    at_limit = budget_at(PRODUCT, 50.0, 9.0)
    assert at_limit.dissolved_solids_ppm == pytest.approx(50.0, rel=1e-9)
    # A cell with a label of 5 % dominates near 25 °C, the compensation dominates in the cold.
    assert budget_at(PRODUCT, 50.0, 24.0).largest.source is Source.CELL_CONSTANT
    assert at_limit.largest.source is Source.METHOD
    assert budget_at(FEED, 50.0, 9.0).expanded_ppm < at_limit.expanded_ppm
    for ppm in (0.0, 0.5):
        assert budget_at(FEED, ppm, 9.0).dissolved_solids_ppm == pytest.approx(ppm, abs=1e-9)


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


def test_the_budget_of_a_reading_is_that_of_its_interval() -> None:
    chain = dataclasses.replace(FEED, cell=Cell(0.05, 3.0, 1.0))
    reading = measure(chain, 8000.0, 12.0)
    assert budget_of(chain, reading).expanded_ppm == pytest.approx(reading.expanded_uncertainty_ppm)


def test_the_budget_at_the_limit_is_for_water_from_a_cold_pipe() -> None:
    at_limit, celsius = budget_at_limit(PRODUCT, 50.0)
    assert celsius == 15.0
    assert at_limit == budget_at(PRODUCT, 50.0, 15.0)


@pytest.mark.parametrize(
    "impossible",
    [
        lambda: measure(FEED, 500.0, 36.5),
        lambda: measure(FEED, 500.0, -0.5),
        lambda: measure(FEED, math.nan, 20.0),
        lambda: measure(PRODUCT, 10.0, math.nan),
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
