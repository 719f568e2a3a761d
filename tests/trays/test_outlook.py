"""When a tray runs dry or passes its limit, and the leaching of FAO 29."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.trays import outlook
from bridge.trays import tray as trays
from bridge.trays.outlook import Fed
from bridge.trays.tray import TrayPlan

BARE = TrayPlan("bare", "Bare", 1.0, 30.0, 60.0, "barrel")
JULY = 7


def sampled(plan: TrayPlan, ppm: float) -> trays.Tray:
    return trays.after_sample(trays.begin(plan, ppm, JULY), ppm, 0.5, 1)


def test_the_median_days_until_the_limit_are_those_of_the_balance() -> None:
    """25 ppm water doubles when the depth has evaporated once; 10 ppm water takes 120 mm to 50 ppm."""
    mm = 5.0
    hard = outlook.days_until_limit(sampled(BARE, 25.0), BARE, [mm], Fed(25.0), JULY)
    soft = outlook.days_until_limit(sampled(BARE, 10.0), BARE, [mm], Fed(10.0), JULY)
    assert hard.median == pytest.approx(30.0 / mm, rel=0.02)
    assert soft.median == pytest.approx(120.0 / mm, rel=0.02)
    assert hard.low80 < hard.median < hard.high80
    assert soft.high80 - soft.low80 > hard.high80 - hard.low80


def test_a_tray_runs_dry_when_its_depth_has_evaporated() -> None:
    days = outlook.days_until_dry(sampled(BARE, 10.0), BARE, [6.0])
    assert days.median == pytest.approx(5.0, rel=0.02)
    assert days.low80 < 5.0 < days.high80


def test_without_draw_nothing_is_forecast() -> None:
    assert not outlook.days_until_dry(sampled(BARE, 10.0), BARE, [0.0]).within_horizon
    assert math.isinf(outlook.days_until_limit(sampled(BARE, 10.0), BARE, [0.0], Fed(10.0), JULY).median)


def test_the_chance_of_an_event_follows_its_interval() -> None:
    event = outlook.Days(10.0, 7.0, 100.0 / 7.0)
    assert outlook.chance_after(event, 10.0) == pytest.approx(0.5)
    assert outlook.chance_after(event, 7.0) == pytest.approx(0.9, abs=1e-4)
    assert outlook.chance_after(event, 100.0 / 7.0) == pytest.approx(0.1, abs=1e-4)
    assert outlook.chance_after(outlook.Days(0.0, 0.0, 3.0), 1.0) == 0.0
    assert outlook.chance_after(outlook.Days(math.inf, math.inf, math.inf), 50.0) == 1.0


def test_the_flush_keeps_the_tray_under_the_target_for_its_weeks() -> None:
    deep = TrayPlan("deep", "Deep", 1.0, 60.0, 80.0, "barrel")
    tray = sampled(deep, 45.0)
    waters = {"barrel": Fed(12.0), "pure": Fed(1.0)}
    wanted = outlook.flush_for(tray, deep, waters, [4.0], JULY, weeks=4.0)
    assert wanted.water == "pure"
    assert wanted.weeks >= 4.0
    after = trays.after_exchange(tray, wanted.flush.exchange_l, 1.0)
    for _ in range(28):
        after = outlook.filled(trays.after_day(after, deep, 4.0), deep, Fed(1.0), JULY)
    assert after.ppm < wanted.keep_ppm == 25.0
    poured = trays.after_giving(tray, deep, wanted.flush.through_l, 1.0, 0.0)
    assert poured.ppm == pytest.approx(wanted.flush.ppm_after, rel=0.02)


def test_water_that_cannot_keep_the_target_gives_the_weeks_that_it_lasts() -> None:
    wanted = outlook.flush_for(sampled(BARE, 60.0), BARE, {"barrel": Fed(24.0)}, [5.0], JULY, weeks=4.0)
    assert wanted.keep_ppm == 50.0
    assert wanted.weeks < 4.0
    assert wanted.flush.exchange_l < BARE.at_depth(30.0)
    with pytest.raises(InputError, match="purer water"):
        outlook.flush_for(sampled(BARE, 60.0), BARE, {"barrel": Fed(55.0)}, [5.0], JULY)


@given(
    ppm=st.floats(0.5, 400.0),
    fed=st.floats(0.0, 49.0),
    draw=st.floats(0.0, 20.0),
    weeks=st.floats(0.5, 20.0),
    drained=st.booleans(),
)
def test_any_flush_lowers_the_tray_and_is_finite(
    ppm: float, fed: float, draw: float, weeks: float, drained: bool
) -> None:
    plan = TrayPlan("any", "Any", 1.0, 30.0, 60.0, "barrel", pots=8, drained=drained)
    tray = sampled(plan, ppm)
    made = outlook.flush_for(tray, plan, {"barrel": Fed(fed)}, [draw], JULY, weeks)
    assert 0.0 <= made.flush.through_l < math.inf
    assert 0.0 <= made.flush.exchange_l <= plan.at_depth(30.0) - plan.held_l
    assert made.flush.ppm_after <= tray.ppm + 1e-9
    assert made.weeks >= 0.0


def test_the_worked_examples_of_the_water_for_leaching() -> None:
    """FAO 29 Rev. 1, section 2.4, the maize of its example: from memory.

    The avocado: instructions to the irrigation calculator of Hofshi Foundation, avocadosource.com: water of
    0.6 dS/m and a soil of 0.4 dS/m give 0.43, and 40 inches of evapotranspiration need 70.
    """
    assert outlook.water_with_leaching(800.0, 0.10) == pytest.approx(889.0, abs=0.5)
    assert outlook.water_with_leaching(40.0, 0.43) == pytest.approx(70.0, abs=0.5)
    with pytest.raises(InputError, match="less than 1"):
        outlook.water_with_leaching(40.0, 1.0)


def test_the_run_off_of_a_leached_tray_holds_it_under_its_limit() -> None:
    drained = TrayPlan("drained", "Drained", 1.0, 30.0, 60.0, "barrel", drained=True)
    share = outlook.leaching_share(drained, Fed(15.0))
    assert share == pytest.approx(15.0 / 45.0)
    assert share is not None
    tray = sampled(drained, 15.0)
    for _ in range(300):
        tray = trays.after_day(tray, drained, 5.0)
        tray = trays.after_giving(tray, drained, outlook.water_with_leaching(5.0, share), 15.0)
    assert tray.ppm == pytest.approx(45.0, rel=0.1)
    assert tray.ppm < 50.0
    assert outlook.leaching_share(drained, Fed(46.0)) is None
