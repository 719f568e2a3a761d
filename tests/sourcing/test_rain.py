"""Rain and its tank: the reliability, and the tap water that can be added."""

import math
import random
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.sourcing.rain import (
    Collection,
    Water,
    balance,
    draw_year,
    recorded_reliability,
    reliability,
    tap_into_rain,
)

MONTHLY_MM = (60.0, 45.0, 50.0, 45.0, 55.0, 60.0, 55.0, 60.0, 60.0, 75.0, 75.0, 70.0)
WET_DAYS = (14.0, 11.0, 12.0, 10.0, 11.0, 11.0, 10.0, 10.0, 11.0, 13.0, 14.0, 14.0)
ROOF = Collection(roof_m2=10.0, tank_l=500.0)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.0, 80.0), min_size=1, max_size=60), st.floats(0.0, 40.0), st.floats(0.0, 500.0))
def test_all_rain_is_used_spilt_or_in_the_tank(rain: list[float], need: float, start: float) -> None:
    result = balance(rain, ROOF, need, start)
    assert start + result.collected_l == pytest.approx(
        result.given_l + result.spilt_l + result.end_l, abs=1e-6
    )
    assert 0.0 <= result.end_l <= ROOF.tank_l
    assert 0 <= result.days_met <= result.days


def test_a_full_tank_covers_as_many_dry_days_as_it_holds() -> None:
    result = balance([0.0] * 80, ROOF, need_l_per_day=10.0, start_l=500.0)
    assert result.days_met == 50
    assert result.longest_dry_days == 30
    assert result.reliability == pytest.approx(50 / 80)


def test_ten_millimetres_on_ten_square_metres_lose_the_first_flush_and_the_runoff() -> None:
    result = balance([10.0], ROOF, need_l_per_day=0.0)
    assert result.end_l == pytest.approx((10.0 - 0.5) * 10.0 * 0.85)


def test_simulated_years_have_the_given_monthly_amounts_and_wet_days() -> None:
    years = [draw_year(MONTHLY_MM, WET_DAYS, seed) for seed in range(300)]
    assert all(len(year) == 365 for year in years)
    assert sum(map(sum, years)) / 300 == pytest.approx(sum(MONTHLY_MM), rel=0.03)
    wet = sum(mm > 0.0 for year in years for mm in year) / 300
    assert wet == pytest.approx(sum(WET_DAYS), rel=0.03)
    january = sum(sum(year[:31]) for year in years) / 300
    assert january == pytest.approx(MONTHLY_MM[0], rel=0.08)


def test_rain_comes_in_spells() -> None:
    years = [draw_year(MONTHLY_MM, WET_DAYS, seed) for seed in range(50)]
    pairs = [(a > 0.0, b > 0.0) for year in years for a, b in pairwise(year)]
    after_wet = sum(b for a, b in pairs if a) / sum(a for a, _ in pairs)
    after_dry = sum(b for a, b in pairs if not a) / sum(not a for a, _ in pairs)
    assert after_wet - after_dry == pytest.approx(0.25, abs=0.05)


def test_a_larger_tank_or_a_smaller_need_is_more_reliable_and_a_bad_year_is_below_the_mean() -> None:
    small = reliability(MONTHLY_MM, WET_DAYS, Collection(4.0, 100.0), 5.0, years=30)
    large = reliability(MONTHLY_MM, WET_DAYS, Collection(4.0, 1000.0), 5.0, years=30)
    modest = reliability(MONTHLY_MM, WET_DAYS, Collection(4.0, 100.0), 2.0, years=30)
    assert small.mean < large.mean
    assert small.mean < modest.mean
    for found in (small, large, modest):
        # If fewer than one year in ten fails, the mean is below that year.
        assert found.worst <= found.one_year_in_ten <= 1.0
        assert found.worst <= found.mean <= 1.0
        assert found.low95 <= found.mean <= found.high95
    assert reliability(MONTHLY_MM, WET_DAYS, Collection(4.0, 100.0), 5.0, years=30) == small


def test_the_interval_of_the_reliability_holds_the_answer_of_other_seeds() -> None:
    collection = Collection(5.0, 300.0)
    long = reliability(MONTHLY_MM, WET_DAYS, collection, 5.0, years=1500, seed=77)
    short = [reliability(MONTHLY_MM, WET_DAYS, collection, 5.0, years=60, seed=seed) for seed in range(1, 31)]
    held = sum(one.low95 <= long.mean <= one.high95 for one in short)
    assert max(one.mean for one in short) - min(one.mean for one in short) > 0.001
    assert held >= 0.83 * len(short)


def test_a_need_that_peaks_in_the_dry_season_is_met_less_often() -> None:
    dry_summer = (90.0, 80.0, 70.0, 40.0, 25.0, 15.0, 10.0, 15.0, 30.0, 70.0, 90.0, 95.0)
    wet = (14.0, 12.0, 12.0, 8.0, 5.0, 3.0, 2.0, 3.0, 6.0, 11.0, 13.0, 14.0)
    peak = (0.2, 0.3, 0.6, 1.0, 1.5, 2.0, 2.2, 2.0, 1.2, 0.6, 0.2, 0.2)
    even = reliability(dry_summer, wet, ROOF, 5.0, years=60)
    peaked = reliability(dry_summer, wet, ROOF, [5.0 * share for share in peak], years=60)
    assert sum(peak) == pytest.approx(12.0)
    assert peaked.high95 < even.low95


