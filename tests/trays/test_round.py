"""The watering round: litres, what is due, and what is left out when the water is short."""

import json
from datetime import date

import pytest

from bridge.errors import InputError
from bridge.tank.evapotranspiration import Site
from bridge.trays import course as courses
from bridge.trays import round as rounds
from bridge.trays import tray as trays
from bridge.trays.course import Course
from bridge.trays.outlook import Fed
from bridge.trays.round import RoundSettings, Source
from bridge.trays.tray import TrayPlan

DAY = date(2026, 7, 10)
SITE = Site(50.0)


def tray_at(
    ident: str, depth_mm: float, ppm: float, *, drained: bool = False, kept_mm: float = 30.0
) -> Course:
    plan = TrayPlan(ident, ident.capitalize(), 1.0, kept_mm, 70.0, "barrel", pots=5, drained=drained)
    start = courses.start(plan, SITE, DAY, ppm)
    sampled = trays.after_sample(start.tray, ppm, 1.0, DAY.toordinal())
    volume = plan.at_depth(depth_mm)
    tray = trays.Tray(volume, sampled.ppm * volume, 0.0, 0.0, sampled.covariance, sampled.sampled_day)
    return Course(plan, tray, start.usual, DAY)


def barrel(litres: float | None = None, ppm: float = 8.0) -> dict[str, Source]:
    return {"barrel": Source("barrel", Fed(ppm, 0.5), litres)}


def test_a_low_tray_gets_its_litres_and_a_full_one_nothing() -> None:
    made = rounds.plan_round(
        [tray_at("south", 10.0, 12.0), tray_at("north", 30.0, 12.0)], barrel(), RoundSettings()
    )
    south, north = made.items
    assert south.give_l == pytest.approx(20.0)
    assert south.cans == pytest.approx(2.0)
    assert north.give_l == 0.0
    assert [need.needed_l for need in made.needs] == [pytest.approx(20.0)]


def test_what_is_not_urgent_waits_until_somebody_walks_anyway() -> None:
    alone = rounds.plan_round([tray_at("north", 50.0, 12.0, kept_mm=60.0)], barrel(), RoundSettings())
    assert alone.items[0].give_l == 0.0
    together = rounds.plan_round(
        [tray_at("south", 6.0, 12.0), tray_at("north", 50.0, 12.0, kept_mm=60.0)], barrel(), RoundSettings()
    )
    assert together.items[1].give_l == pytest.approx(10.0)


def test_a_tray_near_its_limit_gets_a_flush_that_brings_it_down() -> None:
    made = rounds.plan_round([tray_at("south", 30.0, 47.0)], barrel(), RoundSettings())
    item = made.items[0]
    assert item.flush is not None
    assert item.exchange
    assert item.flush_l > 5.0
    assert item.flush.flush.ppm_after < 25.0
    drained = rounds.plan_round(
        [tray_at("south", 30.0, 47.0, drained=True)], barrel(), RoundSettings()
    ).items[0]
    assert not drained.exchange
    assert drained.flush_l > item.flush_l


def test_a_drained_tray_gets_more_so_that_a_share_runs_off() -> None:
    closed, open_ = (
        rounds.plan_round([tray_at("south", 5.0, 12.0, drained=drained)], barrel(), RoundSettings()).items[0]
        for drained in (False, True)
    )
    assert open_.leaching == pytest.approx(8.0 / 40.0)
    assert open_.give_l == pytest.approx(closed.give_l / (1.0 - 0.2), abs=0.1)


def test_short_water_goes_to_the_tray_that_dries_first() -> None:
    three = [tray_at("east", 12.0, 12.0), tray_at("west", 2.0, 12.0), tray_at("south", 30.0, 47.0)]
    made = rounds.plan_round(three, barrel(30.0), RoundSettings())
    east, west, south = made.items
    assert made.needs[0].covered is False
    assert west.give_l == pytest.approx(28.0)
    assert east.left_out == ("give",)
    assert south.left_out == ("flush",)
    assert sum(item.water_l for item in made.items) <= 30.0
    assert made.needs[0].needed_l > 30.0


def test_before_an_absence_trays_are_filled_towards_their_rim() -> None:
    settings = RoundSettings(away_days=30)
    item = rounds.plan_round([tray_at("south", 20.0, 12.0)], barrel(), settings).items[0]
    assert item.give_l == pytest.approx(0.9 * 70.0 - 20.0)
    assert any("run dry" in note for note in item.notes)


def test_a_tray_that_nobody_sampled_is_due_for_a_sample() -> None:
    plan = TrayPlan("new", "New", 1.0, 30.0, 70.0, "barrel")
    made = rounds.plan_round([courses.start(plan, SITE, DAY, 10.0)], barrel(), RoundSettings())
    assert made.items[0].sample_due
    assert (
        not rounds.plan_round([tray_at("south", 30.0, 12.0)], barrel(), RoundSettings()).items[0].sample_due
    )


def test_water_that_no_flush_helps_with_is_reported() -> None:
    made = rounds.plan_round([tray_at("south", 30.0, 49.0)], barrel(ppm=60.0), RoundSettings())
    assert made.items[0].flush is None
    assert any("purer water" in note for note in made.items[0].notes)
    with pytest.raises(InputError, match=r"\[tray"):
        rounds.plan_round([], barrel(), RoundSettings())


def test_litres_that_nobody_gave_are_missing_beyond_the_errors_of_both() -> None:
    assert not rounds.unexplained(52.0, [10.0] * 5, 1.0).is_missing
    missing = rounds.unexplained(70.0, [10.0] * 5, 1.0)
    assert missing.is_missing
    assert missing.missing_l == pytest.approx(20.0)


def test_the_round_is_json() -> None:
    made = rounds.plan_round([tray_at("south", 29.0, 47.0)], barrel(100.0), RoundSettings())
    values = json.loads(json.dumps(rounds.as_values(made)))
    assert values["date"] == "2026-07-10"
    assert values["trays"][0]["id"] == "south"
    assert values["trays"][0]["flush"]["how"] == "exchange"
    assert values["needs"][0]["covered"] is True
