"""A feed and a use that change with the season: the forecast against two rules of thumb."""

import math
import random
from dataclasses import dataclass, field

import pytest

from bridge.errors import InputError
from bridge.purifier.breakthrough import begin, observe
from bridge.purifier.cartridge import Evidence, estimate
from bridge.purifier.season import Season, begin_season, expected_in_season, learn_season
from tests.purifier.judging import through_season

LIMIT_PPM = 50.0
KIND_G = 150.0
STEPS_PER_DAY = 2


def feed_ppm(day: float) -> float:
    return 260.0 * (1.0 + 0.4 * math.cos(2.0 * math.pi * day / 365.25))


USE_L = 5.0


@dataclass
class Errors:
    """Absolute errors of the forecast crossing, as shares of the life in litres."""

    forecast: list[float] = field(default_factory=list)
    litres_so_far: list[float] = field(default_factory=list)
    calendar: list[float] = field(default_factory=list)

    def means(self) -> tuple[float, float, float]:
        forecast, litres, calendar = (
            sum(errors) / len(errors) for errors in (self.forecast, self.litres_so_far, self.calendar)
        )
        return forecast, litres, calendar


def life(
    rng: random.Random,
    start_day: float,
    capacity_g: float,
    book: list[Evidence],
    feeds: Season,
    uses: Season,
    earlier: list[tuple[float, float]],
    errors: Errors,
) -> tuple[float, float, float, Season, Season]:
    """Runs one cartridge to its crossing. Returns the day, litres, grams and learned seasons."""
    front = begin(estimate(KIND_G * 0.85, book), LIMIT_PPM)
    day, litres, applied = start_day, 0.0, 0.0
    said: list[tuple[float, float]] = []
    daily: list[tuple[float, float]] = []
    while front.crossed is None:
        volume = USE_L * rng.uniform(0.7, 1.3) / STEPS_PER_DAY
        feed = feed_ppm(day) * rng.uniform(0.97, 1.03)
        applied += feed * volume / 1000.0
        # The front has another shape than the model's: the integral of a normal, 1 % of the capacity wide.
        through = 0.5 * math.erfc((capacity_g - applied) / (0.01 * capacity_g * math.sqrt(2.0)))
        front = observe(front, volume, feed, 0.5 + (feed - 0.5) * through)
        litres += volume
        day += 1.0 / STEPS_PER_DAY
        daily.append((day, litres))
        if len(daily) % (7 * STEPS_PER_DAY) == 0:
            feeds = learn_season(feeds, day, feed)
            week_l = litres - daily[-7 * STEPS_PER_DAY][1] + volume
            uses = learn_season(uses, day, week_l / 7.0)
            if earlier and front.crossed is None:
                said.append(
                    (litres, litres + through_season(front, feeds, uses, day, 14.0).litres_left.median)
                )
    end_l = litres
    if earlier:
        mean_l = sum(item[0] for item in earlier) / len(earlier)
        mean_days = sum(item[1] for item in earlier) / len(earlier)
        for at_l, forecast_l in said:
            if 0.1 * end_l <= at_l <= 0.95 * end_l:
                errors.forecast.append(abs(forecast_l - end_l) / end_l)
                errors.litres_so_far.append(abs(mean_l - end_l) / end_l)
                errors.calendar.append(abs(mean_days - (day - start_day)) / (day - start_day))
    return day, end_l, front.load.taken_up_g, feeds, uses


def households(count: int, scatter: float) -> Errors:
    """Runs homes that start at different times of the year. Counts errors from the fourth cartridge on."""
    errors = Errors()
    for seed in range(count):
        rng = random.Random(seed)
        day = 365.0 * seed / count
        feeds = begin_season(250.0, day)
        uses = begin_season(USE_L, day)
        book: list[Evidence] = []
        earlier: list[tuple[float, float]] = []
        for number in range(5):
            start = day
            capacity = KIND_G * math.exp(rng.gauss(0.0, scatter))
            known = earlier if number >= 3 else []
            day, litres, grams, feeds, uses = life(rng, start, capacity, book, feeds, uses, known, errors)
            book.append(Evidence(grams, exhausted=True))
            earlier.append((litres, day - start))
    return errors


def test_after_three_cartridges_with_a_changing_feed_the_error_is_a_third_of_both_rules_of_thumb(
    capsys: pytest.CaptureFixture[str],
) -> None:
    forecast, litres_so_far, calendar = households(6, 0.05).means()
    with capsys.disabled():
        print("\n  mean error of the crossing, per cent of life: feed ±40 % over the year, cartridges ±5 %")
        for name, error in (
            ("forecast", forecast),
            ("litres so far", litres_so_far),
            ("calendar", calendar),
        ):
            print(f"    {name:<14}{100.0 * error:6.1f}")
    assert 3.0 * forecast < litres_so_far
    assert 3.0 * forecast < calendar


def test_after_a_year_of_values_the_swing_of_the_next_winter_is_forecast() -> None:
    feeds = begin_season(200.0, 0.0)
    for day in range(0, 400, 7):
        feeds = learn_season(feeds, float(day), feed_ppm(day))
    for start in (430.0, 520.0, 610.0):
        mean = sum(feed_ppm(start + k) for k in range(60)) / 60.0
        coming = expected_in_season(feeds, start, start + 60.0)
        assert coming.mean == pytest.approx(mean, rel=0.08)
        assert abs(coming.mean - mean) < 2.0 * coming.sd


def test_the_state_keeps_its_size_for_any_length_of_history() -> None:
    feeds = begin_season(200.0, 0.0)
    for day in range(3000):
        feeds = learn_season(feeds, float(day), 200.0)
    fresh = begin_season(200.0, 0.0)
    assert [len(one) for one in feeds.means] == [len(one) for one in fresh.means]
    assert [len(one) for one in feeds.covariances] == [len(one) for one in fresh.covariances]
    assert expected_in_season(feeds, 3000.0, 3030.0).mean == pytest.approx(200.0, rel=0.02)


@pytest.mark.parametrize(("day", "value"), [(-1.0, 200.0), (1.0, -5.0), (1.0, math.nan)])
def test_an_earlier_day_or_a_negative_value_is_refused(day: float, value: float) -> None:
    with pytest.raises(InputError):
        learn_season(begin_season(200.0, 0.0), day, value)
