"""Output for people follows the table [display]. Output for programs does not."""

import json
from pathlib import Path

import pytest

from bridge.commands.forecast.log import interval_text, volume_left
from bridge.commands.log import text_of
from bridge.display import as_json
from bridge.display.from_view import facts_of
from bridge.history.records import (
    CalibrationRow,
    CartridgeRow,
    EntryRow,
    EventRow,
    FillRow,
    Litres,
    LitresRow,
    SampleRow,
    Stamp,
)
from bridge.purifier.forecast import Interval
from bridge.station.view import StationView
from bridge.units import LITRES_PER_US_GALLON, DisplayUnits
from tests.display.test_display_units import AMERICAN, MINIMAL
from tests.running import succeeds

STAMP = Stamp(1, 1, 1_750_000_000_000)
BY_HAND = """
[purifier.pitcher]
feed_ppm = 200
limit_ppm = 50
[purifier.pitcher.cartridge]
kind = "exchange"
takes_up = "16 g"
price = 15
[display]
"""
TABLES = {
    "as recorded": "",
    "american": 'volume = "US gal"\ntemperature = "F"\nsolids = "uS/cm"\ncurrency = "USD"\n',
}


METER = """
[meter.pen]
shows = "ppm"
factor = 0.5
resolution = 1
percent_of_reading = 2
"""


def printed(*words: str | Path) -> str:
    return " ".join(succeeds(*words).split())


@pytest.fixture(params=TABLES)
def written(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, Path]:
    config = tmp_path / "clearwell.toml"
    config.write_text(f"{MINIMAL}{BY_HAND}{TABLES[request.param]}{METER}", encoding="utf-8")
    return request.param, config


@pytest.mark.parametrize(
    ("row", "as_recorded", "american"),
    [
        (
            FillRow(STAMP, "barrel", STAMP.utc_ms - 600_000, 81.0, 1.5, 6.2, "full"),
            "81.0 L in 10 min, of rinse 1.5 L, on average 6.2 ppm; ended by full",
            "21.4 US gal in 10 min, of rinse 0.4 US gal, on average 12.4 µS/cm; ended by full",
        ),
        (
            SampleRow(STAMP, "barrel", "rain", 18.2, 9.1, 0.3, 0.5, 17.5, "natural", "suitable"),
            "rain: 9.1 ± 0.3 ppm at a factor of 0.5 (18.2 µS/cm at 25 °C, taken at 17.5 °C), suitable",
            "rain: 18.2 ± 0.6 µS/cm at 25 °C, taken at 63.5 °F, suitable",
        ),
        (LitresRow(STAMP, "jugs", Litres.PUT, 3.785411784), "3.785 L put on the shelf", "1 US gal put on"),
        (CartridgeRow(STAMP, "barrel", "b", 812.0, 251.0), "made 812 L", "made 215 US gal"),
        (
            CalibrationRow(STAMP, "barrel", "product", 0.1, 0.02, 84.0, 25.0, 1.1),
            "in 84 µS/cm at 25 °C: constant 0.1 cm⁻¹",
            "in 84 µS/cm at 77 °F: constant 0.1 cm⁻¹",
        ),
        # The sentence recorded at the event stays unchanged.
        (EventRow(STAMP, "barrel", "phase", "5 L came."), "phase: 5 L came.", "phase: 5 L came."),
    ],
)
def test_a_log_entry_is_shown_in_the_configured_units(row: EntryRow, as_recorded: str, american: str) -> None:
    assert as_recorded in text_of(row)
    assert american in text_of(row, AMERICAN, 0.5)


def test_an_unknown_scale_is_not_guessed() -> None:
    row = FillRow(STAMP, "gone", STAMP.utc_ms, 81.0, None, 6.2, "full")
    assert "on average 6.2 ppm" in text_of(row, AMERICAN, None)


