"""The level sensor: calibration and faults."""

import math

import pytest

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.level_sensor import LevelFault, LevelSensor, LevelSensorTable

RISING = LevelSensorTable(((0.1, 0.0), (0.3, 0.25), (0.6, 0.50), (0.9, 0.85)))
FALLING = LevelSensorTable(((0.9, 0.0), (0.6, 0.25), (0.3, 0.50), (0.1, 0.85)))


@pytest.mark.parametrize("table", [RISING, FALLING])
def test_a_table_may_rise_or_fall_and_is_exact_at_its_points(table: LevelSensorTable) -> None:
    for fraction, depth_m in table.points:
        assert table.depth_m(fraction) == depth_m
    assert table.depths_m == (0.0, 0.85)
    assert table.fractions == (0.1, 0.9)


def test_a_table_of_two_points_is_a_straight_line() -> None:
    assert LevelSensorTable(((0.2, 0.1), (0.8, 0.7))).depth_m(0.5) == pytest.approx(0.4)
    assert LevelSensorTable(((0.2, 0.7), (0.8, 0.1))).depth_m(0.6) == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("raw", "fault"),
    [
        (1.0, LevelFault.LEVEL_SENSOR_OPEN),
        (0.0, LevelFault.LEVEL_SENSOR_SHORT),
        (0.95, LevelFault.LEVEL_SENSOR_OUT_OF_RANGE),
        (0.05, LevelFault.LEVEL_SENSOR_OUT_OF_RANGE),
        (0.99, LevelFault.LEVEL_SENSOR_OUT_OF_RANGE),
        (0.01, LevelFault.LEVEL_SENSOR_OUT_OF_RANGE),
        (None, LevelFault.LEVEL_SENSOR_MISSING),
        (math.nan, LevelFault.LEVEL_SENSOR_MISSING),
        (math.inf, LevelFault.LEVEL_SENSOR_MISSING),
        (LevelFault.LEVEL_SENSOR_OPEN, LevelFault.LEVEL_SENSOR_OPEN),
    ],
)
def test_an_impossible_fraction_is_a_fault_and_never_a_depth(
    raw: float | LevelFault | None, fault: LevelFault
) -> None:
    assert LevelSensor(RISING).read(raw) is fault


def test_with_the_divider_the_other_way_round_a_broken_wire_reads_low() -> None:
    level_sensor = LevelSensor(RISING, open_reads_high=False)
    assert level_sensor.read(0.0) is LevelFault.LEVEL_SENSOR_OPEN
    assert level_sensor.read(1.0) is LevelFault.LEVEL_SENSOR_SHORT


def test_a_little_outside_the_table_counts_as_its_end() -> None:
    assert LevelSensor(RISING).read(0.91) == 0.85
    assert LevelSensor(RISING).read(0.09) == 0.0
    assert LevelSensor(FALLING).read(0.91) == 0.0


@pytest.mark.parametrize(
    ("points", "says"),
    [
        (((0.1, 0.0),), "at least two"),
        (((0.1, 0.0), (0.1, 0.3)), "occurs twice"),
        (((0.1, 0.0), (0.5, 0.5), (0.9, 0.4)), "always rise or always fall"),
        (((0.1, 0.2), (0.5, 0.2)), "always rise or always fall"),
        (((0.1, 0.0), (1.1, 0.3)), "0 to 1"),
        (((0.1, -0.1), (0.9, 0.3)), "0 m or more"),
        (((math.nan, 0.1), (0.9, 0.3)), "0 to 1"),
    ],
)
def test_an_impossible_table_is_refused(points: tuple[tuple[float, float], ...], says: str) -> None:
    with pytest.raises(InputError, match=says):
        LevelSensorTable(points)


def test_a_table_outside_the_plausible_band_is_refused() -> None:
    with pytest.raises(InputError, match="broken wire"):
        LevelSensor(LevelSensorTable(((0.0, 0.0), (0.9, 0.8))))
    with pytest.raises(OutOfRangeError, match="plausible band"):
        LevelSensor(RISING, plausible_low=0.9, plausible_high=0.1)
    for low, high in ((-0.1, 0.95), (0.05, 1.1), (0.5, 0.5)):
        with pytest.raises(OutOfRangeError, match="plausible band"):
            LevelSensor(RISING, plausible_low=low, plausible_high=high)
    with pytest.raises(OutOfRangeError, match="the step"):
        LevelSensor(RISING, step_m=-0.01)
    with pytest.raises(OutOfRangeError, match="the margin"):
        LevelSensor(RISING, margin=-0.01)


def test_a_table_may_use_the_whole_range_and_the_whole_plausible_band() -> None:
    whole = LevelSensor(LevelSensorTable(((0.0, 0.0), (1.0, 0.8))), plausible_low=0.0, plausible_high=1.0)
    assert (whole.read(0.0), whole.read(1.0)) == (0.0, 0.8)
    assert whole.read(1.01) is LevelFault.LEVEL_SENSOR_OPEN
    band = LevelSensor(RISING, plausible_low=0.1, plausible_high=0.9)
    assert (band.read(0.1), band.read(0.9)) == (0.0, 0.85)
    assert band.read(0.91) is LevelFault.LEVEL_SENSOR_OPEN, "the margin does not widen the band"
