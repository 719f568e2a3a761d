"""One table of the configuration sets the units of the display."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.config.loading import load
from bridge.errors import InputError
from bridge.units import DisplayUnits, SolidsUnit, TemperatureUnit, VolumeUnit

ROOT = Path(__file__).parents[2]
MINIMAL = (ROOT / "config" / "minimal.toml").read_text(encoding="utf-8")
AMERICAN = DisplayUnits(
    VolumeUnit.US_GALLON, TemperatureUnit.FAHRENHEIT, SolidsUnit.US_CM, "USD", "America/New_York"
)


def loaded(tmp_path: Path, table: str, **environ: str) -> DisplayUnits:
    file = tmp_path / "clearwell.toml"
    file.write_text(f"{MINIMAL}\n{table}", encoding="utf-8")
    return load(file, environ).display


def test_volumes_and_temperatures_convert_by_the_published_factors() -> None:
    """NIST Special Publication 811 (2008), appendix B.8: 1 US gallon = 3.785412 E-03 m³, and
    t/°C = (t/°F - 32)/1.8; NIST Handbook 44, appendix C: 1 gallon = 231 cubic inches, 1 inch = 2.54 cm."""
    assert AMERICAN.litres(3.785412).number == pytest.approx(1.0, rel=1e-6)
    assert AMERICAN.litres(0.231 * 2.54**3).number == pytest.approx(1.0, rel=1e-12)
    for fahrenheit in (-40.0, 32.0, 68.0, 212.0):
        assert AMERICAN.celsius((fahrenheit - 32.0) / 1.8).number == pytest.approx(fahrenheit)
    assert AMERICAN.celsius(-40.0).text == "-40.0 °F"
    assert AMERICAN.litres(200.0).text == "52.8 US gal"
    assert AMERICAN.per_volume(0.10) == "0.38 USD/US gal"
    assert AMERICAN.cost_as(0.10, ".2f") == "0.38 USD per US gal"


@given(st.floats(0.0, 1e4), st.sampled_from([0.5, 0.7]))
def test_solids_are_shown_as_the_conductivity_behind_them_on_any_scale(ppm: float, factor: float) -> None:
    shown = AMERICAN.ppm(ppm, factor)
    assert shown.number * factor == pytest.approx(ppm)
    assert shown.unit == "µS/cm"
    assert AMERICAN.scale(factor) == "at 25 °C"
    assert DisplayUnits().ppm(ppm, factor).number == ppm
    assert DisplayUnits().scale(factor) == f"{factor} ppm per µS/cm"


@pytest.mark.parametrize(
    ("ppm", "expanded", "shown"),
    [
        (6.0, 0.4, ("6.00 ppm", "0.40 ppm")),
        (12.34, 1.25, ("12.3 ppm", "1.2 ppm")),
        (49.96, 0.0996, ("49.96 ppm", "0.10 ppm")),
        (1234.0, 123.0, ("1230 ppm", "120 ppm")),
        (0.0275, 0.00001, ("0.0275 ppm", "0.0001 ppm")),
        (6.0, None, ("6.00 ppm", None)),
        (6.0, 0.0, ("6.00 ppm", None)),
        (6.0, float("nan"), ("6.00 ppm", None)),
    ],
)
def test_an_uncertainty_has_two_digits_and_its_value_as_many_decimals(
    ppm: float, expanded: float | None, shown: tuple[str, str | None]
) -> None:
    """JCGM 100:2008 (GUM), 7.2.6: at most two significant digits, and the estimate to the same place."""
    value, band = DisplayUnits().measured(ppm, expanded, 0.5)
    assert (value.text, None if band is None else band.text) == shown


@given(st.floats(0.01, 2e4), st.floats(0.001, 500.0), st.sampled_from([0.5, 0.7]))
def test_a_displayed_measurement_is_rounded_by_at_most_a_tenth_of_its_uncertainty(
    ppm: float, expanded: float, factor: float
) -> None:
    for units in (DisplayUnits(), AMERICAN):
        value, band = units.measured(ppm, expanded, factor)
        assert band is not None
        said, doubt = (float(one.text.split(" ")[0]) for one in (value, band))
        assert abs(said - value.number) <= 0.1 * band.number
        assert doubt == pytest.approx(band.number, rel=0.06)


def test_a_time_is_shown_in_the_configured_zone_in_summer_and_winter() -> None:
    summer = datetime(2026, 7, 1, 16, 0, tzinfo=UTC).timestamp()
    winter = datetime(2026, 1, 1, 16, 0, tzinfo=UTC).timestamp()
    assert AMERICAN.local(summer).isoformat(" ") == "2026-07-01 12:00:00-04:00"
    assert AMERICAN.local(winter).isoformat(" ") == "2026-01-01 11:00:00-05:00"


def test_without_the_table_nothing_is_converted(tmp_path: Path) -> None:
    assert loaded(tmp_path, "") == DisplayUnits()


@pytest.mark.parametrize(
    ("volume", "temperature", "solids"),
    [("US gal", "°F", "µS/cm"), ("us-gal", "F", "uS/cm"), ("US gal", "F", "\u03bcS/cm")],
)
def test_units_may_be_written_on_any_keyboard(
    tmp_path: Path, volume: str, temperature: str, solids: str
) -> None:
    table = (
        f'[display]\nvolume = "{volume}"\ntemperature = "{temperature}"\nsolids = "{solids}"\n'
        'currency = "USD"\nzone = "America/New_York"\n'
    )
    assert loaded(tmp_path, table) == AMERICAN


def test_the_environment_overrides_the_file(tmp_path: Path) -> None:
    shown = loaded(tmp_path, '[display]\nvolume = "L"\n', CLEARWELL_DISPLAY__VOLUME="US gal")
    assert shown.volume is VolumeUnit.US_GALLON


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('volume = "pint"', "display.volume = \"pint\": must be 'L' or 'US gal'"),
        ("temperature = 5", "display.temperature = 5: must be '°C' or '°F'"),
        ('solids = "pm"', "must be 'ppm' or 'µS/cm'; did you mean 'ppm'?"),
        ('currency = "ten letters"', "a code or a sign for money"),
        ('currency = "E\\u001b[2J"', "a code or a sign for money"),
        ('zone = "Europe/Berln"', "there is no such time zone; did you mean 'Europe/Berlin'?"),
        ('zone = "New York"', "there is no such time zone; did you mean 'America/New_York'?"),
        ('zone = "Europe"', "there is no such time zone; it is a name such as 'Europe/Rome'"),
        ('zone = "../../etc/passwd"', "there is no such time zone"),
        ('litres = "L"', "display.litres: there is no such key"),
    ],
)
def test_a_wrong_value_is_refused_with_the_right_form(tmp_path: Path, line: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        loaded(tmp_path, f"[display]\n{line}\n")
    assert str(tmp_path / "clearwell.toml") in str(caught.value)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
