"""``clearwell round`` and ``clearwell away`` on a real log, and ``clearwell sample --of tray.ID``."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from bridge.config.loading import read
from bridge.display.text import width
from bridge.guard.commands import WeatherQuantity, WeatherReport, words_of
from bridge.history.reader import Reader
from bridge.history.records import CommandRow, FillRow, ReadingRow, Stamp
from bridge.history.writer import add
from bridge.trays.course import Weather
from bridge.watering import gather
from bridge.watering.weather import from_hub
from tests.running import on_terminal, refused, succeeds

TODAY = datetime.now(UTC).date()
CONFIG = """
[shelf.jugs]

[display]
zone = "UTC"

[weather]
latitude_deg = 48.1
file = "weather.csv"

[round]
can_l = 8

[tray.south]
area_m2 = 0.9
rim_mm = 70
pots = 24
covered = true

[tray.bog]
area_m2 = 1.2
kept_mm = 40
rim_mm = 80
drained = true
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "clearwell.toml"
    path.write_text(CONFIG, "utf-8")
    days = [TODAY - timedelta(days=number) for number in range(40, -1, -1)]
    rows = "".join(f"{day},26,14,{5 if day.day % 6 == 0 else 0}\n" for day in days)
    (tmp_path / "weather.csv").write_text(f"date,highest_c,lowest_c,rain_mm\n{rows}", "utf-8")
    succeeds("sample", "--config", path, "--of", "jugs", "--litres", "60", "--ppm", "9")
    return path


def listed(config: Path, *more: object) -> dict[str, Any]:
    values = json.loads(succeeds("round", "--config", config, "--json", *more))
    assert isinstance(values, dict)
    return values


def test_the_round_lists_the_trays_in_the_order_of_their_tables_and_asks_for_a_first_sample(
    config: Path,
) -> None:
    values = listed(config)
    assert [tray["id"] for tray in values["trays"]] == ["south", "bog"]
    assert all(tray["sample_due"] for tray in values["trays"])
    assert values["needs"][0]["available_l"] == 60.0
    assert values["weather_days"] == 28
    text = succeeds("round", "--config", config)
    assert "clearwell sample --of tray.south" in text
    assert "safe to drink" in text


def test_a_sample_of_a_tray_makes_its_flush_due_and_the_flush_ends_it(config: Path) -> None:
    sample = json.loads(succeeds("sample", "--config", config, "--of", "tray.south", "--ppm", "46", "--json"))
    south = listed(config)["trays"][0]
    assert south["ppm"] == pytest.approx(46.0, abs=sample["expanded_uncertainty"])
    assert south["flush"]["how"] == "exchange"
    assert not south["sample_due"]
    said = succeeds("round", "--config", config, "--done", "south", "--flushed")
    assert f"{south['flush']['litres']:.1f} L exchanged in south" in said
    after = listed(config)["trays"][0]
    assert after["flush"] is None
    assert after["ppm"] < 25.0


def test_litres_that_filled_a_tray_are_entered_and_teach_its_draw(config: Path) -> None:
    for back in range(20, 0, -2):
        day = TODAY - timedelta(days=back)
        succeeds("round", "--config", config, "--date", day, "--done", "south", "--litres", "14")
    before = listed(config)["trays"][0]
    # 14 L in two days are about 8 mm a day, so 30 mm last about four days.
    assert before["days_until_dry"]["high80"] < 5.0
    lines = succeeds("log", "--log", config.parent / "clearwell.db")
    assert "14 L needed to fill the tray to its mark" in " ".join(lines.split())


def test_short_water_is_reported_before_an_absence(config: Path) -> None:
    first, last = TODAY + timedelta(days=1), TODAY + timedelta(days=20)
    said = succeeds("away", first, last, "--config", config)
    assert "20 days" in said
    assert "close its drain" in said
    values = listed(config)
    assert values["away"] == [str(first), str(last)]
    assert values["needs"][0]["covered"] is False
    assert any(tray["left_out"] for tray in values["trays"])
    again = json.loads(succeeds("away", first, last, "--config", config, "--json"))
    assert {tray["id"] for tray in again["trays"]} == {"south", "bog"}
    events = succeeds("log", "--log", config.parent / "clearwell.db", "--kind", "event")
    assert events.count("Away from") == 1


