"""Frost, absences and rain."""

from datetime import date, timedelta

import pytest

from bridge.errors import InputError
from bridge.sourcing.rain import Collection
from bridge.trays import seasons
from bridge.trays.outlook import Fed
from bridge.trays.seasons import Absence, Frost, RainStore


def test_frost_is_forecast_for_the_line_before_the_water_is_cold() -> None:
    assert seasons.frost(5.0, 9.0) is Frost.NONE
    assert seasons.frost(1.0, 9.0) is Frost.LINE
    assert seasons.frost(-3.0, 3.5) is Frost.WATER
    assert seasons.frost(None, 3.0) is Frost.WATER
    assert seasons.frost(None, None) is Frost.NONE
    # Water that is still warm, but turns colder from day to day.
    assert seasons.frost(None, 9.0, 1.5) is Frost.LINE
    assert seasons.frost(None, 9.0, -0.5) is Frost.WATER
    assert seasons.frost(8.0, 9.0, 6.0) is Frost.NONE


def test_the_coldest_hour_to_come_is_that_of_the_last_day_moved_by_the_change_since_yesterday() -> None:
    night = {hour: 3.0 if 8 <= hour < 14 else 9.0 for hour in range(25)}
    assert seasons.lowest_ahead_c(night) == 3.0
    assert seasons.lowest_ahead_c({**night, 24: 12.0}) == 0.0
    assert seasons.lowest_ahead_c({hour: night[hour] for hour in range(24)}) is None
    assert seasons.lowest_ahead_c({hour: night[hour] for hour in (0, *range(10, 25))}) is None


def test_an_absence_survives_its_sentence_and_is_seen_by_the_last_round_before_it() -> None:
    away = Absence(date(2026, 7, 1), date(2026, 7, 14))
    assert away.days == 14
    assert seasons.absence_from(away.sentence()) == away
    assert seasons.absence_from("The bridge started.") is None
    eve = away.first - timedelta(days=1)
    assert seasons.absence_ahead([away], eve, 1.0) == away
    assert seasons.absence_ahead([away], eve - timedelta(days=3), 1.0) is None
    with pytest.raises(InputError, match="must follow"):
        Absence(date(2026, 7, 2), date(2026, 7, 1))


def test_an_absence_counts_until_it_is_cancelled_and_from_two_days_before() -> None:
    away = Absence(date(2026, 7, 3), date(2026, 7, 14))
    later = Absence(date(2026, 9, 1), date(2026, 9, 2))
    entered = [(seasons.AWAY, away.sentence()), (seasons.AWAY, later.sentence())]
    cancelled = (seasons.AWAY_CANCELLED, away.cancelled())
    assert seasons.absences_from([*entered, ("phase", "Away from nowhere.")]) == [away, later]
    assert seasons.absences_from([*entered, cancelled]) == [later]
    assert seasons.absences_from([*entered, cancelled, entered[0]]) == [later, away]
    in_force = {
        day: seasons.absence_in_force([away, later], date(2026, 6, 30) + timedelta(days=day))
        for day in range(20)
    }
    assert [day for day, one in in_force.items() if one is not None] == list(range(1, 15))


def test_water_is_short_if_it_may_not_last_until_the_return_or_for_two_days() -> None:
    away = Absence(date(2026, 7, 3), date(2026, 7, 14))
    assert seasons.is_cover_short(1.9, None, away.first)
    assert not seasons.is_cover_short(2.1, None, away.first)
    assert seasons.is_cover_short(11.5, away, away.first)
    assert not seasons.is_cover_short(11.5, away, away.first + timedelta(days=1))
    assert not seasons.is_cover_short(None, away, away.first)


def test_rain_fills_the_store_after_its_first_flush() -> None:
    roof = Collection(roof_m2=10.0, tank_l=200.0, runoff=0.8, first_flush_mm=1.0)
    store = RainStore(50.0, 20.0, 4.0)
    assert seasons.after_rain(store, roof, 0.8, Fed(8.0, 2.0)) == store
    wet = seasons.after_rain(store, roof, 11.0, Fed(8.0, 2.0))
    assert wet.litres == pytest.approx(50.0 + 10.0 * 10.0 * 0.8)
    assert wet.ppm == pytest.approx((50.0 * 20.0 + 80.0 * 8.0) / 130.0)
    assert 2.0 < wet.ppm_sd < 4.0
    assert seasons.after_rain(store, roof, 100.0, Fed(8.0, 2.0)).litres == 200.0


def test_blended_rain_keeps_the_target_with_its_uncertainty() -> None:
    store = RainStore(300.0, 30.0, 3.0)
    made = seasons.rain_into_purified(100.0, Fed(5.0, 0.5), 250.0, store, 25.0, 300.0)
    assert 0.0 < made.rain_l < 250.0
    assert made.upper_ppm == pytest.approx(25.0, abs=1e-6)
    assert made.saved_g == pytest.approx(made.rain_l * 270.0 / 1000.0)
    pure = seasons.rain_into_purified(100.0, Fed(5.0, 0.5), 40.0, RainStore(300.0, 6.0, 2.0), 25.0, 300.0)
    assert pure.rain_l == 40.0