def test_a_sample_and_a_forecast_are_shown_in_the_configured_units(written: tuple[str, Path]) -> None:
    which, config = written
    entered = ("--config", config, "--of", "pitcher", "--litres", "37.85411784", "--ppm", "4")
    said = printed("sample", *entered, "--temperature", "20", "--meter", "pen")
    shown = printed("forecast", "--config", config, "--plot")
    values = json.loads(printed("forecast", "--config", config, "--json"))[0]
    assert values["treated_l"] == pytest.approx(37.85411784)
    cost = 15.0 / 37.85411784
    if which == "american":
        assert "10 US gal, 7.42 g taken up" in shown
        assert f"{cost * LITRES_PER_US_GALLON:.3g} USD per US gal, if changed now" in shown
        assert "Last reading 8 µS/cm" in shown
        assert "Volume left" in shown
        assert "US gal treated" in shown
        assert "under the target of 50 µS/cm" in said
        assert " ppm" not in said + shown
        assert " L," not in said + shown
    else:
        assert "37.85 L, 7.42 g taken up" in shown
        assert f"{cost:.3g} per litre, if changed now" in shown
        assert "Last reading 4 ppm" in shown
        assert "litres treated" in shown
        assert "under the target of 25 ppm" in said
        assert "US gal" not in said + shown


def test_output_for_programs_does_not_depend_on_the_display_units(tmp_path: Path) -> None:
    found = []
    for number, table in enumerate(TABLES.values()):
        config = tmp_path / f"{number}" / "clearwell.toml"
        config.parent.mkdir()
        config.write_text(f"{MINIMAL}{BY_HAND}{table}", encoding="utf-8")
        entered = ("--config", config, "--of", "pitcher", "--litres", "3.8", "--ppm", "4", "--json")
        values = json.loads(printed("sample", *entered))
        found.append({name: value for name, value in values.items() if name != "entered"})
    ranges = ("litres_left", "cost_per_l")
    # The forecast rests on the time of the entry, and the two were not made in the same moment.
    for name in ranges:
        assert found[0].pop(name) == pytest.approx(found[1].pop(name), rel=1e-9)
    assert found[0] == found[1]


def test_check_explains_the_configuration_in_the_configured_units(written: tuple[str, Path]) -> None:
    which, config = written
    said = printed("check", config)
    if which == "american":
        assert "brim-full it holds 53 US gal" in said
        assert "if the product with its uncertainty reaches 100 µS/cm" in said
        assert "flows only from 33.8 °F to 95 °F" in said
        assert "volumes in US gal, temperatures in °F, dissolved solids in µS/cm, money in USD" in said
    else:
        assert "brim-full it holds 201 L" in said
        assert "if the product with its uncertainty reaches 50 ppm" in said
        assert "flows only from 1 °C to 35 °C" in said
    assert "Published and kept values stay in L, °C, ppm and UTC." in said


def test_both_ends_of_an_interval_have_the_same_unit() -> None:
    left = Interval(400.0, 300.0, 500.0, 200.0, 600.0)
    assert volume_left(left, DisplayUnits()) == ("Litres left", interval_text(left, "L"))
    assert volume_left(left, AMERICAN) == (
        "Volume left",
        "106 US gal; 80 %: 79.3 to 132 US gal, 95 %: 52.8 to 159 US gal",
    )


def test_the_facts_of_the_page_follow_the_same_setting(kept_view: StationView) -> None:
    american = as_json(facts_of(kept_view, AMERICAN, "14:05:09"))
    plain = as_json(facts_of(kept_view, DisplayUnits(), "14:05:09"))
    assert '"volume":"31.7 US gal","capacity":"52.8 US gal"' in american
    assert '"text":"24.0 µS/cm"' in american
    assert '"limit":"100 µS/cm"' in american
    assert '"volume":"120 L","capacity":"200 L"' in plain
    assert '"text":"12.0 ppm"' in plain
    assert '"limit":"50 ppm"' in plain
