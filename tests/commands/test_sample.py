"""``clearwell sample``: the verdict on a reading taken by hand."""

import json
import math
from pathlib import Path
from typing import Any

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.commands.sample import command
from bridge.commands.sample.kept import CAUTION
from bridge.errors import InputError, OutOfRangeError
from bridge.water.conductivity import pure_water_us_cm
from tests.running import clearwell_process, succeeds

ROOT = Path(__file__).parents[2]
METERS = ROOT / "tests" / "commands" / "meters.toml"
KEYS = {
    "meter", "below_resolution", "conductivity_25", "dissolved_solids", "expanded_uncertainty", "factor",
    "method", "verdict",
}  # fmt: skip


def judged(*words: str) -> dict[str, Any]:
    values = json.loads(succeeds("sample", *words, "--json"))
    assert isinstance(values, dict)
    assert set(values) == KEYS
    return values


def by(meter: str, *words: str) -> dict[str, Any]:
    return judged("--config", str(METERS), "--meter", meter, *words)


def refusal(*words: str) -> str:
    """Returns the one refusal message. The command line ends with status 2 for both kinds of error."""
    with pytest.raises((click.UsageError, InputError)) as caught:
        command.main(list(words), standalone_mode=False)
    return caught.value.format_message() if isinstance(caught.value, click.UsageError) else str(caught.value)


# --- readings ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ppm", "verdict"),
    [
        (10, "suitable"),
        (24, "suitable"),
        (24.9, "marginal"),
        (25, "marginal"),
        (40, "marginal"),
        (50, "unsuitable"),
    ],
)
def test_under_25_is_suitable_and_from_50_on_unsuitable(ppm: float, verdict: str) -> None:
    """Common practice, no source. The uncertainty counts against the water: 24.9 ppm can be 25 ppm."""
    assert by("bench", "--conductivity", str(2 * ppm), "--temperature", "25")["verdict"] == verdict


def test_a_reading_in_cold_water_is_corrected() -> None:
    # ISO 7888: the factor from 10 °C to 25 °C is 1.428.
    values = judged("--conductivity", "80", "--temperature", "10")
    assert values["conductivity_25"] == pytest.approx(80 * 1.428, rel=0.001)
    assert values["dissolved_solids"] == pytest.approx(0.5 * values["conductivity_25"])
    assert (values["method"], values["factor"], values["verdict"]) == ("natural", 0.5, "unsuitable")


def test_an_uncorrected_reading_looks_better_and_is_less_certain() -> None:
    """A reading in cold water misleads unless it is corrected; common practice, no source."""
    values = by("lab", "--conductivity", "80", "--temperature", "10", "--method", "off")
    assert values["dissolved_solids"] == pytest.approx(40.0)
    assert values["dissolved_solids"] + values["expanded_uncertainty"] > 50.0
    assert values["verdict"] == "unsuitable"


def test_a_bare_cell_needs_its_constant() -> None:
    values = judged("--conductance", "400", "--cell-constant", "0.1", "--temperature", "25")
    assert values["conductivity_25"] == pytest.approx(40.0)


def test_a_pocket_meters_ppm_is_converted_to_the_scale_of_the_limit() -> None:
    values = judged("--meter-ppm", "35", "--meter-factor", "0.7")
    assert values["conductivity_25"] == pytest.approx(50.0)
    assert values["dissolved_solids"] == pytest.approx(25.0)
    assert values["method"] == "off"
    assert judged("--meter-ppm", "35", "--meter-factor", "0.7", "--factor", "0.7")[
        "dissolved_solids"
    ] == pytest.approx(35.0)


