"""Draw-off learned from the falling level, days of cover, and the hint of a leak."""

import math
import random
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone

import pytest

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.use import (
    HORIZON_DAYS,
    Cover,
    DrawOff,
    DrawOffSettings,
    Leak,
    RunningMean,
    days_until_dry,
    leak_hint,
    observe,
)

SETTINGS = DrawOffSettings()
START = datetime(2025, 6, 1, tzinfo=UTC)
STEP = timedelta(minutes=5)


class World:
    """An invented reservoir of 200 L, refilled at half and read every five minutes with noise."""

    def __init__(self, seed: int = 1, noise_l: float = 0.1, start: datetime = START) -> None:
        self.chance = random.Random(seed)
        self.noise_l = noise_l
        self.now = start
        self.volume_l = 180.0
        self.filling = False
        self.state = DrawOff()

    def run(
        self,
        days: float,
        use_l_h: Callable[[datetime], float],
        leak_l_h: float = 0.0,
        evaporation_l_h: float = 0.0,
        scatter: float = 0.0,
    ) -> None:
        until = self.now + timedelta(days=days)
        factor = 1.0
        while self.now < until:
            if self.now.hour == 0 and self.now.minute == 0:
                factor = max(1.0 + self.chance.gauss(0.0, scatter), 0.0)
            out_l = (use_l_h(self.now) * factor + leak_l_h + evaporation_l_h) / 12.0
            self.filling = self.volume_l < (180.0 if self.filling else 100.0)
            self.volume_l += (2.0 if self.filling else 0.0) - out_l
            read_l = max(self.volume_l + self.chance.gauss(0.0, self.noise_l), 0.0)
            self.now += STEP
            self.state = observe(SETTINGS, self.state, self.now, read_l, self.filling, evaporation_l_h)


def watering_at_seven_and_nineteen(when: datetime) -> float:
    return {7: 8.0, 19: 12.0}.get(when.hour, 0.0)


def test_the_learned_hours_and_the_learned_day_equal_the_draw_off() -> None:
    world = World()
    world.run(30, watering_at_seven_and_nineteen)
    assert world.state.day.mean == pytest.approx(20.0, rel=0.03)
    assert world.state.hours[7].mean == pytest.approx(8.0, rel=0.1)
    assert world.state.hours[19].mean == pytest.approx(12.0, rel=0.1)
    assert all(abs(world.state.hours[hour].mean) < 0.3 for hour in range(24) if hour not in (7, 8, 19, 20))


def test_waves_on_the_level_are_not_draw_off() -> None:
    world = World(noise_l=0.3)
    world.run(20, lambda _: 0.0)
    assert world.state.day.mean < 0.5


def test_a_refill_is_not_draw_off_and_does_not_hide_it() -> None:
    world = World()
    world.run(40, lambda _: 1.5)
    assert world.state.day.mean == pytest.approx(36.0, rel=0.03)


def test_known_evaporation_is_not_draw_off() -> None:
    world = World()
    world.run(20, watering_at_seven_and_nineteen, evaporation_l_h=0.25)
    assert world.state.day.mean == pytest.approx(20.0, rel=0.04)


def test_rain_and_a_bucket_are_not_learned_as_use() -> None:
    world = World()
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
    world = World()
    world.run(10.5, lambda _: 0.5)
    days = world.state.day.weight
    world.now += timedelta(hours=2)
    world.run(1, lambda _: 0.5)
    assert world.state.day.weight > days
    assert world.state.day.mean == pytest.approx(12.0, rel=0.05)


def test_a_change_of_habit_is_learned_within_weeks() -> None:
    world = World()
    world.run(60, watering_at_seven_and_nineteen)
    world.run(42, lambda when: 0.5 * watering_at_seven_and_nineteen(when))
    assert world.state.day.mean == pytest.approx(10.0, rel=0.15)


