"""What a forecast says of paths that are given: when each is dry, and the quantiles of all of them."""

import math
from array import array
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.tank.cover import chance_of_enough, days_until_dry, enough_l, litres_until, paths_of
from bridge.tank.daily_use import DailyUse, learn, sampled
from bridge.tank.use import DrawOff, RunningMean
from tests.tank.reservoir import START

EVENING = timedelta(hours=23, minutes=59, seconds=59)
"""The end of a day, within it."""
NOON = timedelta(hours=12)
EVEN = DrawOff()
"""Nothing is learned of the hours, so all count alike."""


def with_hours(litres: dict[int, float]) -> DrawOff:
    hours = tuple(RunningMean(10.0, litres.get(hour, 0.0), 0.0) for hour in range(24))
    return replace(DrawOff(), hours=hours)


def dry(
    state: DrawOff, use: list[float], volume_l: float, when: datetime, evaporation_l_d: float = 0.0
) -> float:
    """Returns the days until one path is dry."""
    cover = days_until_dry(
        state, volume_l, when, evaporation_l_d=evaporation_l_d, paths=[array("f", use)], horizon_days=100
    )
    assert cover is not None
    assert cover.low95_days == cover.high95_days == cover.days
    return cover.days


@pytest.mark.parametrize(
    ("hour", "volume_l", "evaporation_l_d", "days"),
    [
        (0, 12.0, 0.0, 1.2),
        # From noon on 5 L are used today.
        (12, 5.0, 0.0, 0.5),
        (12, 12.0, 0.0, 0.5 + 0.7),
        (18, 30.0, 0.0, 0.25 + 2.75),
        # 2 L a day evaporate beside it: 12 L a day.
        (0, 12.0, 2.0, 1.0),
        (12, 9.0, 2.0, 0.75),
        (12, 3.0, 2.0, 0.25),
    ],
)
def test_a_steady_use_takes_the_volume_in_the_time_that_division_gives(
    hour: int, volume_l: float, evaporation_l_d: float, days: float
) -> None:
    when = START.replace(hour=hour)
    assert dry(EVEN, [10.0] * 20, volume_l, when, evaporation_l_d) == pytest.approx(days)


@pytest.mark.parametrize(
    ("at", "volume_l", "days"),
    [
        # 8 L between seven and eight, 12 L between nineteen and twenty.
        (0.0, 4.0, 7.5 / 24.0),
        (0.0, 8.0, 8.0 / 24.0),
        (0.0, 14.0, 19.5 / 24.0),
        (0.0, 24.0, 1.0 + 7.5 / 24.0),
        (7.5, 4.0, 0.5 / 24.0),
        (7.5, 10.0, 12.0 / 24.0),
        (8.0, 6.0, 11.5 / 24.0),
        # 36 seconds after half past.
        (7.51, 3.92, 0.49 / 24.0),
        (20.0, 2.0, 11.25 / 24.0),
    ],
)
def test_water_that_is_used_in_two_hours_is_gone_within_one_of_them(
    at: float, volume_l: float, days: float
) -> None:
    state = with_hours({7: 8.0, 19: 12.0})
    when = START + timedelta(hours=at)
    assert dry(state, [20.0] * 20, volume_l, when) == pytest.approx(days, abs=1e-6)


def test_an_hour_that_was_learned_below_zero_counts_as_no_use() -> None:
    state = with_hours({7: 8.0, 12: -5.0, 19: 12.0})
    assert dry(state, [20.0] * 20, 14.0, START) == pytest.approx(19.5 / 24.0, abs=1e-6)


def test_an_empty_reservoir_is_dry_at_once_at_any_hour() -> None:
    for hours in (0.0, 7.5, 12.0, 23.9):
        when = START + timedelta(hours=hours)
        assert dry(with_hours({7: 8.0, 19: 12.0}), [20.0, 20.0], 0.0, when) == pytest.approx(0.0, abs=1e-9)
        assert dry(EVEN, [0.0, 0.0], 0.0, when) == pytest.approx(0.0, abs=1e-9)


def test_a_day_without_use_only_passes_and_a_path_that_ends_first_is_never_dry() -> None:
    assert dry(EVEN, [10.0, 0.0, 0.0, 10.0], 15.0, START) == pytest.approx(3.5)
    assert dry(EVEN, [10.0, 0.0], 15.0, START) == math.inf
    assert dry(EVEN, [0.0, 0.0], 1.5, START, evaporation_l_d=1.0) == pytest.approx(1.5)


@given(st.lists(st.floats(1.0, 50.0), min_size=1, max_size=40))
def test_the_interval_is_that_of_hazens_quantiles(uses: list[float]) -> None:
    """Outside reference: numpy's quantile by Hazen's rule."""
    volume_l = 60.0
    paths = [array("f", [use] * 100) for use in uses]
    cover = days_until_dry(EVEN, volume_l, START, paths=paths, horizon_days=100)
    assert cover is not None
    found = (cover.low95_days, cover.low80_days, cover.days, cover.high80_days, cover.high95_days)
    days = [volume_l / path[0] for path in paths]
    assert found == pytest.approx(np.quantile(days, [0.025, 0.1, 0.5, 0.9, 0.975], method="hazen"), rel=1e-5)


