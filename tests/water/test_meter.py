"""Hand meters by their data sheets."""

import math
from dataclasses import replace

import pytest

from bridge.errors import OutOfRangeError
from bridge.water.conductivity import Compensation, Method
from bridge.water.meter import USUAL_METER, HandMeter, MeterUnit, read
from bridge.water.uncertainty import StandardUncertainties

FINE = HandMeter("fine", MeterUnit.US_CM, resolution=0.1, percent_of_reading=1.0)


def test_a_meter_of_full_scale_has_the_same_error_at_every_reading() -> None:
    # 2 % of 999 ppm is 20 ppm, rectangular: 11.5 ppm (k = 1), in water of 3 ppm as in water of 300.
    for shown in (3.0, 300.0):
        reading = read(USUAL_METER, shown, 0.5, 25.0)
        assert reading.common_ppm == pytest.approx(0.02 * 999.0 / math.sqrt(3.0))
    assert read(FINE, 200.0, 0.5, 25.0).common_ppm == pytest.approx(1.0 / math.sqrt(3.0))


def test_zero_is_under_half_a_digit_and_not_a_dry_cell() -> None:
    sheet = HandMeter("low", MeterUnit.PPM, 1.0, 0.5, percent_of_reading=2.0)
    zero = read(sheet, 0.0, 0.5, 25.0)
    assert zero.below_resolution
    low_ppm = zero.measurement.dissolved_solids_ppm - zero.measurement.expanded_uncertainty_ppm
    high_ppm = zero.measurement.dissolved_solids_ppm + zero.measurement.expanded_uncertainty_ppm
    assert low_ppm <= 0.0
    assert 0.5 <= high_ppm < 1.0
    assert not read(sheet, 1.0, 0.5, 25.0).below_resolution


def test_half_a_digit_is_half_of_the_step_of_this_display() -> None:
    sheet = HandMeter("coarse", MeterUnit.US_CM, 10.0, percent_of_reading=2.0)
    assert read(sheet, 4.9, 0.5, 25.0).below_resolution
    assert not read(sheet, 5.0, 0.5, 25.0).below_resolution
    # The middle of zero and half a step of 10 µS/cm, on the scale of 0.5.
    assert read(sheet, 0.0, 0.5, 25.0).measurement.dissolved_solids_ppm == pytest.approx(1.25)


def test_a_step_of_the_display_is_rectangular_and_smaller_at_25_degrees_than_in_warm_water() -> None:
    # ISO 7888:1985, f25 at 35 °C = 0.822. The step alone: 1 µS/cm over √12 at a factor of 0.5.
    sure = StandardUncertainties(
        temperature_k=0.0, method_percent_per_k=0.0, method_above_percent_per_k=0.0, smallest_ppm=0.0
    )
    plain = HandMeter("plain", MeterUnit.US_CM, 1.0, percent_of_reading=1.0, compensated=False)
    warm = read(plain, 80.0, 0.5, 35.0, inputs=sure)
    assert warm.own_ppm == pytest.approx(0.5 * 0.822 / math.sqrt(12.0), rel=0.002)
    assert warm.common_ppm == pytest.approx(0.5 * 0.822 * 0.8 / math.sqrt(3.0), rel=0.002)


def test_the_curve_and_the_coefficient_of_a_conversion_are_uncertain() -> None:
    sure = StandardUncertainties(
        temperature_k=0.0,
        method_percent_per_k=0.0,
        method_above_percent_per_k=0.0,
        linear_percent_per_k=0.0,
        smallest_ppm=0.0,
    )
    plain = HandMeter("plain", MeterUnit.US_CM, 1.0, percent_of_reading=1.0, compensated=False)
    # ISO 7888:1985, f25 at 35 °C = 0.822: 3 % of 32.9 ppm, beside 1 % as a rectangle.
    curve = replace(sure, method_above_percent_per_k=0.3)
    expected_ppm = 0.5 * 0.822 * 80.0 * math.hypot(0.03, 0.01 / math.sqrt(3.0))
    assert read(plain, 80.0, 0.5, 35.0, inputs=curve).common_ppm == pytest.approx(expected_ppm, rel=0.002)
    # 80 µS/cm over 1 + 10 K of 2 %/K: with 0.3 %/K more, 3 % of 1.2 less.
    linear = replace(sure, linear_percent_per_k=0.3)
    expected_ppm = 0.5 * 80.0 / 1.2 * math.hypot(0.03 / 1.2, 0.01 / math.sqrt(3.0))
    how = Compensation(Method.LINEAR, 2.0)
    found = read(plain, 80.0, 0.5, 35.0, compensation=how, inputs=linear)
    assert found.common_ppm == pytest.approx(expected_ppm)