def test_the_forecast_comes_true_and_its_interval_covers_the_result() -> None:
    inside, errors = 0, []
    for seed in range(20):
        world = World(seed)
        world.run(25, watering_at_seven_and_nineteen, scatter=0.3)
        cover = days_until_dry(world.state, 150.0, world.now)
        assert cover is not None
        assert cover.low95_days <= cover.low80_days <= cover.days <= cover.high80_days <= cover.high95_days
        left_l, hours, moment = 150.0, 0, world.now
        while left_l > 0.0:
            if hours == 0 or moment.hour == 0:
                factor = max(1.0 + world.chance.gauss(0.0, 0.3), 0.0)
            left_l -= watering_at_seven_and_nineteen(moment) * factor
            moment += timedelta(hours=1)
            hours += 1
        inside += cover.low95_days <= hours / 24.0 <= cover.high95_days
        errors.append(cover.days - hours / 24.0)
    assert inside >= 18
    assert abs(sum(errors)) / len(errors) < 0.5


def test_the_season_of_an_earlier_year_carries_into_the_forecast() -> None:
    def use(when: datetime) -> float:
        return 1.0 if when.month == 7 else 0.25

    world = World(start=datetime(2024, 6, 1, tzinfo=UTC), noise_l=0.0)
    world.run(61, use)
    world.run(304, use)
    world.run(30, use)
    assert world.now.month == 7
    june = world.now.replace(month=6, day=20)
    with_season = days_until_dry(world.state, 150.0, june)
    months = (RunningMean(),) * 12
    without = days_until_dry(DrawOff(world.state.hours, world.state.day, months), 150.0, june)
    assert with_season is not None
    assert without is not None
    assert without.days == pytest.approx(25.0, rel=0.1)
    # Ten days at 6 L, then July at 24 L.
    assert with_season.days == pytest.approx(10.0 + 90.0 / 24.0, rel=0.2)


def test_there_is_no_forecast_before_some_days_are_known() -> None:
    world = World()
    world.run(3.5, watering_at_seven_and_nineteen)
    assert days_until_dry(world.state, 100.0, world.now) is None
    world.run(3, watering_at_seven_and_nineteen)
    assert days_until_dry(world.state, 100.0, world.now) is not None