def test_an_absence_that_has_ended_is_reported(config: Path) -> None:
    first, last = TODAY - timedelta(days=9), TODAY - timedelta(days=2)
    said = succeeds("away", first, last, "--config", config)
    assert f"Away from {first} to {last}, 8 days." in said
    assert "There was no alarm." in said
    assert "sample --of tray.ID" in said


def test_an_absence_needs_no_trays_and_only_one_that_was_entered_can_be_cancelled(tmp_path: Path) -> None:
    config = tmp_path / "clearwell.toml"
    config.write_text((Path(__file__).parents[2] / "config" / "minimal.toml").read_text("utf-8"), "utf-8")
    span = (TODAY + timedelta(days=3), TODAY + timedelta(days=9))
    assert "entered are: none" in refused("away", *span, "--cancel", "--config", config)
    assert "refilled at" in succeeds("away", *span, "--config", config)
    assert "is cancelled" in succeeds("away", *span, "--cancel", "--config", config)
    assert f"entered are: {span[0]}" not in refused("away", *span, "--cancel", "--config", config)


def test_a_finished_checklist_is_in_the_log(config: Path) -> None:
    assert "licensed electrician" in succeeds("round", "--config", config, "--checklist", "put-to-bed")
    succeeds("round", "--config", config, "--checklist", "put-to-bed", "--finished")
    events = succeeds("log", "--log", config.parent / "clearwell.db", "--kind", "event")
    assert "put to bed" in events


def test_a_tick_that_is_sent_twice_counts_once(config: Path) -> None:
    plan = read(config, {}).plan
    log = config.parent / "clearwell.db"
    found = gather.gather(plan, log, TODAY)
    first = gather.enter(plan, found, "bog", litres=2.5, tick="phone-7")
    again = gather.enter(plan, gather.gather(plan, log, TODAY), "bog", litres=2.5, tick="phone-7")
    other = gather.enter(plan, found, "bog", litres=2.5, tick="phone-8")
    assert (first.is_new, again.is_new, other.is_new) == (True, False, True)
    done = gather.values(gather.gather(plan, log, TODAY))["done_today"]
    assert done == [{"id": "bog", "what": "filled", "litres": 2.5}] * 2


def test_the_weather_that_the_hub_published_counts_before_the_file(config: Path) -> None:
    log = config.parent / "clearwell.db"
    sent = [(WeatherQuantity.TEMPERATURE, celsius) for celsius in (9.0, 21.5, 30.0, 16.0)]
    sent += [(WeatherQuantity.HUMIDITY, percent) for percent in (40.0, 80.0)]
    sent += [(WeatherQuantity.RADIATION, 250.0), (WeatherQuantity.WIND, 1.5)]
    sent += [(WeatherQuantity.RAIN, 1.0), (WeatherQuantity.RAIN, 3.5)]
    words = [words_of(WeatherReport(0.0, "hub", quantity, value)) for quantity, value in sent]
    words.append("weather temperature of nobody")
    add(log, *(partial(_command, what=what, accepted=True) for what in words))
    add(log, partial(_command, what="weather temperature 55 °C", accepted=False))
    with Reader(log) as reader:
        found = from_hub(reader, UTC, TODAY)
    assert found == {TODAY: Weather(30.0, 9.0, 3.5, humidity_percent=60.0, solar_mj_m2=21.6, wind_m_s=1.5)}
    assert listed(config)["weather_days"] == 28


def _command(stamp: Stamp, what: str, accepted: bool) -> CommandRow:
    return CommandRow(stamp, "barrel", what, "hub", accepted)


RAIN = """
[shelf.butt]
roof_m2 = 10
tank_l = 300
first_flush_mm = 1
rain_ppm = 8

[tray.fen]
area_m2 = 1
fed_from = "butt"
"""


