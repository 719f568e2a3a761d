"""Draw-off learned from the falling level."""

import math
from datetime import datetime, timedelta, timezone

import pytest

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.use import DrawOff, DrawOffSettings, observe
from tests.tank.reservoir import SETTINGS, START, Reservoir, watering_at_seven_and_nineteen


def test_the_learned_hours_and_the_learned_day_equal_the_draw_off() -> None:
    world = Reservoir()
    world.run(30, watering_at_seven_and_nineteen)
    assert world.state.day.mean == pytest.approx(20.0, rel=0.03)
    assert world.state.hours[7].mean == pytest.approx(8.0, rel=0.1)
    assert world.state.hours[19].mean == pytest.approx(12.0, rel=0.1)
    assert all(abs(world.state.hours[hour].mean) < 0.3 for hour in range(24) if hour not in (7, 8, 19, 20))


def test_waves_on_the_level_are_not_draw_off() -> None:
    world = Reservoir(noise_l=0.3)
    world.run(20, lambda _: 0.0)
    assert world.state.day.mean < 0.5


def test_a_refill_is_not_draw_off_and_does_not_hide_it() -> None:
    world = Reservoir()
    world.run(40, lambda _: 1.5)
    assert world.state.day.mean == pytest.approx(36.0, rel=0.03)


def test_known_evaporation_is_not_draw_off() -> None:
    world = Reservoir()
    world.run(20, watering_at_seven_and_nineteen, evaporation_l_h=0.25)
    assert world.state.day.mean == pytest.approx(20.0, rel=0.04)


def test_rain_and_a_bucket_are_not_learned_as_use() -> None:
    world = Reservoir()
    world.run(10, watering_at_seven_and_nineteen)
    world.volume_l = 150.0
    world.run(3.5, watering_at_seven_and_nineteen)
    world.volume_l += 15.0
    world.run(6.5, watering_at_seven_and_nineteen)
    assert world.state.day.mean == pytest.approx(20.0, rel=0.04)


def minutes(state: DrawOff, begin: datetime, volumes: list[float]) -> DrawOff:
    for minute, volume_l in enumerate(volumes):
        state = observe(SETTINGS, state, begin + timedelta(minutes=minute), volume_l, False)
    return state


def test_an_hour_with_a_bucket_in_it_is_not_learned() -> None:
    falling = [150.0 - 0.1 * minute for minute in range(61)]
    assert minutes(DrawOff(), START, falling).hours[0].mean == pytest.approx(6.0)
    bucket = [volume + (15.0 if minute > 50 else 0.0) for minute, volume in enumerate(falling)]
    assert minutes(DrawOff(), START, bucket).hours[0].weight == 0.0


def test_an_hour_that_comes_twice_after_a_clock_change_counts_once() -> None:
    falling = [150.0 - 0.1 * minute for minute in range(61)]
    state = minutes(DrawOff(), START, falling)
    assert minutes(state, START, falling).hours[0].weight == 1.0


def test_a_day_with_two_missing_hours_is_still_learned() -> None:
    world = Reservoir()
    world.run(10.5, lambda _: 0.5)
    days = world.state.day.weight
    world.now += timedelta(hours=2)
    world.run(1, lambda _: 0.5)
    assert world.state.day.weight > days
    assert world.state.day.mean == pytest.approx(12.0, rel=0.05)


def test_a_change_of_habit_is_learned_within_weeks() -> None:
    world = Reservoir()
    world.run(60, watering_at_seven_and_nineteen)
    world.run(42, lambda when: 0.5 * watering_at_seven_and_nineteen(when))
    assert world.state.day.mean == pytest.approx(10.0, rel=0.15)


def test_nothing_wrong_is_learned_when_a_clock_jumps() -> None:
    world = Reservoir()
    world.run(20, watering_at_seven_and_nineteen)
    for jump in (timedelta(hours=-7), timedelta(days=3), timedelta(days=-40), timedelta(hours=5)):
        world.now += jump
        world.run(2, watering_at_seven_and_nineteen)
    assert world.state.day.mean == pytest.approx(20.0, rel=0.06)


def test_the_state_does_not_grow_with_the_years() -> None:
    world = Reservoir()
    world.run(60, watering_at_seven_and_nineteen, leak_l_h=0.2)
    state = world.state
    assert (len(state.hours), len(state.night), len(state.daily.tracks)) == (24, 14 * 9, 12)
    assert state.day.weight < 21.0


def test_the_hours_are_those_of_the_local_clock() -> None:
    local = timezone(timedelta(hours=10))
    world = Reservoir(start=START.astimezone(local))
    world.run(15, watering_at_seven_and_nineteen)
    assert world.state.hours[7].mean == pytest.approx(8.0, rel=0.1)


def test_impossible_readings_are_refused() -> None:
    with pytest.raises(InputError, match="offset"):
        observe(SETTINGS, DrawOff(), datetime(2025, 6, 1), 10.0, False)
    with pytest.raises(OutOfRangeError, match="the volume"):
        observe(SETTINGS, DrawOff(), START, -1.0, False)
    with pytest.raises(OutOfRangeError, match="the evaporation"):
        observe(SETTINGS, DrawOff(), START, 1.0, False, math.nan)
    with pytest.raises(OutOfRangeError, match="the night"):
        DrawOffSettings(night_from_hour=5, night_until_hour=6)
    with pytest.raises(OutOfRangeError, match="must be larger"):
        DrawOffSettings(rise_l=1.0, resolution_l=2.0)
    with pytest.raises(OutOfRangeError, match="half-life"):
        DrawOffSettings(half_life_days=0.0)
