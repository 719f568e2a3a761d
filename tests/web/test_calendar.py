"""The calendar: the dates that a grower must not miss, in the form of RFC 5545."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
from icalendar import Calendar

from bridge.commands.export import _prospects
from bridge.config.loading import load
from bridge.daemon.page_lines import Fittings, view_line
from bridge.history.records import ForecastRow, Stamp
from bridge.station.view import StationView
from bridge.trays.ahead import RoundDay
from bridge.units import DisplayUnits
from bridge.web.calendar import Prospect, calendar_of, dates_of
from tests.history.conftest import write_log
from tests.running import clearwell
from tests.waiting import DEADLINE_S
from tests.web.conftest import IDENTITY, Alone

UNITS = DisplayUnits(zone="UTC")
NOW_S = 1_780_000_000.0
TODAY = date(2026, 5, 28)
DAY_MS = 86_400_000
FITTINGS = Fittings(100.0, 180.0, 7.0, (("product", int(NOW_S * 1000) - 300 * DAY_MS), ("feed", None)), True)
KNOWN = Prospect(IDENTITY, FITTINGS, NOW_S, 17.0, 5.0, int(NOW_S * 1000) - 100 * DAY_MS, 1)


def days(prospect: Prospect) -> dict[str, int]:
    return {due.kind: (due.day - TODAY).days for due in dates_of(prospect, UNITS, TODAY)}


def test_each_date_follows_from_what_is_known() -> None:
    assert days(KNOWN) == {
        "order": 10, "dry": 5, "calibration-product": 66, "calibration-feed": 0, "proof-test": 266,
    }  # fmt: skip
    # A date that has passed is still due today.
    late = replace(KNOWN, left_low_days=3.0, overflow_ms=int(NOW_S * 1000) - 400 * DAY_MS)
    assert (days(late)["order"], days(late)["proof-test"]) == (0, 0)
    # A float that has never tripped is tested a week after the log began.
    new = replace(KNOWN, overflow_ms=None, log_began_ms=int(NOW_S * 1000) - 2 * DAY_MS)
    assert days(new)["proof-test"] == 5
    # Nothing known, or beyond the horizon of the forecast: no date, and none is invented.
    assert days(Prospect(IDENTITY, Fittings(), NOW_S)) == {}
    assert days(replace(KNOWN, left_low_days=500.0, cover_low_days=None, fittings=Fittings())) == {}


def test_a_calendar_program_can_read_it_and_a_moved_date_stays_one_event() -> None:
    def events(now_s: float, left_days: float) -> dict[str, date]:
        text = calendar_of([replace(KNOWN, left_low_days=left_days)], "tunnel", "The tunnel", UNITS, now_s)
        assert text.endswith(b"END:VCALENDAR\r\n")
        assert all(len(line) <= 75 for line in text.split(b"\r\n")), "RFC 5545, section 3.1"
        parsed: Any = Calendar.from_ical(text)
        assert (parsed["VERSION"], parsed["PRODID"][:3]) == ("2.0", "-//")
        found = {}
        for event in parsed.walk("VEVENT"):
            assert event["DTSTAMP"].dt == datetime.fromtimestamp(int(now_s), UTC)
            assert IDENTITY.name in event["SUMMARY"]
            found[str(event["UID"])] = event["DTSTART"].dt
        return found

    first, later = events(NOW_S, 17.0), events(NOW_S + 3600.0, 20.0)
    assert first.keys() == later.keys()
    assert len(first) == 5
    order = f"order-{IDENTITY.reservoir}@tunnel.clearwell"
    assert (first[order], later[order]) == (TODAY + timedelta(days=10), TODAY + timedelta(days=13))


ROUNDS = (
    RoundDay("2026-05-27", 9.0, ("South",), ()),
    RoundDay("2026-05-28", 12.3, ("South", "Bog"), ("Bog",)),
    RoundDay("2026-05-29", 0.0, (), ()),
    RoundDay("2026-05-30", 4.0, ("South",), ()),
)


def test_each_day_with_trays_that_are_due_is_an_event_and_the_next_flush_another() -> None:
    bare = replace(Prospect(IDENTITY, Fittings(), NOW_S), rounds=ROUNDS, flush_days=1)
    found = {due.kind: (due.day, due.summary) for due in dates_of(bare, UNITS, TODAY)}
    assert found == {
        "round-2026-05-28": (TODAY, "Watering round: 2 trays, 12.3 L, flush Bog: The barrel"),
        "round-2026-05-30": (TODAY + timedelta(days=2), "Watering round: 1 tray, 4.0 L: The barrel"),
        "flush": (TODAY, "Flush a tray: The barrel"),
    }
    later = replace(bare, flush_days=None)
    assert "flush" not in {due.kind for due in dates_of(later, UNITS, TODAY)}


def walked(text: bytes) -> list[Any]:
    calendar: Any = Calendar.from_ical(text)
    return list(calendar.walk("VEVENT"))


def test_the_page_serves_the_calendar_of_the_newest_view(alone: Alone, view: StationView) -> None:
    alone.tell(view_line(view))
    with httpx.stream("GET", f"{alone.url}/api/events", timeout=DEADLINE_S) as events:
        # The first events show that the page has the view.
        next(line for line in events.iter_lines() if f'"id":"{IDENTITY.reservoir}"' in line)
    answer = httpx.get(f"{alone.url}/calendar.ics")
    assert answer.headers["content-type"].startswith("text/calendar")
    (event,) = walked(answer.content)
    assert str(event["SUMMARY"]) == "The water may run out: The barrel"
    today = datetime.now().astimezone().date()
    due = RoundDay(today.isoformat(), 3.0, ("South",), ())
    alone.tell(view_line(replace(view, round_ahead=(due,), round_flush_days=9)))
    with httpx.stream("GET", f"{alone.url}/api/events", timeout=DEADLINE_S) as events:
        next(line for line in events.iter_lines() if f'"id":"{IDENTITY.reservoir}"' in line)
    summaries = {
        str(event["SUMMARY"]): event["DTSTART"].dt
        for event in walked(httpx.get(f"{alone.url}/calendar.ics").content)
    }
    assert summaries["Watering round: 1 tray, 3.0 L: The barrel"] == today
    assert summaries["Flush a tray: The barrel"] == today + timedelta(days=9)
    manifest = httpx.get(f"{alone.url}/manifest.webmanifest").json()
    assert manifest["name"] == "The tunnel: pure water"
    for icon in manifest["icons"]:
        picture = httpx.get(f"{alone.url}{icon['src']}")
        assert picture.content.startswith(b"\x89PNG")


CONFIG = """
[log]
path = "{log}"
[reservoir.barrel]
port = "/dev/null"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
cartridge = {{ kind = "exchange", treats = "1200 l", treats_of = "250 ppm" }}
[reservoir.barrel.level]
overflow_float = true
[reservoir.barrel.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.barrel.product]
cell_constant_per_cm = 0.1
"""


def test_the_command_writes_the_dates_of_the_newest_forecast_in_the_log(tmp_path: Path) -> None:
    log, config, out = tmp_path / "log.db", tmp_path / "clearwell.toml", tmp_path / "dates.ics"
    config.write_text(CONFIG.format(log=log))
    now_s = datetime.now(UTC).timestamp()
    at_ms = int(now_s * 1000) - DAY_MS

    def row(sequence: int, left_low_days: float) -> ForecastRow:
        return ForecastRow(
            Stamp(1, sequence, at_ms + sequence), "barrel", 400.0, 300.0, 500.0, 30.0, left_low_days, 40.0,
            False, 9.0,
        )  # fmt: skip

    write_log(log, [row(0, 50.0), row(1, 20.0)])
    (prospect,) = _prospects(load(config, {}), log, now_s)
    assert (prospect.left_low_days, prospect.at_s) == (20.0, (at_ms + 1) / 1000.0)
    done = clearwell("calendar", str(config), "--out", str(out))
    assert (done.status, done.stdout) == (0, f"4 dates in {out}\n"), done.stderr
    kinds = {str(event["UID"]).split("-barrel@")[0] for event in walked(out.read_bytes())}
    assert kinds == {"order", "dry", "calibration-product", "proof-test"}
    assert clearwell("calendar", str(config), "--out", str(out)).status == 2
    wrong = clearwell("calendar", str(config), "--out", str(tmp_path / "dates.txt"))
    assert wrong.status == 2
    assert "must end in .ics" in wrong.stderr


def test_the_command_writes_the_rounds_of_the_trays(tmp_path: Path) -> None:
    log, config, out = tmp_path / "log.db", tmp_path / "clearwell.toml", tmp_path / "dates.ics"
    config.write_text(CONFIG.format(log=log) + '[display]\nzone = "UTC"\n[tray.bog]\narea_m2 = 1\n')
    done = clearwell("calendar", str(config), "--out", str(out))
    assert done.status == 0, done.stderr
    found = {str(event["SUMMARY"]): event["DTSTART"].dt for event in walked(out.read_bytes())}
    # Nobody has measured the tray yet, so it is due today; later it needs water.
    today = datetime.now(UTC).date()
    assert found["Watering round: 1 tray, 0.0 L: Barrel"] == today
    assert max(found[one] for one in found if one.startswith("Watering round")) > today
