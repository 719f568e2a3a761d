"""Draw-off learned from the falling level."""

import math
import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import numpy as np
import pytest

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.use import LEAST_PART, DrawOff, DrawOffSettings, RunningMean, observe, part_rate
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


def test_a_wave_of_one_reading_is_no_bucket_and_neither_is_a_rise_of_exactly_its_bound() -> None:
    for high_l, readings, weight in ((170.0, 1, 1.0), (151.0, 5, 1.0), (151.001, 5, 0.0)):
        volumes = [high_l if 30 <= minute < 30 + readings else 150.0 for minute in range(61)]
        state = minutes(DrawOff(), START, volumes)
        assert state.hours[0].weight == weight
        assert abs(state.hours[0].mean) < 1e-9


@pytest.mark.parametrize("minutes_of_fill", [20, 21])
def test_the_volume_during_a_fill_is_the_start_of_no_fall(minutes_of_fill: int) -> None:
    volumes = [180.0] * minutes_of_fill + [150.0 - 0.1 * minute for minute in range(61 - minutes_of_fill)]
    state = followed(volumes, frozenset(range(minutes_of_fill)))
    assert state.hours[0].mean == pytest.approx(6.0)


def followed(volumes: Sequence[float | None], flowing: frozenset[int] = frozenset()) -> DrawOff:
    """Returns what is learned from one reading a minute from a full hour on."""
    state = DrawOff()
    for minute, volume_l in enumerate(volumes):
        when = START + timedelta(minutes=minute)
        state = observe(SETTINGS, state, when, volume_l, minute in flowing)
    return state


@pytest.mark.parametrize("unknown", [range(15, 29), range(47, 61)], ids=["in the middle", "at the end"])
def test_an_hour_that_was_watched_in_part_has_the_rate_of_that_part(unknown: range) -> None:
    falling = [150.0 - 0.1 * minute for minute in range(61)]
    seen = [None if minute in unknown else volume for minute, volume in enumerate(falling)]
    assert followed(seen).hours[0].mean == pytest.approx(6.0, rel=0.01)
    assert followed(seen).hours[0].weight == 1.0


def test_an_hour_of_which_less_than_half_was_watched_is_not_learned() -> None:
    falling = [150.0 - 0.1 * minute for minute in range(61)]
    for watched, learned in ((29, 0.0), (31, 1.0)):
        filling = frozenset(range(watched, 61))
        assert followed([*falling], filling).hours[0].weight == learned


def test_water_that_is_taken_at_a_full_hour_counts_into_the_hour_that_begins() -> None:
    state = followed([150.0] * 61 + [140.0] * 60)
    assert [hour.mean for hour in state.hours[:2]] == pytest.approx([0.0, 10.0])


def test_two_readings_of_one_moment_spoil_no_hour() -> None:
    state = DrawOff()
    for minute in range(61):
        when = START + timedelta(minutes=minute)
        for volume_l in (150.0 - 0.1 * minute, 150.0 - 0.1 * minute):
            state = observe(SETTINGS, state, when, volume_l, False)
    assert state.hours[0].weight == 1.0
    assert state.hours[0].mean == pytest.approx(6.0)


def test_a_part_of_a_day_has_a_rate_if_enough_of_its_hours_are_learned() -> None:
    known = replace(DrawOff(), hours=(RunningMean(9.0, 2.0, 0.0),) * 24)
    part = range(8, 18)
    least = math.ceil(LEAST_PART * len(part))
    assert LEAST_PART * len(part) == least, "ten hours show the very bound"
    taken = dict.fromkeys(list(part)[:least], 5.0)
    # An hour that was not learned counts with its mean of 2 L/h.
    expected = (5.0 * least + 2.0 * (len(part) - least)) / len(part)
    assert part_rate(known, taken, part) == pytest.approx(expected)
    del taken[part[0]]
    assert part_rate(known, taken, part) is None


def test_the_fall_over_a_long_gap_is_not_learned() -> None:
    first = followed([150.0 - 0.1 * minute for minute in range(20)])
    state = first
    for minute in range(40, 61):
        state = observe(SETTINGS, state, START + timedelta(minutes=minute), 120.0, False)
    assert state.hours[0].weight == 0.0
    short = first
    for minute in range(34, 61):
        state = short = observe(SETTINGS, short, START + timedelta(minutes=minute), 140.0, False)
    # A quarter of an hour is bridged: 10 L fell within it and before it.
    assert short.hours[0].mean == pytest.approx(10.0)


def test_readings_twice_a_second_are_learned_too() -> None:
    state = DrawOff()
    for half in range(2 * 3600 + 1):
        when = START + timedelta(seconds=0.5 * half)
        state = observe(SETTINGS, state, when, 150.0 - 0.001 * half, False)
    assert state.hours[0].mean == pytest.approx(7.2)


def test_a_mean_that_forgets_is_the_weighted_mean_of_all_its_values() -> None:
    chance = random.Random(3)
    values = [chance.gauss(5.0, 2.0) for _ in range(40)]
    found = RunningMean()
    for value in values:
        found = found.after(value, 7.0)
    weights = [0.5 ** ((len(values) - 1 - at) / 7.0) for at in range(len(values))]
    mean = float(np.average(values, weights=weights))
    assert found.weight == pytest.approx(sum(weights))
    assert found.mean == pytest.approx(mean)
    assert found.variance == pytest.approx(float(np.average((np.array(values) - mean) ** 2, weights=weights)))


def test_nights_older_than_two_weeks_are_remembered_by_their_mean() -> None:
    world = Reservoir()
    world.run(40, lambda when: 0.6 if when.hour >= 21 or when.hour < 6 else 1.2)
    night, *day_parts = world.state.earlier
    assert night.mean == pytest.approx(0.6, abs=0.06)
    assert night.weight > 15.0
    assert [part.mean for part in day_parts] == pytest.approx([1.2] * len(day_parts), abs=0.12)


