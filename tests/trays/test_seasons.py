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