def test_wet_days_are_gamma_distributed_and_years_differ() -> None:
    years = [draw_year((60.0,) * 12, (12.0,) * 12, seed) for seed in range(400)]
    wet = [mm for year in years for mm in year if mm > 0.0]
    mean = sum(wet) / len(wet)
    variance = sum((mm - mean) ** 2 for mm in wet) / len(wet)
    # A gamma of shape 0.75 has a squared relative deviation of 1 / 0.75; an exponential has 1.
    assert variance / mean**2 == pytest.approx(1.0 / 0.75, rel=0.06)
    totals = [sum(year) for year in years]
    spread = math.sqrt(sum((total - 720.0) ** 2 for total in totals) / len(totals)) / 720.0
    assert 0.15 < spread < 0.25


def test_a_record_gives_its_own_years_and_a_short_one_a_wide_interval() -> None:
    wet_year, dry_year = [4.0] * 365, [0.0] * 365
    found = recorded_reliability([*wet_year, *dry_year], ROOF, 10.0)
    # A wet day brings (4 - 0.5) x 10 x 0.85 = 29.75 L. The last one leaves 490 of 500 L, which last 49 days
    # of the dry year. The first year starts with what the second one leaves, nothing.
    assert found.mean == pytest.approx((365 + 49) / 730)
    assert found.years == pytest.approx(2.0)
    one = recorded_reliability(wet_year, ROOF, 10.0)
    assert one.mean == 1.0
    assert one.low95 == pytest.approx(1.0 - 1.96 * 0.10)


def test_no_roof_collects_more_than_the_rain_on_it() -> None:
    found = reliability(MONTHLY_MM, WET_DAYS, Collection(2.0, 100_000.0), 50.0, years=20)
    assert found.given_l_per_day < sum(MONTHLY_MM) * 2.0 * 0.85 / 365.0 * 1.25
    assert found.mean < 0.2


def test_impossible_rain_is_refused() -> None:
    with pytest.raises(InputError, match="12 of each"):
        draw_year(MONTHLY_MM[:5], WET_DAYS, 1)
    with pytest.raises(InputError, match="month 1"):
        draw_year((-1.0, *MONTHLY_MM[1:]), WET_DAYS, 1)
    with pytest.raises(InputError, match="no wet day"):
        draw_year(MONTHLY_MM, (0.0, *WET_DAYS[1:]), 1)
    with pytest.raises(InputError, match="day 2"):
        balance([1.0, -1.0], ROOF, 1.0)
    with pytest.raises(InputError, match="roof"):
        Collection(0.0, 100.0)


def test_without_uncertainty_the_blend_is_exactly_at_the_limit() -> None:
    found = tap_into_rain(100.0, 1000.0, Water(10.0, 0.0), Water(300.0, 0.0), limit_ppm=50.0)
    assert found.share == pytest.approx(40.0 / 290.0)
    assert found.tap_l == pytest.approx(100.0 * 40.0 / 250.0)
    assert found.blend.ppm == pytest.approx(50.0)


def test_uncertain_readings_allow_less_tap_water_and_the_result_shows_it() -> None:
    rain, tap = Water(10.0, 4.0), Water(300.0, 30.0)
    found = tap_into_rain(100.0, 1000.0, rain, tap, limit_ppm=50.0)
    assert found.share < found.share_at_best
    assert found.blend.ppm + found.blend.expanded_ppm == pytest.approx(50.0)
    rng = random.Random(4)
    over = 0
    for _ in range(20_000):
        r, t = rng.gauss(rain.ppm, rain.expanded_ppm / 2), rng.gauss(tap.ppm, tap.expanded_ppm / 2)
        over += found.share * t + (1.0 - found.share) * r > 50.0
    assert over / 20_000 == pytest.approx(0.0228, abs=0.005)  # One tail beyond two deviations.
    assert any("300 ± 30" in text for text in found.assumed)


def test_the_room_in_the_tank_limits_the_tap_water_and_unfit_rain_permits_none() -> None:
    assert tap_into_rain(100.0, 5.0, Water(10.0, 0.0), Water(300.0, 0.0), 50.0).tap_l == 5.0
    assert tap_into_rain(100.0, 500.0, Water(60.0, 1.0), Water(300.0, 5.0), 50.0).tap_l == 0.0
    soft = tap_into_rain(100.0, 500.0, Water(10.0, 1.0), Water(30.0, 2.0), 50.0)
    assert soft.share == 1.0
    assert soft.tap_l == 500.0
    with pytest.raises(InputError):
        tap_into_rain(-1.0, 5.0, Water(10.0, 0.0), Water(300.0, 0.0), 50.0)
    with pytest.raises(InputError):
        Water(math.nan, 0.0)
