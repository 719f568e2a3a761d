"""Days of cover: against a published weather record, against closed formulas, and at the edges."""

import math
import random
from collections import Counter
from datetime import UTC, date, datetime, timedelta

import pytest

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.cover import Cover, chance_of_enough, days_until_dry, enough_l, litres_until
from bridge.tank.daily_use import HORIZON_DAYS, DailyUse, learn, rhythm_of
from bridge.tank.use import DrawOff, RunningMean
from tests.tank.reservoir import START, Reservoir, watering_at_seven_and_nineteen
from tests.tank.weather_record import GARDENS, use_at_seattle


def learned(first: date, use: list[float]) -> DrawOff:
    daily = DailyUse()
    for number, litres in enumerate(use):
        daily = learn(daily, first.toordinal() + number, litres)
    return DrawOff(day=RunningMean(len(use), sum(use) / len(use), 0.0), daily=daily)


def midnight(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def lasted(use: list[float], begin: int, volume_l: float) -> float:
    left_l = volume_l
    for number, litres in enumerate(use[begin:]):
        if litres >= left_l:
            return number + left_l / litres
        left_l -= litres
    return math.inf


class Kept:
    """How often intervals held what they promise."""

    def __init__(self) -> None:
        self.count: Counter[str] = Counter()

    def judge(self, cover: Cover, true_days: float) -> None:
        true_days = true_days if true_days < HORIZON_DAYS else math.inf
        self.count["all"] += 1
        self.count["80"] += cover.low80_days <= true_days <= cover.high80_days
        self.count["95"] += cover.low95_days <= true_days <= cover.high95_days
        self.count["dry before"] += true_days < cover.low95_days

    def share(self, what: str) -> float:
        return self.count[what] / self.count["all"]


def judged(garden: str, seeds: range) -> Kept:
    kept = Kept()
    for seed in seeds:
        first, use = use_at_seattle(garden, seed)
        chance = random.Random(f"judge/{garden}/{seed}")
        state, begin = DailyUse(), 0
        for until in sorted(chance.sample(range(45, 900), 8)):
            for number in range(begin, until):
                state = learn(state, first.toordinal() + number, use[number])
            begin = until
            recent = sum(use[max(until - 21, 0) : until]) / 21.0
            volume_l = max(recent, 0.3 * sum(use[:until]) / until) * chance.uniform(4.0, 40.0)
            now = midnight(first + timedelta(days=until))
            cover = days_until_dry(DrawOff(daily=state), volume_l, now)
            assert cover is not None
            kept.judge(cover, lasted(use, until, volume_l))
    return kept


def test_the_intervals_hold_when_use_follows_a_published_weather_record() -> None:
    """The bounds are the promise: 72 to 88 %, 90 to 98 %, and dry before the low end in at most 5 %."""
    total = Kept()
    for garden in GARDENS:
        total.count.update(judged(garden, range(2)).count)
    assert total.count["all"] == 2 * 8 * len(GARDENS)
    assert 0.72 <= total.share("80") <= 0.88
    assert 0.90 <= total.share("95") <= 0.98
    assert total.share("dry before") <= 0.05


def test_independent_days_give_the_interval_of_the_closed_formula() -> None:
    """Days that are normal with mean 10 and variance 4: the error of the sum grows with their square root.

    The forecast must not be narrower than the formula for known mean and scatter, and not twice as wide.
    """
    chance = random.Random(3)
    first = date(2024, 1, 1)
    covers = []
    for _ in range(6):
        use = [chance.gauss(10.0, 2.0) for _ in range(400)]
        cover = days_until_dry(learned(first, use), 200.0, midnight(first + timedelta(days=400)))
        assert cover is not None
        covers.append(cover)
    assert sum(cover.days for cover in covers) / 6.0 == pytest.approx(20.0, abs=0.5)
    exact = 2.0 * 1.2816 * 2.0 * math.sqrt(20.0) / 10.0
    width = sum(cover.high80_days - cover.low80_days for cover in covers) / 6.0
    assert 0.9 * exact <= width <= 2.0 * exact


def test_weekends_off_are_seen_as_a_rhythm() -> None:
    first = date(2024, 1, 1)
    use = [0.0 if number % 7 in (5, 6) else 10.0 + number % 3 for number in range(84)]
    state = learned(first, use)
    assert rhythm_of(state.daily)[5:] == pytest.approx((0.0, 0.0), abs=0.1)
    friday = midnight(first + timedelta(days=84 + 4))
    cover = days_until_dry(state, 14.0, friday)
    assert cover is not None
    # Friday's 11 L, nothing until Monday, and the rest on Monday.
    assert cover.days == pytest.approx(3.3, abs=0.3)


def test_after_rain_a_dry_week_may_take_as_much_as_dry_days_do() -> None:
    chance = random.Random(8)
    first = date(2024, 3, 1)
    use = [0.0 if chance.random() < 0.8 else chance.gauss(20.0, 2.0) for _ in range(60)]
    cover = days_until_dry(learned(first, use), 60.0, midnight(first + timedelta(days=60)))
    assert cover is not None
    # Three dry days in a row are enough; at the usual one day in five it takes fifteen.
    assert 2.0 < cover.low95_days < 6.0
    assert 8.0 < cover.days < 22.0


def test_a_holiday_is_not_the_new_use() -> None:
    chance = random.Random(5)
    first = date(2024, 5, 1)
    use = [chance.gauss(10.0, 1.0) for _ in range(60)] + [0.0] * 10
    cover = days_until_dry(learned(first, use), 100.0, midnight(first + timedelta(days=70)))
    assert cover is not None
    # Nobody knows when people come back; when they do, the water lasts for ten days.
    assert 10.0 < cover.days < 25.0
    assert cover.low95_days == pytest.approx(10.0, abs=1.5)


def test_the_season_of_an_earlier_year_carries_into_the_forecast() -> None:
    first = date(2023, 4, 1)
    days = [first + timedelta(days=number) for number in range(400)]
    use = [10.0 - 7.0 * math.cos(2.0 * math.pi * (day.timetuple().tm_yday - 15) / 365.0) for day in days]
    end = 365 + 20
    with_season = days_until_dry(learned(first, use[:end]), 200.0, midnight(days[end]))
    without = days_until_dry(learned(first, use[:20]), 200.0, midnight(days[20]))
    assert with_season is not None
    assert without is not None
    true_days = lasted([*use[end - 365 :]], 0, 200.0)
    assert with_season.days == pytest.approx(true_days, rel=0.08)
    assert with_season.high80_days - with_season.low80_days < without.high80_days - without.low80_days


def test_the_hours_of_the_day_are_those_that_were_learned() -> None:
    world = Reservoir()
    world.run(25, watering_at_seven_and_nineteen)
    cover = days_until_dry(world.state, 45.0, world.now)
    assert cover is not None
    # Two days of 20 L, and 5 of the 8 L at seven in the morning.
    assert cover.days == pytest.approx(2.0 + 7.6 / 24.0, abs=0.15)


def test_the_chance_that_water_lasts_agrees_with_the_days_of_cover() -> None:
    """Both are read from their own 240 paths, so one pair differs by chance; the mean of eight may not."""
    first, use = use_at_seattle("under cover, by hand", 1)
    found: dict[float, list[float]] = {0.9: [], 0.5: [], 0.1: []}
    for begin in range(484, 516, 4):
        state, now = learned(first, use[:begin]), midnight(first + timedelta(days=begin))
        cover = days_until_dry(state, 120.0, now)
        assert cover is not None
        for days, chance in zip((cover.low80_days, cover.days, cover.high80_days), found, strict=True):
            needed = litres_until(state, now, now + timedelta(days=days))
            assert needed is not None
            found[chance].append(chance_of_enough(needed, 120.0))
            assert chance_of_enough(needed, enough_l(needed, 0.95)) == pytest.approx(0.95, abs=0.01)
    for chance, seen in found.items():
        assert sum(seen) / len(seen) == pytest.approx(chance, abs=0.05)
    with pytest.raises(InputError, match="after"):
        litres_until(state, now, now)


def test_there_is_no_forecast_before_some_days_are_known() -> None:
    world = Reservoir()
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


def test_a_state_saved_without_days_still_gives_a_forecast_around_its_mean() -> None:
    cover = days_until_dry(DrawOff(day=RunningMean(20.0, 10.0, 3.4)), 400.0, START)
    assert cover is not None
    assert cover.days == pytest.approx(40.0, rel=0.1)
    assert cover.low95_days < cover.low80_days < cover.days < cover.high80_days < cover.high95_days


def test_evaporation_shortens_the_cover() -> None:
    busy = DrawOff(day=RunningMean(20.0, 10.0, 4.0))
    dry = days_until_dry(busy, 100.0, START, evaporation_l_d=10.0)
    assert dry is not None
    assert dry.days == pytest.approx(5.0, abs=0.2)


def test_impossible_values_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match="the volume"):
        days_until_dry(DrawOff(), math.nan, START)
    with pytest.raises(OutOfRangeError, match="finite"):
        learn(DailyUse(), 1, math.inf)