def test_a_meter_without_a_table_is_taken_for_a_usual_pocket_meter() -> None:
    # Good to 2 % of 999 ppm, rectangular, with a step of 1 ppm: GUM (JCGM 100:2008) 4.3.7.
    values = judged("--meter-ppm", "1", "--meter-factor", "0.5")
    accuracy, step = 0.02 * 999 / 3**0.5, 1 / 12**0.5
    assert values["expanded_uncertainty"] == pytest.approx(2 * math.hypot(accuracy, step), rel=0.01)
    assert (values["meter"], values["verdict"]) == ("usual", "suitable")
    assert judged("--meter-ppm", "30", "--meter-factor", "0.5")["verdict"] == "unsuitable", "it can be 50 ppm"
    told = succeeds("sample", "--meter-ppm", 1, "--meter-factor", 0.5)
    assert "good to 2 % of 999 ppm" in told
    assert "[meter.<id>]" in told


def test_a_meter_with_a_table_counts_with_its_own_factor_and_accuracy() -> None:
    values = by("fine", "--meter-ppm", "30", "--temperature", "25")
    accuracy, step, water = 0.02 * 30 / 3**0.5, 0.1 / 12**0.5, 0.05
    assert values["expanded_uncertainty"] == pytest.approx(2 * math.hypot(accuracy, step, water), rel=0.001)
    assert (values["meter"], values["verdict"]) == ("fine", "marginal")
    assert by("pen", "--meter-ppm", "35")["dissolved_solids"] == pytest.approx(25.0)
    assert by("fine", "--ppm", "30")["dissolved_solids"] == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("--meter", "pan", "--ppm", "3"), ("no table [meter.pan]", "lab, bench, pen, fine")),
        (("--meter", "pen", "--conductivity", "3"), ("shows ppm", "--meter-ppm or --ppm")),
        (("--meter", "lab", "--meter-ppm", "3"), ("shows µS/cm", "--conductivity")),
        (("--meter", "pen", "--meter-ppm", "3", "--meter-factor", "0.5"), ("has the factor 0.7", "leave")),
        (("--meter", "pen", "--ppm", "3"), ("scale of 0.5", "factor 0.7", "--meter-ppm")),
        (("--meter", "lab", "--conductivity", "3"), ("--temperature",)),
        (("--meter", "lab", "--conductivity", "3", "--compensated"), ("does not compensate",)),
        (("--meter", "pen", "--conductance", "3", "--cell-constant", "1"), ("shows ppm",)),
    ],
)
def test_options_that_contradict_the_table_of_a_meter_are_refused(
    words: tuple[str, ...], expected: tuple[str, ...]
) -> None:
    message = refusal("--config", str(METERS), *words)
    for word in expected:
        assert word in message


def test_0_is_under_half_a_digit_and_is_judged_so() -> None:
    values = by("fine", "--meter-ppm", "0", "--temperature", "20")
    assert values["below_resolution"] is True
    assert values["dissolved_solids"] == pytest.approx(0.025)
    assert values["dissolved_solids"] + values["expanded_uncertainty"] > 0.05, "half a digit is not excluded"
    assert values["verdict"] == "suitable"
    assert "less than half a digit" in succeeds("sample", "--conductivity", 0, "--temperature", 20)
    assert by("fine", "--meter-ppm", "0.1")["below_resolution"] is False


def test_a_pocket_meter_that_does_not_compensate_is_corrected_when_the_temperature_is_given() -> None:
    words = ("--meter-ppm", "35", "--meter-factor", "0.7", "--temperature", "10")
    assert judged(*words)["conductivity_25"] == pytest.approx(50 * 1.428, rel=0.001)
    assert judged(*words, "--compensated")["conductivity_25"] == pytest.approx(50.0)
    assert "add --compensated" in succeeds("sample", *words)


def test_very_pure_water_is_judged_by_its_own_method() -> None:
    # Light et al., Electrochem. Solid-State Lett. 8 (2005) E16: pure water conducts 0.05501 µS/cm at 25 °C.
    words = ("--conductivity", str(pure_water_us_cm(5.0)), "--temperature", "5")
    assert by("lab", *words, "--method", "pure")["conductivity_25"] == pytest.approx(0.05501, rel=0.002)
    assert by("lab", *words, "--method", "linear")["conductivity_25"] < 0.6 * 0.05501


