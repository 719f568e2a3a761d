"""Hand meters by their data sheets."""

import math

import pytest

from bridge.errors import OutOfRangeError
from bridge.water.meter import USUAL_METER, HandMeter, MeterUnit, read

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
    with pytest.raises(OutOfRangeError, match="resolution"):
        HandMeter("bare", MeterUnit.PPM, 0.0, percent_of_reading=2.0)
    with pytest.raises(OutOfRangeError, match="zero or more"):
        read(FINE, -1.0, 0.5)
    with pytest.raises(OutOfRangeError, match="300"):
        read(FINE, 1.0, 0.5, 300.0)