def test_water_of_unknown_temperature_counts_as_cold_water() -> None:
    # Anywhere down to 4 °C, 21 K below 25 °C; 21 K over √2 is 14.85 K.
    sure = StandardUncertainties(fixed_percent_per_k=0.3, fixed_above_percent_per_k=0.0)
    at, unknown, cold = (
        read(FINE, 100.0, 0.5, t, inputs=sure).common_ppm for t in (25.0, None, 25.0 - 14.85)
    )
    assert unknown == pytest.approx(cold, rel=0.001)
    # 0.3 %/K of 50 ppm, and the accuracy of the meter.
    assert math.sqrt(cold**2 - at**2) == pytest.approx(50.0 * 0.003 * 14.85)


def test_water_a_little_over_25_degrees_counts_with_its_own_uncertainty() -> None:
    sure = StandardUncertainties(fixed_percent_per_k=0.0, fixed_above_percent_per_k=4.0)
    at, above = (read(FINE, 100.0, 0.5, t, inputs=sure).common_ppm for t in (25.0, 25.5))
    # 4 %/K of 50 ppm over half a kelvin.
    assert math.sqrt(above**2 - at**2) == pytest.approx(1.0)


def test_the_unit_of_a_meter_is_shown_as_people_write_it() -> None:
    assert (MeterUnit.PPM.symbol, MeterUnit.US_CM.symbol) == ("ppm", "µS/cm")


def test_the_scale_of_the_meter_is_converted_to_that_of_the_limit() -> None:
    other = HandMeter("seven tenths", MeterUnit.PPM, 1.0, 0.7, percent_of_reading=2.0)
    assert read(other, 70.0, 0.5).measurement.dissolved_solids_ppm == pytest.approx(50.0)


def test_a_meter_that_does_not_compensate_needs_the_temperature() -> None:
    plain = HandMeter("plain", MeterUnit.US_CM, 1.0, percent_of_reading=1.0, compensated=False)
    with pytest.raises(OutOfRangeError, match="does not compensate"):
        read(plain, 80.0, 0.5)
    # ISO 7888:1985, f25 at 10 °C = 1.428.
    assert read(plain, 80.0, 0.5, 10.0).measurement.dissolved_solids_ppm == pytest.approx(57.1, rel=0.002)


@pytest.mark.parametrize("t", [4.0, 15.0, 35.0, None])
def test_an_unknown_or_far_temperature_widens_the_interval(t: float | None) -> None:
    assert (
        read(FINE, 100.0, 0.5, t).measurement.expanded_uncertainty_ppm
        > read(FINE, 100.0, 0.5, 25.0).measurement.expanded_uncertainty_ppm
    )


def test_impossible_meters_and_readings_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match="no accuracy"):
        HandMeter("bare", MeterUnit.PPM, 1.0)
    with pytest.raises(OutOfRangeError, match="full scale"):
        HandMeter("bare", MeterUnit.PPM, 1.0, percent_of_full_scale=2.0)
    with pytest.raises(OutOfRangeError, match="full scale"):
        HandMeter("bare", MeterUnit.PPM, 1.0, percent_of_full_scale=0.5, full_scale=0.9)
    with pytest.raises(OutOfRangeError, match="the factor 0"):
        HandMeter("bare", MeterUnit.PPM, 1.0, 0.2, percent_of_reading=1.0)
    with pytest.raises(OutOfRangeError, match="resolution"):
        HandMeter("bare", MeterUnit.PPM, 0.0, percent_of_reading=2.0)
    with pytest.raises(OutOfRangeError, match="zero or more"):
        read(FINE, -1.0, 0.5)
    with pytest.raises(OutOfRangeError, match="300"):
        read(FINE, 1.0, 0.5, 300.0)
    with pytest.raises(OutOfRangeError, match="the factor 5"):
        read(FINE, 1.0, 5.0)
    for of_reading, of_full_scale in ((50.1, 0.0), (0.0, 50.1), (-1.0, 2.0), (2.0, -1.0)):
        with pytest.raises(OutOfRangeError, match="between 0 and 50 %"):
            HandMeter("wild", MeterUnit.PPM, 1.0, 0.5, of_reading, of_full_scale, 999.0)


def test_the_ends_of_every_range_are_allowed() -> None:
    for celsius in (0.0, 100.0):
        assert read(FINE, 0.0, 0.5, celsius).measurement.temperature_c == celsius
    for step in (1e-4, 1000.0):
        assert HandMeter("end", MeterUnit.PPM, step, percent_of_reading=50.0).resolution == step
    whole = HandMeter("one step", MeterUnit.PPM, 10.0, percent_of_full_scale=50.0, full_scale=10.0)
    assert whole.full_scale == 10.0
