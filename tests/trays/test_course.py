"""The course of a tray from entries and weather, and the usual days to come."""

import math
from datetime import date, timedelta

import pytest

from bridge.errors import OutOfRangeError
from bridge.tank.evapotranspiration import Site, hargreaves_mm
from bridge.trays import course
from bridge.trays.course import Act, Entry, Usual, Weather
from bridge.trays.outlook import Fed
from bridge.trays.tray import TrayPlan

PLAN = TrayPlan("south", "South", 0.5, 30.0, 60.0, "barrel", pots=10, dormant_months=(12, 1, 2))
SITE = Site(50.8, 100.0)
FIRST = date(2026, 6, 1)


def test_the_best_equation_for_what_was_measured_is_used() -> None:
    """FAO-56, example 18 (Uccle, 6 July), with the mean humidity that has the example's vapour pressure."""
    day = date(2026, 7, 6)
    bare = Weather(21.5, 12.3)
    full = Weather(21.5, 12.3, humidity_percent=70.6, solar_mj_m2=22.07, wind_m_s=2.078)
    assert course.reference_mm(SITE, day, bare) == pytest.approx(hargreaves_mm(50.8, 187, 21.5, 12.3))
    assert course.reference_mm(SITE, day, full) == pytest.approx(3.88, abs=0.03)
    assert course.reference_mm(None, day, full) is None
    assert course.reference_mm(SITE, day, Weather(rain_mm=3.0)) is None


def test_the_usual_day_follows_the_season_after_the_weather_has_stopped() -> None:
    usual = Usual(SITE)
    for number in range(40):
        usual = usual.after(FIRST + timedelta(days=number), 4.0)
    july, december = usual.mm(date(2026, 7, 12)), usual.mm(date(2026, 12, 12))
    assert july == pytest.approx(4.0, rel=0.15)
    assert december < 0.3 * july


def test_without_any_weather_the_draw_is_learned_from_the_fillings() -> None:
    truly_l = 4.0
    entries = [Entry(FIRST + timedelta(days=number), Act.FILLED, 2.0 * truly_l) for number in range(0, 42, 2)]
    found = course.followed(PLAN, None, entries, {}, lambda _: Fed(10.0), FIRST + timedelta(days=42))
    factor, _ = found.tray.draw_factor
    assert factor * found.to_come()[0] == pytest.approx(truly_l, rel=0.12)


def test_entries_of_one_day_count_in_their_order_and_before_the_draw_of_the_day() -> None:
    entries = [
        Entry(FIRST, Act.SAMPLED, ppm=40.0, expanded_ppm=1.0),
        Entry(FIRST, Act.EXCHANGED, litres=10.0),
    ]
    fed = Fed(5.0)
    after = course.followed(PLAN, SITE, entries, {}, lambda _: fed, FIRST)
    before = course.followed(PLAN, SITE, entries[:1], {}, lambda _: fed, FIRST)
    swapped = course.followed(PLAN, SITE, entries[::-1], {}, lambda _: fed, FIRST)
    assert after.tray.ppm < 0.6 * before.tray.ppm
    assert swapped.tray.ppm > 1.5 * after.tray.ppm
    assert after.filled == FIRST


def test_an_entry_after_the_day_of_the_round_does_not_count() -> None:
    later = Entry(FIRST + timedelta(days=1), Act.SAMPLED, ppm=90.0, expanded_ppm=1.0)
    found = course.followed(PLAN, SITE, [later], {}, lambda _: Fed(5.0), FIRST)
    assert found.tray.ppm == pytest.approx(5.0)
    assert found.tray.sampled_day is None


def test_a_day_without_weather_is_less_certain_than_one_with_it() -> None:
    start = course.start(PLAN, SITE, FIRST, 10.0)
    seen = course.next_day(start, Weather(24.0, 12.0))
    unseen = course.next_day(start, None)
    assert unseen.tray.volume_sd_l > seen.tray.volume_sd_l
    assert math.isfinite(unseen.tray.ppm)


def test_impossible_weather_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="rain"):
        Weather(rain_mm=-1.0)
    with pytest.raises(OutOfRangeError, match="humidity"):
        Weather(humidity_percent=130.0)
    with pytest.raises(OutOfRangeError, match="radiation"):
        Weather(solar_mj_m2=800.0)
    with pytest.raises(OutOfRangeError, match="lowest"):
        Weather(5.0, 9.0)
