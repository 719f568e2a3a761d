"""The rounds of the days to come."""

import pytest

from bridge.trays.ahead import DAYS_AHEAD, due_of, rounds_ahead
from bridge.trays.round import FLUSH_AHEAD_DAYS, RoundSettings
from tests.trays.test_round import barrel, tray_at


def test_a_flush_of_today_is_not_due_again_in_the_days_after_it() -> None:
    rounds = rounds_ahead([tray_at("south", 30.0, 47.0)], barrel(), RoundSettings())
    due = due_of(rounds, {"barrel"})
    assert [one.day for one in due.days] == [f"2026-07-{day}" for day in range(10, 10 + DAYS_AHEAD)]
    assert due.days[0].flushes == ("South",)
    assert due.days[0].litres == rounds[0].items[0].water_l
    assert all(one.flushes == () for one in due.days[1:])
    assert due.flush_days == 0
    assert due.summary.startswith("South: exchange ")


def test_a_tray_that_loses_water_every_day_is_due_again_before_it_is_dry() -> None:
    rounds = rounds_ahead([tray_at("south", 30.0, 12.0)], barrel(), RoundSettings())
    due = due_of(rounds, {"barrel"})
    assert due.days[0].trays == ()
    assert due.summary == "No tray needs anything."
    first = next(number for number, one in enumerate(due.days) if one.trays)
    assert 1 <= first < rounds[0].items[0].dry.median
    assert due.days[first].litres > 5.0


def test_a_flush_beyond_the_week_is_expected_from_the_days_until_the_limit() -> None:
    rounds = rounds_ahead([tray_at("south", 30.0, 10.0)], barrel(ppm=2.0), RoundSettings())
    due = due_of(rounds, {"barrel"})
    assert all(one.flushes == () for one in due.days)
    assert due.flush_days == pytest.approx(rounds[0].items[0].limit.low80 - FLUSH_AHEAD_DAYS, abs=1.0)


def test_a_reservoir_shows_only_the_trays_that_it_feeds() -> None:
    rounds = rounds_ahead([tray_at("south", 5.0, 12.0)], barrel(), RoundSettings())
    assert due_of(rounds, {"barrel"}).days[0].trays == ("South",)
    elsewhere = due_of(rounds, {"butt"})
    assert (elsewhere.days[0].trays, elsewhere.days[0].litres, elsewhere.flush_days) == ((), 0.0, None)


def test_water_that_is_short_today_is_not_taken_to_be_short_on_later_days() -> None:
    rounds = rounds_ahead([tray_at("south", 5.0, 12.0)], barrel(4.0), RoundSettings())
    assert rounds[0].items[0].left_out == ("give",)
    assert "left out" in due_of(rounds, {"barrel"}).summary
    assert rounds[1].items[0].give_l > 20.0