def test_limit_and_target_can_be_set() -> None:
    words = ("--conductivity", "60", "--temperature", "25")
    assert by("bench", *words)["verdict"] == "marginal"
    assert by("bench", *words, "--limit", "20")["verdict"] == "unsuitable"
    assert by("bench", *words, "--target", "40")["verdict"] == "suitable"


@pytest.mark.parametrize(
    ("typed", "bare"),
    [
        # t/°F = 1.8 t/°C + 32 (NIST Special Publication 811, 2008, appendix B).
        (("--temperature", "50 F"), ("--temperature", "10")),
        (("--temperature", "50°f"), ("--temperature", "10 °C")),
        (("--compensated", "--limit", "120 uS/cm"), ("--compensated", "--limit", "60")),
        (("--compensated", "--target", "90 \u00b5S/cm"), ("--compensated", "--target", "45")),
        (("--compensated", "--target", "90 \u03bcS/cm"), ("--compensated", "--target", "45 mg/l")),
    ],
)
def test_a_quantity_may_carry_its_unit(typed: tuple[str, ...], bare: tuple[str, ...]) -> None:
    one, other = (judged("--conductivity", "80", *words) for words in (typed, bare))
    assert one == pytest.approx(other)


@given(st.floats(1.0, 2000.0), st.floats(0.0, 36.0), st.sampled_from(["natural", "pure", "linear"]))
def test_the_verdict_follows_from_the_printed_values(
    conductivity: float, temperature: float, method: str
) -> None:
    values = by(
        "lab", "--conductivity", str(conductivity), "--temperature", str(temperature), "--method", method
    )
    worst = values["dissolved_solids"] + values["expanded_uncertainty"]
    expected = "unsuitable" if worst >= 50 else "marginal" if worst >= 25 else "suitable"
    assert values["verdict"] == expected
    assert values["expanded_uncertainty"] > 0.0
    assert values["dissolved_solids"] == pytest.approx(values["factor"] * values["conductivity_25"])


def test_the_text_has_scale_uncertainty_reason_and_caution() -> None:
    told = succeeds("sample", "--conductivity", 80, "--temperature", 10)
    for words in (
        "114.2 µS/cm (by the method 'natural' from 10 °C)",
        "57.1 ppm on the scale of 0.5 ppm per µS/cm at 25 °C",
        "(k = 2)",
        "of which meter and compensation 34 ppm",
        "unsuitable: 90.6 ppm with the uncertainty is at or over the limit of 50 ppm",
        CAUTION,
    ):
        assert words in told


def test_help_names_the_default_method_and_its_reason() -> None:
    told = " ".join(succeeds("sample", "--help").split())
    assert "The default method is natural (ISO 7888, 0 to 36 °C), which suits rain" in told


# --- refusals ------------------------------------------------------------------------------------