@pytest.mark.parametrize(
    ("weight", "rate", "counted"),
    [
        # 1.35 times the mean of 1 L/h, and twice the error of two readings of 0.2 L over the nine hours.
        (4.0, 5.0, 1.35 + 2.0 * math.sqrt(2.0) * 0.3 * 0.2 / 9.0),
        (3.99, 5.0, 5.0),
        (4.0, 1.2, 1.2),
        (4.0, -5.0, -2.0 * math.sqrt(2.0) * 0.3 * 0.2 / 9.0),
    ],
)
def test_a_night_that_is_unlike_all_before_counts_only_as_an_unusual_one(
    weight: float, rate: float, counted: float
) -> None:
    night, now = SETTINGS.parts[0], START.replace(hour=2)
    key = now.toordinal() * 24 + now.hour
    before = RunningMean(weight, 1.0, 0.0)
    old = (key - 20 * 24 - now.hour) // 24 * 24
    taken = tuple((old + (hour - 24 if hour > 12 else hour), rate) for hour in night)
    state = replace(DrawOff(), earlier=(before,) * 3, quiet=taken)
    state = minutes(state, now, [150.0] * 61)
    assert state.quiet == ((key, 0.0),)
    # The means of the earlier days forget half as fast.
    assert state.earlier[0].mean == pytest.approx(before.after(counted, 28.0).mean)
    assert state.earlier[1:] == (before, before)


@pytest.mark.parametrize(("seen", "learned"), [(17, 1.0), (16, 0.0)])
def test_a_day_is_learned_with_eighteen_of_its_hours(seen: int, learned: float) -> None:
    state = replace(DrawOff(), today_seen=(1 << seen) - 1, today_l=0.5 * seen)
    last = START.replace(hour=23)
    state = replace(state, hour_key=last.toordinal() * 24 + 23, at_s=last.timestamp() - 60.0)
    state = minutes(state, last, [150.0 - minute / 120.0 for minute in range(61)])
    assert state.day.weight == learned
    assert state.day.mean == pytest.approx(learned * 0.5 * (seen + 1))
    assert (state.today_l, state.today_seen) == (0.0, 0)


@pytest.mark.parametrize(("hours", "kept_l"), [(2.0, 5.0), (24.0, 0.0)])
def test_a_gap_keeps_what_was_learned_of_the_same_day_only(hours: float, kept_l: float) -> None:
    noon = START.replace(hour=12)
    state = replace(DrawOff(), hour_key=noon.toordinal() * 24 + 12, at_s=noon.timestamp())
    state = replace(state, today_l=5.0, today_seen=0b1111)
    state = observe(SETTINGS, state, noon + timedelta(hours=hours), 150.0, False)
    assert (state.today_l, state.today_seen) == ((5.0, 0b1111) if kept_l else (0.0, 0))
    assert (state.base_l, state.last_l) == (150.0, 150.0)


def test_a_night_may_lie_within_one_day_or_across_midnight() -> None:
    late = DrawOffSettings(night_from_hour=22, night_until_hour=1)
    early = DrawOffSettings(night_from_hour=0, night_until_hour=12)
    assert late.parts[0] == (22, 23, 0)
    assert late.day_of(24 * 100 + 22) == late.day_of(24 * 101) == 101
    assert early.parts[0] == tuple(range(12))
    assert early.day_of(24 * 100 + 23) == 100


@pytest.mark.parametrize("hour", [0, 3])
def test_an_hour_that_comes_twice_after_a_clock_change_counts_once(hour: int) -> None:
    falling = [150.0 - 0.1 * minute for minute in range(61)]
    state = minutes(DrawOff(), START.replace(hour=hour), falling)
    assert minutes(state, START.replace(hour=hour), falling).hours[hour].weight == 1.0


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
    assert (len(state.hours), len(state.daily.tracks)) == (24, 12)
    assert 12 * 17 < len(state.quiet) <= 14 * 17
    assert state.day.weight < 21.0
    still = Reservoir(noise_l=0.0)
    still.run(20, lambda _: 0.02)
    # Thirteen days, and three hours of the night that counts on the next one.
    assert len(still.state.quiet) == 13 * 17 + 3


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
    for half_life_days in (2.99, math.inf, math.nan):
        with pytest.raises(OutOfRangeError, match="half-life"):
            DrawOffSettings(half_life_days=half_life_days)
    for from_hour, until_hour in ((21, 23), (21, 10), (24, 6), (-1, 6), (21, 24)):
        with pytest.raises(OutOfRangeError, match="the night"):
            DrawOffSettings(night_from_hour=from_hour, night_until_hour=until_hour)
    with pytest.raises(OutOfRangeError, match="the longest gap"):
        DrawOffSettings(longest_gap_s=0.0)
    with pytest.raises(OutOfRangeError, match="the resolution"):
        DrawOffSettings(resolution_l=-0.1)
    with pytest.raises(OutOfRangeError, match="must be larger"):
        DrawOffSettings(rise_l=1.0, resolution_l=1.0)
    for rise_l in (math.nan, math.inf):
        with pytest.raises(OutOfRangeError, match="the rise"):
            DrawOffSettings(rise_l=rise_l)
    for night_draw in (-0.01, 1.0, 1.5, math.nan):
        with pytest.raises(OutOfRangeError, match="the draw of the night"):
            DrawOffSettings(night_draw=night_draw)
    for night_draw in (0.0, 0.5, 0.99):
        assert DrawOffSettings(night_draw=night_draw).night_draw == night_draw
    assert DrawOffSettings(half_life_days=3.0, resolution_l=0.0).half_life_days == 3.0
