"""A leak is found in the falls of whole nights; timers, people, wicks, misting and swelling are none."""

import math
import random
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest

from bridge.simulate.weather import invented_weather
from bridge.tank.leak import Leak, leak_hint, least_leak_l_h
from bridge.tank.use import DrawOff, DrawOffSettings, RunningMean
from tests.tank.reservoir import SETTINGS, Reservoir, watering_at_seven_and_nineteen

STEP_L = 2.5
"""A step of 10 mm in a tank of 200 L that is 0.8 m high."""
COARSE = DrawOffSettings(resolution_l=STEP_L, rise_l=2.0 * STEP_L, longest_gap_s=3600.0)


def coarse(seed: int, noise_l: float = 0.0) -> Reservoir:
    return Reservoir(seed, noise_l, settings=COARSE, step_l=STEP_L, every=timedelta(hours=1))


@pytest.mark.parametrize("seed", range(5))
def test_a_leak_is_found_by_its_steady_fall_at_night(seed: int) -> None:
    world = Reservoir(seed)
    world.run(8, watering_at_seven_and_nineteen, leak_l_h=0.3)
    hint = leak_hint(SETTINGS, world.state)
    assert hint is not None
    assert hint.litres_per_hour == pytest.approx(0.3, rel=0.2)
    assert "L a day" in hint.sentence


def test_the_stated_least_leak_is_found_in_two_weeks_in_95_of_100_tanks() -> None:
    stated_l_h = least_leak_l_h(COARSE, 150.0)
    assert 0.1 < stated_l_h <= 0.2
    found = 0
    for seed in range(100):
        world = coarse(seed)
        world.run(15, watering_at_seven_and_nineteen, leak_l_h=stated_l_h, scatter=0.3)
        found += leak_hint(COARSE, world.state) is not None
    # 95 of 100, less two standard deviations of that count.
    assert found >= 91


def test_a_leak_that_begins_after_a_quiet_month_is_found_in_three_weeks() -> None:
    found = 0
    for seed in range(40):
        world = coarse(seed)
        world.run(30, watering_at_seven_and_nineteen, scatter=0.3)
        assert leak_hint(COARSE, world.state) is None
        world.run(21, watering_at_seven_and_nineteen, leak_l_h=0.2, scatter=0.3)
        found += leak_hint(COARSE, world.state) is not None
    assert found >= 36


def sun(when: datetime) -> float:
    return max(math.sin(math.pi * (when.hour - 5) / 16.0), 0.0) if 5 <= when.hour < 21 else 0.0


GARDENS: dict[str, Callable[[datetime, float], float]] = {
    "watering": lambda when, _: watering_at_seven_and_nineteen(when),
    "timers": lambda when, _: {3: 4.0, 5: 2.0, 13: 3.0}.get(when.hour, 0.0),
    "timers all night": lambda when, _: {22: 2.0, 0: 2.0, 2: 2.0, 4: 2.0}.get(when.hour, 0.0),
    "misting": lambda when, mm: 0.13 * mm * (8 <= when.hour < 19) + 6.0 * (when.hour == 19),
    "wicks": lambda when, mm: mm * (0.02 + 0.13 * sun(when)),
}


def alarms(years: int, seed: int, use: Callable[[datetime, float], float]) -> int:
    """Return how often a leak was suspected anew in a garden without one, with warm afternoons."""
    weather = invented_weather(random.Random(seed), 1, 365 * years)
    world = coarse(seed, 0.2)
    count, on = 0, False
    for day in weather:
        mm = day.evapotranspiration_mm
        # 200 L whose temperature swings by up to 10 °C in a hot day, least at 5 o'clock.
        swing_l = 0.25 * (0.4 + 0.6 * min(mm / 5.0, 1.3))

        def swollen(when: datetime, swing_l: float = swing_l) -> float:
            return swing_l * math.cos(2.0 * math.pi * (when.hour - 17) / 24.0)

        def taken(when: datetime, mm: float = mm) -> float:
            return use(when, mm)

        world.run(1, taken, scatter=0.3, swelling_l=swollen)
        before, on = on, leak_hint(COARSE, world.state) is not None
        count += on and not before
    return count


def test_gardens_without_a_leak_raise_at_most_one_alarm_in_ten_years() -> None:
    assert sum(alarms(2, seed, use) for seed, use in enumerate(GARDENS.values())) <= 1


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
        world = Reservoir(seed)
        world.run(8, use)
        assert leak_hint(SETTINGS, world.state) is None


def nights(*rows: tuple[float, ...]) -> DrawOff:
    """Return a state with these nights from nine in the evening on, and quiet days like them."""
    quiet = RunningMean(len(rows), rows[0][0], 0.0)
    return DrawOff(
        hours=(quiet,) * 24,
        night=tuple(
            (24 * day + hour, taken) for day, row in enumerate(rows) for hour, taken in enumerate(row, 21)
        ),
    )


def test_a_leak_below_the_resolution_or_in_too_few_nights_is_not_reported() -> None:
    steady = (0.5,) * 9
    assert leak_hint(SETTINGS, nights(*[steady] * 4)) == Leak(0.5)
    assert leak_hint(SETTINGS, nights(*[steady] * 3, (0.5,) * 8)) is None
    assert leak_hint(SETTINGS, nights(*[steady] * 4), least_l_h=0.6) is None
    assert leak_hint(DrawOffSettings(resolution_l=9.0, rise_l=10.0), nights(*[steady] * 4)) is None