def test_beyond_the_horizon_the_cover_is_without_end() -> None:
    paths = [array("f", [10.0] * 40)]
    for volume_l, days in ((299.0, 29.9), (301.0, math.inf)):
        cover = days_until_dry(EVEN, volume_l, START, paths=paths, horizon_days=30)
        assert cover is not None
        assert cover.days == pytest.approx(days)


def test_a_cover_that_reaches_the_horizon_itself_is_without_end() -> None:
    cover = days_until_dry(EVEN, 2.0, START, paths=[array("f", [1.0] * 5)], horizon_days=2)
    assert cover is not None
    assert cover.days == math.inf


def test_the_median_is_that_of_its_own_path_though_the_next_one_never_ends() -> None:
    paths = [array("f", [use] * 20) for use in (10.0, 10.0, 12.0, 0.0, 0.0)]
    cover = days_until_dry(EVEN, 60.0, START, paths=paths, horizon_days=20)
    assert cover is not None
    assert (cover.days, cover.high80_days) == (6.0, math.inf)


@pytest.mark.parametrize(
    ("weight", "variance", "uses"),
    [
        (5.0, 4.0, [8.0, 12.0, 8.0, 12.0, 8.0]),
        (40.0, 225.0, [0.0, 25.0] * 10 + [0.0]),
        (4.0, -1.0, [10.0] * 4),
    ],
)
def test_a_state_without_days_counts_as_days_that_are_one_deviation_off_in_turn(
    weight: float, variance: float, uses: list[float]
) -> None:
    """At most three weeks of them, up to the day before, and none below zero."""
    old = replace(EVEN, day=RunningMean(weight, 10.0, variance))
    daily = DailyUse()
    for number, use in enumerate(uses):
        daily = learn(daily, START.toordinal() - len(uses) + number, use)
    assert paths_of(old, START, 50.0) == sampled(daily, START.toordinal(), 50.0)
    assert paths_of(replace(old, day=RunningMean(3.99, 10.0, variance)), START, 50.0) is None


def test_the_daily_use_that_is_shown_is_the_learned_one_and_never_below_zero() -> None:
    for mean_l, shown_l in ((4.5, 4.5), (-0.2, 0.0)):
        state = replace(EVEN, day=RunningMean(10.0, mean_l, 1.0))
        cover = days_until_dry(state, 10.0, START, unusable_l=4.0, paths=[array("f", [12.0] * 9)])
        assert cover is not None
        assert cover.daily_l == shown_l
        assert cover.days == pytest.approx(0.5)


def test_the_litres_of_two_halves_of_a_day_are_those_of_the_day() -> None:
    known = replace(with_hours({7: 8.0, 19: 12.0}), day=RunningMean(30.0, 20.0, 1.0))
    whole, morning = (litres_until(known, START, START + part) for part in (EVENING, NOON))
    assert whole is not None
    assert morning is not None
    assert list(whole) == sorted(whole)
    # 8 L of each 20 L before noon. Each day of a path is used alike.
    assert morning == pytest.approx([0.4 * litres for litres in whole], rel=1e-6)
    damp = litres_until(known, START, START + NOON, evaporation_l_d=3.0)
    assert damp == pytest.approx([litres + 1.5 for litres in morning])
    evening = litres_until(known, START + timedelta(hours=19.5), START + EVENING)
    assert evening == pytest.approx([0.3 * litres for litres in whole], rel=1e-6)


def test_the_chance_that_a_volume_is_enough_is_the_share_of_smaller_values() -> None:
    litres = (1.0, 2.0, 3.0, 4.0)
    for volume_l, share in ((0.5, 0.0), (1.0, 0.0), (1.5, 0.25), (3.5, 0.75), (9.0, 1.0)):
        assert chance_of_enough(litres, volume_l) == share
    for chance in (0.0, 0.1, 0.5, 0.8, 1.0):
        assert enough_l(litres, chance) == pytest.approx(float(np.quantile(litres, chance, method="hazen")))


@pytest.mark.parametrize(
    ("name", "words"),
    [("volume_l", "the volume"), ("unusable_l", "the unusable"), ("evaporation_l_d", "the evaporation")],
)
def test_a_negative_quantity_is_refused_by_name(name: str, words: str) -> None:
    sound = {"volume_l": 0.0, "unusable_l": 0.0, "evaporation_l_d": 0.0}
    days_until_dry(DrawOff(), when=START, **sound)  # type: ignore[arg-type]
    with pytest.raises(OutOfRangeError, match=words):
        days_until_dry(DrawOff(), when=START, **{**sound, name: -0.1})  # type: ignore[arg-type]