def test_a_tank_that_a_roof_fills_follows_rain_counts_samples_and_draw(config: Path) -> None:
    config.write_text(
        CONFIG.replace("[tray.south]", '[tray.south]\nfed_from = "jugs"').replace(
            "[tray.bog]", '[tray.bog]\nfed_from = "jugs"'
        )
        + RAIN,
        "utf-8",
    )
    weather = config.parent / "weather.csv"
    days = [TODAY - timedelta(days=number) for number in (3, 2, 1, 0)]
    rows = "".join(f"{day},20,10,{mm}\n" for day, mm in zip(days, (6, 0.5, 0, 0), strict=True))
    weather.write_text(f"date,highest_c,lowest_c,rain_mm\n{rows}", "utf-8")
    butt = next(need for need in listed(config)["needs"] if need["source"] == "butt")
    assert butt["available_l"] == pytest.approx(5.0 * 10.0 * 0.85)
    succeeds("sample", "--config", config, "--of", "butt", "--left", "90")
    succeeds("round", "--config", config, "--done", "fen", "--litres", "12")
    butt = next(need for need in listed(config)["needs"] if need["source"] == "butt")
    assert butt["available_l"] == pytest.approx(78.0)
    assert "no such reservoir" in refused("round", "--config", config, "--blend", "butt", "--into", "barrel")
    assert "no roof" in refused("round", "--config", config, "--blend", "jugs", "--into", "barrel")


def test_rain_is_blended_into_a_reservoir_up_to_its_target(tmp_path: Path) -> None:
    config, log = tmp_path / "clearwell.toml", tmp_path / "clearwell.db"
    minimal = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text("utf-8")
    config.write_text(f"{minimal}\n{RAIN}", "utf-8")

    def reading(stamp: Stamp) -> Any:
        return ReadingRow(stamp, "barrel", volume_l=100.0, reservoir_ppm=4.0, temperature_c=3.0)

    add(log, *[reading] * 3)
    succeeds("sample", "--config", config, "--of", "butt", "--left", "250", "--ppm", "40")
    asked = ("round", "--config", config, "--blend", "butt", "--into", "barrel")
    found = json.loads(succeeds(*asked, "--json"))
    # 100 L of 4 ppm and x L of 40 ppm have at most 25 ppm with their uncertainties.
    assert 50.0 < found["rain_l"] < 140.0
    assert found["upper_ppm"] <= 25.0 + 1e-6
    assert "rain_ppm" in succeeds(*asked)
    assert "60.0 L of butt" in succeeds(*asked, "--litres", "60")
    again = json.loads(succeeds("round", "--config", config, "--json"))
    needs = {need["source"]: need["available_l"] for need in again["needs"]}
    assert needs == {"butt": 190.0}
    # The product is near freezing, so the round warns.
    assert again["frost"] == "water"


def test_litres_that_left_the_reservoir_and_reached_no_tray_are_reported(tmp_path: Path) -> None:
    config, log = tmp_path / "clearwell.toml", tmp_path / "clearwell.db"
    minimal = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text("utf-8")
    config.write_text(f"{minimal}\n[tray.fen]\narea_m2 = 1\n", "utf-8")

    def reading(stamp: Stamp, hours: int, litres: float) -> ReadingRow:
        at = replace(stamp, utc_ms=stamp.utc_ms - hours * 3_600_000)
        return ReadingRow(at, "barrel", volume_l=litres, reservoir_ppm=4.0)

    def fill(stamp: Stamp) -> FillRow:
        return FillRow(stamp, "barrel", stamp.utc_ms - 1000, 20.0, 0.0, 4.0, "full")

    makers: list[Any] = [
        partial(reading, hours=hours, litres=litres) for hours, litres in ((72, 100.0), (0, 60.0))
    ]
    add(log, *makers, fill)
    succeeds("round", "--config", config, "--done", "fen", "--litres", "30")
    week = listed(config)["litres_of_the_week"]["barrel"]
    assert week == {"left_l": 60.0, "given_l": 30.0, "missing_l": 30.0}
    assert "are missing" in succeeds("round", "--config", config)
    succeeds("round", "--config", config, "--done", "fen", "--litres", "29")
    assert listed(config)["litres_of_the_week"]["barrel"]["missing_l"] is None


