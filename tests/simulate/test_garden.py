"""A season of trays with and without the watering round, on real daily weather."""

from datetime import date

import pytest
from vega_datasets import data

from bridge.errors import InputError
from bridge.simulate.trays import season as garden_season
from bridge.simulate.trays.world import BENCHES, LATITUDE_DEG, TrueDay, TrueTray, drawn_weather, hourly_mm
from bridge.tank.evapotranspiration import hargreaves_mm
from bridge.trays.course import Weather
from bridge.trays.outlook import HORIZON_DAYS
from tests.running import refused

CLOUDS = {"sun": 0.5, "fog": 0.8, "drizzle": 0.8, "rain": 0.9, "snow": 0.9}


def seattle(year: int) -> list[TrueDay]:
    """The weather of a season from the first of March, from the data set ``seattle_weather``."""
    table = data.seattle_weather()
    days = [
        TrueDay(
            row.date.date(),
            float(row.temp_max),
            float(row.temp_min),
            float(row.precipitation),
            CLOUDS[row.weather],
        )
        for row in table.itertuples()
    ]
    start = next(number for number, day in enumerate(days) if day.day == date(year, 3, 1))
    return days[start : start + garden_season.DAYS + HORIZON_DAYS]


def total_mg(tray: TrueTray) -> float:
    return tray.free.mg + tray.pots.mg


def test_the_world_of_a_tray_makes_and_loses_no_solids() -> None:
    south = TrueTray(BENCHES[0], 1, 12.0)
    before = total_mg(south)
    for day in drawn_weather(date(2026, 7, 1), 3, 1):
        south.live(day, 1.0)
    assert total_mg(south) == pytest.approx(before)
    south.pour(4.0, 10.0)
    assert total_mg(south) == pytest.approx(before + 40.0)


def test_the_air_of_the_world_and_the_equation_of_the_round_agree_within_a_third() -> None:
    """They are different equations from different inputs; the round learns what is left."""
    year = seattle(2013)[:365]
    true_mm = sum(sum(hourly_mm(day)) for day in year)
    numbers = ((day.day.timetuple().tm_yday, day.highest_c, day.lowest_c) for day in year)
    hargreaves = sum(hargreaves_mm(LATITUDE_DEG, *one) for one in numbers)
    assert 0.75 < true_mm / hargreaves < 1.34


@pytest.mark.slow
def test_the_round_keeps_trays_under_their_limit_and_wet_and_its_intervals_hold() -> None:
    seasons = [
        garden_season.season(seed, seattle(year)) for seed, year in ((101, 2012), (102, 2014), (103, 2013))
    ]
    without = [one.without for one in seasons]
    with_round = [one.with_round for one in seasons]
    over = sum(one.any_over for one in without)
    dry = sum(one.any_dry for one in without)
    assert over > 300
    assert dry > 30
    assert sum(one.any_over for one in with_round) <= 0.1 * over
    assert sum(one.any_dry for one in with_round) <= 0.1 * dry
    held, count = garden_season.coverage([judged for one in seasons for judged in one.judged])
    assert count >= 180
    assert 0.72 <= held / count <= 0.88
    text = "\n".join(garden_season.lines(seasons))
    assert f"in {held} of {count} forecasts" in text


def test_a_weather_file_without_a_whole_season_is_refused() -> None:
    with pytest.raises(InputError, match="365 days"):
        garden_season.season_of({date(2026, 3, 1): Weather(9.0, 2.0)}, 0, 365)
    assert "--garden" in refused("simulate", "--weather", "x.csv", "--years", "1")