def test_a_reservoir_without_use_lasts_for_ever_and_an_empty_one_no_time() -> None:
    known = DrawOff(day=RunningMean(20.0, 0.0, 0.0))
    cover = days_until_dry(known, 100.0, START)
    assert cover is not None
    assert cover.days == math.inf
    busy = DrawOff(day=RunningMean(20.0, 10.0, 4.0))
    assert days_until_dry(busy, 0.0, START) == Cover(10.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    assert days_until_dry(busy, 5.0, START, unusable_l=5.0) == Cover(10.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    far = days_until_dry(busy, 10.0 * (HORIZON_DAYS + 20), START)
    assert far is not None
    assert far.days == math.inf


def test_the_interval_holds_the_scatter_of_the_days_and_the_error_of_their_mean() -> None:
    """Against the two closed formulas of the theory, for a use of 10 L/d with a variance of 3.4."""
    cover = days_until_dry(DrawOff(day=RunningMean(20.0, 10.0, 3.4)), 400.0, START)
    assert cover is not None
    assert cover.days == pytest.approx(40.0, abs=0.05)
    for days, z in (
        (cover.low95_days, 1.96),
        (cover.low80_days, 1.2816),
        (cover.high80_days, -1.2816),
        (cover.high95_days, -1.96),
    ):
        variance = 3.4 * 20.0 / 17.0
        error_l = math.sqrt(days * variance + days**2 * variance / 20.0)
        assert 10.0 * days + z * error_l == pytest.approx(400.0, abs=0.6)


def test_evaporation_shortens_the_cover() -> None:
    busy = DrawOff(day=RunningMean(20.0, 10.0, 4.0))
    dry = days_until_dry(busy, 100.0, START, evaporation_l_d=10.0)
    assert dry is not None
    assert dry.days == pytest.approx(5.0, abs=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_a_leak_is_found_by_its_steady_fall_at_night(seed: int) -> None:
    world = World(seed)
    world.run(8, watering_at_seven_and_nineteen, leak_l_h=0.3)
    hint = leak_hint(SETTINGS, world.state)
    assert hint is not None
    assert hint.litres_per_hour == pytest.approx(0.3, rel=0.2)
    assert "L a day" in hint.sentence


def nobody_or_a_lot(when: datetime) -> float:
    return 1.0 if when.day % 3 == 0 else 0.0


@pytest.mark.parametrize(
    "use",
    [
        watering_at_seven_and_nineteen,
        lambda when: 5.0 if when.hour == 3 else 0.0,
        lambda when: 3.0 if when.hour in (2, 4) else 0.0,
        nobody_or_a_lot,
    ],
)
def test_watering_by_day_and_timers_and_people_by_night_are_no_leak(use: Callable[[datetime], float]) -> None:
    for seed in range(5):
        world = World(seed)
        world.run(8, use)
        assert leak_hint(SETTINGS, world.state) is None


def nights(*rows: tuple[float, ...]) -> DrawOff:
    return DrawOff(
        night=tuple(
            (24 * day + hour, taken) for day, row in enumerate(rows) for hour, taken in enumerate(row, 1)
        )
    )


def test_a_leak_below_the_resolution_or_in_too_few_nights_is_not_reported() -> None:
    steady = (0.5,) * 4
    assert leak_hint(SETTINGS, nights(*[steady] * 4)) == Leak(0.5)
    assert leak_hint(SETTINGS, nights(*[steady] * 3, (0.5, 0.5, 0.5))) is None
    assert leak_hint(SETTINGS, nights(*[steady] * 4), least_l_h=0.6) is None
    assert leak_hint(DrawOffSettings(resolution_l=0.9), nights(*[steady] * 4)) is None


def test_nothing_wrong_is_learned_when_a_clock_jumps() -> None:
    world = World()
    world.run(20, watering_at_seven_and_nineteen)
    for jump in (timedelta(hours=-7), timedelta(days=3), timedelta(days=-40), timedelta(hours=5)):
        world.now += jump
        world.run(2, watering_at_seven_and_nineteen)
    assert world.state.day.mean == pytest.approx(20.0, rel=0.06)


def test_the_state_does_not_grow_with_the_years() -> None:
    world = World()
    world.run(60, watering_at_seven_and_nineteen, leak_l_h=0.2)
    state = world.state
    assert (len(state.hours), len(state.months), len(state.night)) == (24, 12, 24)
    assert state.day.weight < 21.0


def test_the_hours_are_those_of_the_local_clock() -> None:
    local = timezone(timedelta(hours=10))
    world = World(start=START.astimezone(local))
    world.run(15, watering_at_seven_and_nineteen)
    assert world.state.hours[7].mean == pytest.approx(8.0, rel=0.1)


def test_impossible_readings_are_refused() -> None:
    with pytest.raises(InputError, match="offset"):
        observe(SETTINGS, DrawOff(), datetime(2025, 6, 1), 10.0, False)
    with pytest.raises(OutOfRangeError, match="the volume"):
        observe(SETTINGS, DrawOff(), START, -1.0, False)
    with pytest.raises(OutOfRangeError, match="the evaporation"):
        observe(SETTINGS, DrawOff(), START, 1.0, False, math.nan)
    with pytest.raises(OutOfRangeError, match="the volume"):
        days_until_dry(DrawOff(), math.nan, START)
    with pytest.raises(OutOfRangeError, match="the night"):
        DrawOffSettings(night_from_hour=5, night_until_hour=1)
    with pytest.raises(OutOfRangeError, match="must be larger"):
        DrawOffSettings(rise_l=1.0, resolution_l=2.0)
    with pytest.raises(OutOfRangeError, match="half-life"):
        DrawOffSettings(half_life_days=0.0)