def test_a_report_compares_the_litres_of_its_season_from_the_first_entry_on(tmp_path: Path) -> None:
    config, log, out = tmp_path / "clearwell.toml", tmp_path / "clearwell.db", tmp_path / "season.html"
    minimal = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text("utf-8")
    config.write_text(f'{minimal}\n[display]\nzone = "UTC"\n[tray.fen]\narea_m2 = 1\n', "utf-8")
    began = TODAY - timedelta(days=3)

    def reading(stamp: Stamp, day: int, litres: float) -> ReadingRow:
        at = datetime(began.year, began.month, began.day, 12, tzinfo=UTC) + timedelta(days=day)
        return ReadingRow(replace(stamp, utc_ms=int(1000 * at.timestamp())), "barrel", volume_l=litres)

    # What left the barrel before the first entry is not missing.
    makers: list[Any] = [
        partial(reading, day=day, litres=litres) for day, litres in ((-2, 180.0), (0, 100.0), (2, 55.0))
    ]
    add(log, *makers)
    succeeds("round", "--config", config, "--date", began, "--done", "fen", "--litres", "20")
    succeeds("report", config, "--out", out)
    page = " ".join(out.read_text("utf-8").split())
    assert 'data-figure="left" value="45"' in page
    assert 'data-figure="entered" value="20"' in page
    assert 'data-figure="missing" value="25"' in page
    assert "spilt, not entered, or a leak" in page
    succeeds("round", "--config", config, "--date", began, "--done", "fen", "--litres", "24")
    succeeds("report", config, "--out", out, "--force")
    assert "which agree" in out.read_text("utf-8")


def test_a_forecast_until_a_day_includes_the_trays(config: Path) -> None:
    words = ("forecast", "--config", config, "--until")
    near, far = (
        {one["name"]: one for one in json.loads(succeeds(*words, TODAY + timedelta(days=days), "--json"))}
        for days in (2, 60)
    )
    name = "Tray south: South"
    assert near[name]["wet_chance"] > 0.5 > far[name]["wet_chance"]
    assert near[name]["under_limit_chance"] >= far[name]["under_limit_chance"] > 0.0
    assert "that it does not run dry" in succeeds(*words, TODAY + timedelta(days=2))


def test_the_list_fits_a_terminal_of_80_columns(config: Path) -> None:
    succeeds("sample", "--config", config, "--of", "tray.south", "--ppm", "46")
    done = on_terminal(80, "round", "--config", str(config))
    assert "South (south)" in done.stdout
    assert max(width(line) for line in done.stdout.split("\n")) <= 80


def test_check_explains_the_trays(config: Path) -> None:
    text = " ".join(succeeds("check", config).split())
    assert "(south): 27 L at 30 mm, fed from jugs; its rim is at 70 mm; no rain falls in; 24 pots" in text
    assert "it drains above 40 mm" in text
    assert "at latitude 48.1" in text


def test_mistakes_say_what_would_be_right(config: Path, tmp_path: Path) -> None:
    assert "there are south, bog" in refused("round", "--config", config, "--done", "nord")
    assert "write it as 2026-07-01" in refused("round", "--config", config, "--date", "1.7.")
    assert "future" in refused(
        "round", "--config", config, "--date", TODAY + timedelta(days=3), "--done", "south", "--litres", "3"
    )
    assert "there are south, bog" in refused("sample", "--config", config, "--of", "tray.x", "--ppm", "3")
    assert "--config" in refused("sample", "--of", "tray.south", "--ppm", "3")
    weather = tmp_path / "weather.csv"
    weather.write_text("date,highest_c\n2026-01-01,4\n", "utf-8")
    assert "lowest_c" in refused("round", "--config", config)
    weather.write_text("date,highest_c,lowest_c\n2026-01-01,4,9\n", "utf-8")
    assert "line 2" in refused("round", "--config", config)
    bare = tmp_path / "bare.toml"
    bare.write_text("[shelf.jugs]\n", "utf-8")
    assert "[tray.<id>]" in refused("round", "--config", bare)
    two = tmp_path / "two.toml"
    two.write_text("[shelf.jugs]\n[shelf.cans]\n[tray.a]\narea_m2 = 1\n", "utf-8")
    assert "fed_from: is missing" in refused("round", "--config", two)
    two.write_text('[shelf.jugs]\n[tray.a]\narea_m2 = 1\nkept_mm = 90\nfed_from = "jug"\n', "utf-8")
    assert "under the rim" in refused("round", "--config", two)