REFUSED = {
    "nothing": ((), ("--conductivity", "none of them")),
    "two readings": (
        ("--conductivity", "5", "--meter-ppm", "3", "--meter-factor", "0.5"),
        ("one reading", "--conductivity and --meter-ppm"),
    ),
    "no cell constant": (("--conductance", "5", "--temperature", "20"), ("--cell-constant",)),
    "cell constant alone": (
        ("--conductivity", "5", "--compensated", "--cell-constant", "1"),
        ("--cell-constant belongs to --conductance",),
    ),
    "no meter factor": (("--meter-ppm", "5"), ("--meter-factor",)),
    "meter factor alone": (
        ("--conductivity", "5", "--compensated", "--meter-factor", "0.5"),
        ("--meter-ppm",),
    ),
    "no temperature": (("--conductivity", "5"), ("--temperature", "--compensated")),
    "no temperature for a cell": (("--conductance", "5", "--cell-constant", "1"), ("--temperature",)),
    "no temperature for a method": (
        ("--meter-ppm", "5", "--meter-factor", "0.5", "--method", "natural"),
        ("--temperature",),
    ),
    "off without a temperature": (
        ("--conductivity", "5", "--method", "off"),
        ("--temperature", "--compensated"),
    ),
    "corrected twice": (
        ("--conductivity", "5", "--compensated", "--method", "natural"),
        ("twice", "--compensated"),
    ),
    "bare cell that corrects": (
        ("--conductance", "5", "--cell-constant", "1", "--compensated"),
        ("--compensated", "--temperature"),
    ),
    "too warm for the method": (("--conductivity", "5", "--temperature", "40"), ("40", "0 to 36 °C")),
    "impossible temperature": (
        ("--conductivity", "5", "--temperature", "400", "--compensated"),
        ("400", "0 and 100 °C"),
    ),
    "unknown unit": (
        ("--conductivity", "5", "--temperature", "20 K"),
        ("'K' is not a unit of temperature", "C, F"),
    ),
    "unit of something else": (
        ("--conductivity", "5", "--compensated", "--limit", "20 us-gal"),
        ("ppm, mg/L, gpg, uS/cm",),
    ),
    "old name of the target": (
        ("--conductivity", "5", "--advice", "20"),
        ("--advice is now called --target",),
    ),
    "unit alone": (("--conductivity", "5", "--temperature", "F"), ("'F' must be a number", "'10 °C'")),
    "negative": (("--conductivity", "-5", "--compensated"), ("-5", "zero or more")),
    "not a number": (("--conductivity", "nan", "--temperature", "20"), ("nan",)),
    "infinite": (("--conductance", "inf", "--cell-constant", "1", "--temperature", "20"), ("inf",)),
    "stronger than the sea": (("--conductivity", "2e5", "--compensated"), ("2e+05", "over its range")),
    "impossible cell": (
        ("--conductance", "5", "--cell-constant", "0", "--temperature", "20"),
        ("cell constant", "0.001"),
    ),
    "impossible factor": (("--conductivity", "5", "--compensated", "--factor", "3"), ("3", "1.5")),
    "impossible meter factor": (("--meter-ppm", "5", "--meter-factor", "0"), ("0.3", "1.5")),
    "limit of nothing": (("--conductivity", "5", "--compensated", "--limit", "0"), ("--limit",)),
    "target over the limit": (("--conductivity", "5", "--compensated", "--target", "60"), ("60", "50")),
    "dry cell": (
        ("--conductance", "0.01", "--cell-constant", "1", "--temperature", "25"),
        ("purest water", "dry"),
    ),
    "meter without a configuration": (("--meter", "pen", "--ppm", "3"), ("--config",)),
    "undo without an entry": (("--undo",), ("--of",)),
    "unknown method": (
        ("--conductivity", "5", "--temperature", "9", "--method", "best"),
        ("best", "natural"),
    ),
    "no number": (("--conductivity", "much"), ("--conductivity", "much")),
    "unknown option": (("--colour", "5"), ("--colour",)),
}


@pytest.mark.parametrize("name", REFUSED)
def test_nonsense_is_refused_with_one_clear_message(name: str) -> None:
    words, expected = REFUSED[name]
    message = refusal(*words)
    assert "\n" not in message
    for word in expected:
        assert word in message


@pytest.mark.parametrize("name", ["nothing", "too warm for the method", "dry cell", "unknown option"])
def test_the_command_line_ends_with_2_and_no_traceback(name: str) -> None:
    done = clearwell_process("sample", *REFUSED[name][0], cwd=ROOT)
    assert (done.status, done.stdout) == (2, "")
    assert REFUSED[name][1][0] in done.stderr
    assert "Traceback" not in done.stderr


def test_a_quantity_out_of_range_is_a_users_mistake_only_if_a_user_typed_it() -> None:
    assert not issubclass(OutOfRangeError, InputError), (
        "a sensor's value must not end the daemon with status 2"
    )
    assert "130 °C lies outside the range" in refusal("--conductivity", "5", "--temperature", "130")
