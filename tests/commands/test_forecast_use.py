"""``clearwell forecast --use`` and ``--until``: from a record of the daily use, and from the log."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bridge.commands.forecast.use import chance_over
from bridge.forecast import persistence
from bridge.forecast.learned import Kept, Learned
from bridge.history.records import EventRow, Stamp, StateRow
from bridge.history.writer import Log
from bridge.purifier.cartridge import Load
from bridge.tank.daily_use import DailyUse, learn
from bridge.tank.use import DrawOff, RunningMean
from tests.running import clearwell, refused, succeeds
from tests.tank.weather_record import use_at_seattle
from tests.waiting import DEADLINE_S

KEYS = ["days", "low80", "high80", "low95", "high95"]


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """Write a year and a half of a garden that follows a published weather record."""
    first, use = use_at_seattle("under cover, by hand", 1)
    path = tmp_path / "use.csv"
    rows = [f"{first + timedelta(days=number)},{litres:.2f}" for number, litres in enumerate(use[:500])]
    path.write_text("date,litres\n" + "\n".join(rows) + "\n")
    return path


def test_a_record_gives_the_days_and_both_intervals(record: Path) -> None:
    found = json.loads(succeeds("forecast", "--use", record, "--volume", "150 l", "--json"))
    assert list(found) == KEYS
    assert found["low95"] < found["low80"] < found["days"] < found["high80"] < found["high95"]
    _, use = use_at_seattle("under cover, by hand", 1)
    left_l, days = 150.0, 0
    while left_l > 0.0:
        left_l -= use[500 + days]
        days += 1
    assert found["low95"] <= days <= found["high95"] + 1.0


def test_a_day_is_answered_with_a_probability_and_the_volume_that_is_enough(record: Path) -> None:
    last = datetime.fromisoformat(record.read_text().splitlines()[-1].split(",")[0]).date()
    until = last + timedelta(days=14)
    words = ("forecast", "--use", record, "--until", until)
    found = json.loads(succeeds(*words, "--volume", "60", "--json"))
    assert found["until"] == until.isoformat()
    enough = json.loads(succeeds(*words, "--volume", found["enough_litres"], "--json"))
    assert enough["chance"] == pytest.approx(0.95, abs=0.01)
    assert "would be enough with 95" in succeeds(*words, "--volume", "60")


def test_a_wrong_record_is_refused_in_a_sentence(record: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.csv"
    for text, told in (
        ("date,litres\n4.7.2026,3\n", "write a day as 2026-07-04"),
        ("date,litres\n2026-07-04,-3\n", "zero or more"),
        ("day,litres\n2026-07-04,3\n", "column date is missing"),
        ("date,litres\n2026-07-04,3\n", "at least 5"),
    ):
        wrong.write_text(text)
        assert told in refused("forecast", "--use", wrong, "--volume", "10")
    assert "go together" in refused("forecast", "--use", record)
    assert "give a later day" in refused(
        "forecast", "--use", record, "--volume", "9", "--until", "2012-01-02"
    )
    trace = ("--trace", wrong, "--capacity-grams", "18", "--limit", "50")
    assert "belongs to" in refused("forecast", *trace, "--until", "2030-01-01")


def test_days_without_a_row_are_unknown_and_said_so(record: Path) -> None:
    lines = record.read_text().splitlines()
    record.write_text("\n".join(lines[:100] + lines[110:]) + "\n")
    done = clearwell("forecast", "--use", record, "--volume", "150")
    assert done.status == 0
    assert "10 days have no row" in done.stderr


def test_the_log_answers_whether_water_lasts_and_which_jug_helps(tmp_path: Path) -> None:
    today = datetime.now(UTC)
    daily = DailyUse()
    for number in range(60):
        daily = learn(daily, today.toordinal() - 60 + number, 10.0 + number % 3)
    draw = DrawOff(day=RunningMean(20.0, 11.0, 0.7), daily=daily)
    kept = Kept(Learned(draw=draw), None, 50.0, None, 80.0, Load())
    path = tmp_path / "log.db"
    written(path, persistence.written("barrel", kept))
    until = today.date() + timedelta(days=9)
    (found,) = json.loads(succeeds("forecast", "--log", path, "--until", until, "--json"))
    assert found["name"] == "Reservoir barrel"
    assert found["water_chance"] < 0.1
    # About nine and a half days of 11 L, of which 80 L are there.
    assert found["jug_l"] == pytest.approx(found["days"] * 11.0 - 80.0, abs=20.0)
    text = succeeds("forecast", "--log", path, "--until", until)
    assert "A jug" in text
    soon = succeeds("forecast", "--log", path, "--until", today.date() + timedelta(days=1))
    assert "nothing is needed" in soon


def written(path: Path, row: StateRow) -> None:
    log = Log(path)
    log.start().result(DEADLINE_S)
    stamp = Stamp(1, 1, round(datetime.now(UTC).timestamp() * 1000.0))
    log.write([EventRow(stamp, "barrel", "started", "The bridge has started."), row], durable=True)
    assert log.close(DEADLINE_S)


def test_a_probability_between_the_ends_of_an_interval_is_that_of_a_normal_quantity() -> None:
    five = (10.0, 8.0, 12.0, 7.0, 13.0)
    assert chance_over(five, 10.0) == pytest.approx(0.5)
    assert chance_over(five, 8.0) == pytest.approx(0.9)
    assert chance_over(five, 13.0) == pytest.approx(0.025)
    assert chance_over(five, 1.0) > 0.975
    assert chance_over(five, 99.0) < 0.025
    assert chance_over((float("inf"),) * 5, 99.0) == 1.0
