"""``clearwell setup``: a newcomer's answers become a configuration, and a mistake is one sentence."""

import asyncio
import fcntl
import json
import math
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import tomllib
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.commands import main as cli
from bridge.commands import setup as setup_command
from bridge.commands.check import command as check
from bridge.commands.setup import FoundBroker
from bridge.commands.setup.questions import from_values
from bridge.commands.setup.text import configuration
from bridge.config.loading import read
from bridge.config.plan import BridgePlan
from bridge.errors import InputError
from bridge.tank import shapes
from tests.brokers import AnyBroker, Mosquitto, free_port
from tests.security.conftest import certificates, passwords

__all__ = ["certificates", "passwords"]

# NIST Special Publication 811 (2008), appendix B: 1 in = 0.0254 m, 1 US gal = 3.785411784 L and
# 1 grain = 64.79891 mg, all exact.
METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0, "in": 0.0254, "ft": 0.3048}
LITRES = {"L": 1.0, "m3": 1000.0, "us-gal": 3.785411784}
GRAMS = {"g": 1.0, "kg": 1000.0, "grain": 0.06479891}
LITRES_A_MINUTE = {
    "L/min": 1.0,
    "L/day": 1 / 1440,
    "us-gal/day": 3.785411784 / 1440,
    "gpd": 3.785411784 / 1440,
}
PPM = {"ppm": 1.0, "uS/cm": 0.5, "gpg": 64.79891 / 3.785411784}
SIX_DIGITS = 5.01e-6
"""The file has six significant digits: half of the last one is at most 5 parts in a million."""

Setup = Callable[..., tuple[int, str, str]]


@pytest.fixture
def setup(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Setup:
    """Runs the command line. Returns its exit status, its output and its errors."""

    def run(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["clearwell", "setup", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        out, err = capsys.readouterr()
        assert isinstance(ended.value.code, int)
        return ended.value.code, out, err

    return run


def as_toml(answers: Mapping[str, str]) -> str:
    return "".join(f"{key} = {json.dumps(value)}\n" for key, value in answers.items())


GOOD = {
    "units": "metric", "name": "Barrel", "shape": "upright-cylinder", "diameter": "58 cm", "height": "76 cm",
    "level": "sensor", "sensor_low": "4 cm", "sensor_high": "74 cm", "start_at": "38 cm", "end_at": "68 cm",
    "overflow_float": "yes", "purifier": "exchange", "rating": "1200 L", "rating_of": "250 ppm",
    "delivers": "2 L/min", "product_cell": "0.1", "port": "/dev/serial/by-id/usb-controller-if00",
    "broker": "localhost",
}  # fmt: skip


# --- any sound answers give a right configuration ------------------------------------------------------


@dataclass
class Sound:
    """Answers as a person types them, and each length in metres."""

    typed: dict[str, str] = field(default_factory=dict)
    metres: dict[str, float] = field(default_factory=dict)
    values: dict[str, float] = field(default_factory=dict)
    """Other quantities in the configuration's units."""


@st.composite
def sound_answers(draw: st.DrawFn) -> Sound:
    one = Sound()

    def pick(key: str, *words: str) -> str:
        one.typed[key] = draw(st.sampled_from(words))
        return one.typed[key]

    def length(key: str, metres: float) -> float:
        unit = draw(st.sampled_from(sorted(METRES)))
        number = f"{metres / METRES[unit]:.5f}"
        one.typed[key] = f"{number} {unit}"
        one.metres[key] = float(number) * METRES[unit]
        return one.metres[key]

    def quantity(key: str, base: float, units: Mapping[str, float]) -> float:
        unit = draw(st.sampled_from(sorted(units)))
        number = f"{base / units[unit]:.6f}"
        one.typed[key] = f"{number} {unit}"
        one.values[key] = float(number) * units[unit]
        return one.values[key]

    def some(low: float, high: float) -> float:
        return draw(st.floats(low, high))

    pick("units", "metric", "us")
    one.typed["name"] = draw(st.sampled_from(["Barrel", "Butt 2", 'Régenfaß "north"', "a\\b # c"]))
    shape = pick("shape", "upright-cylinder", "tapered-barrel", "horizontal-cylinder", "box")
    sizes = {
        "upright-cylinder": ("diameter", "height"),
        "tapered-barrel": ("bottom_diameter", "top_diameter", "height"),
        "horizontal-cylinder": ("diameter", "length"),
        "box": ("length", "width", "height"),
    }[shape]
    for key in sizes:
        length(key, some(0.06, 9.9))
    height = one.metres["diameter" if shape == "horizontal-cylinder" else "height"]
    # The smallest distance of two depths is 5 mm.
    gaps = [some(0.0, 1.0) for _ in range(5)]
    free = (height - 5 * 0.0051) / max(sum(gaps), 1e-3) if sum(gaps) else 0.0
    depths, at = [], 0.0
    for gap in gaps[:4]:
        at += 0.0051 + gap * max(free, 0.0)
        depths.append(at)
    level = pick("level", "sensor", "switches", "both")
    if level != "switches":
        length("sensor_low", depths[0])
        length("sensor_high", depths[3])
    length("start_at", depths[1])
    length("end_at", depths[2])
    if level != "switches" and draw(st.booleans()):
        one.typed |= {"sensor_low_reads": "0.9", "sensor_high_reads": "0.1"}
    pick("overflow_float", "yes", "no")
    purifier = pick("purifier", "exchange", "membrane", "distiller")
    if draw(st.booleans()):
        if purifier == "membrane":
            quantity("rating", some(50.1, 99.8), {"%": 1.0})
        elif purifier == "distiller" or draw(st.booleans()):
            quantity("rating", some(1.0, 9e4), GRAMS)
        else:
            quantity("rating", some(10.0, 1e5), LITRES)
            quantity("rating_of", some(2.0, 9000.0), PPM)
    quantity("delivers", some(0.01, 50.0), LITRES_A_MINUTE)
    pick("drain_valve", "yes", "no")
    if (feed := draw(st.sampled_from(["number", "cell", "unknown"]))) == "number":
        quantity("feed", some(1.0, 9000.0), PPM)
    else:
        one.typed["feed"] = feed
        if feed == "cell":
            quantity("feed_cell", some(0.01, 10.0), {"/cm": 1.0})
    quantity("product_cell", some(0.002, 10.0), {"/cm": 1.0})
    if draw(st.booleans()):
        quantity("pulses", some(2.0, 9e4), {"per L": 1.0, "per us-gal": 1 / 3.785411784})
    one.typed["port"] = "/dev/serial/by-id/usb-controller-if00"
    if pick("broker", "none", "localhost", "broker.local:8884", "192.168.1.10") != "none":
        pick("broker_login", "yes", "no")
        pick("broker_encryption", "yes", "no", "/etc/ssl/garden.pem")
    pick("page", "no", "this-machine", "home-network")
    return one


@settings(max_examples=40)
@given(sound=sound_answers())
def test_any_valid_answers_give_a_file_with_these_answers_that_check_accepts(sound: Sound) -> None:
    with TemporaryDirectory() as directory:
        file, out = Path(directory) / "answers.toml", Path(directory) / "clearwell.toml"
        file.write_text(as_toml(sound.typed), "utf-8")
        result = CliRunner().invoke(
            cli.entry, ["setup", "--answers", str(file), "--out", str(out)], catch_exceptions=False
        )
        assert result.exit_code == 0
        accepted = CliRunner().invoke(check, [str(out)], catch_exceptions=False)
        assert "is right. This is what the daemon will do." in " ".join(accepted.output.split())
        _holds(read(out, {}).plan, sound)


def _holds(plan: BridgePlan, sound: Sound) -> None:
    typed, metres, values = sound.typed, sound.metres, sound.values
    (station,) = plan.stations
    assert station.identity.name == typed["name"]
    assert station.port == typed["port"]
    kind, sizes_m = _shape_of(station.level.shape)
    assert kind == typed["shape"]
    assert sizes_m == pytest.approx([metres[key] for key in SIZES[kind]], rel=SIX_DIGITS)
    # A share of six digits is less precise near the top of a lying cylinder.
    assert station.level.refill_m == pytest.approx(metres["start_at"], abs=2e-3)
    assert station.level.fill_m == pytest.approx(metres["end_at"], abs=2e-3)
    assert (station.level.low_switch, station.level.full_switch) == (2 * (typed["level"] != "sensor",))
    assert station.limits.has_overflow_float == (typed["overflow_float"] == "yes")
    if typed["level"] == "switches":
        assert station.level.level_sensor is None
    else:
        assert station.level.level_sensor is not None
        low, high = float(typed.get("sensor_low_reads", 0.05)), float(typed.get("sensor_high_reads", 0.95))
        points = station.level.level_sensor.table.points
        assert [fraction for fraction, _ in points] == [low, high]
        assert [depth_m for _, depth_m in points] == pytest.approx(
            [metres["sensor_low"], metres["sensor_high"]], rel=SIX_DIGITS
        )
    assert station.limits.flow_max_l_s == pytest.approx(values["delivers"] / 60, rel=SIX_DIGITS)
    assert station.identity.has_drain == (typed["drain_valve"] == "yes")
    assert station.identity.has_feed_probe == (typed["feed"] == "cell")
    assert station.product.chain.cell.constant_per_cm == pytest.approx(values["product_cell"], rel=SIX_DIGITS)
    if station.feed is not None:
        assert station.feed.chain.cell.constant_per_cm == pytest.approx(values["feed_cell"], rel=SIX_DIGITS)
    assert station.feed_ppm == (pytest.approx(values["feed"], rel=SIX_DIGITS) if "feed" in values else None)
    pulses = values.get("pulses")
    assert station.litres_per_pulse == (None if pulses is None else pytest.approx(1 / pulses, rel=SIX_DIGITS))
    _holds_rating(plan, sound)
    # Even at half of the rated flow, a fill from empty ends within its time limit.
    full_l = station.level.shape.volume_l(station.level.fill_m)
    assert station.limits.fill_max_s >= 1.99 * full_l / (values["delivers"] / 60)
    _holds_hub_and_page(plan, typed)


def _holds_rating(plan: BridgePlan, sound: Sound) -> None:
    cartridge, rating = plan.stations[0].cartridge, sound.values.get("rating")
    if rating is None:
        assert cartridge is None
        return
    assert cartridge is not None
    assert cartridge.kind.value == sound.typed["purifier"]
    if sound.typed["purifier"] == "membrane":
        assert cartridge.rejection_percent == pytest.approx(rating, rel=SIX_DIGITS)
    elif "rating_of" in sound.values:
        # A ppm is a milligram in a litre.
        assert cartridge.rated_g == pytest.approx(
            rating * sound.values["rating_of"] / 1000, rel=2 * SIX_DIGITS
        )
    else:
        assert cartridge.rated_g == pytest.approx(rating, rel=SIX_DIGITS)


def _holds_hub_and_page(plan: BridgePlan, typed: Mapping[str, str]) -> None:
    if typed["broker"] == "none":
        assert plan.hub is None
    else:
        assert plan.hub is not None
        broker, encrypted = plan.hub.broker, typed["broker_encryption"] != "no"
        host, _, port = typed["broker"].partition(":")
        assert (broker.host, broker.port) == (host, int(port or (8883 if encrypted else 1883)))
        assert (broker.tls is not None) == encrypted
        if typed["broker_encryption"].startswith("/"):
            assert broker.tls is not None
            assert broker.tls.ca_file == Path(typed["broker_encryption"])
    hosts = {"no": None, "this-machine": "127.0.0.1", "home-network": "0.0.0.0"}
    assert (None if plan.page is None else plan.page.host) == hosts[typed["page"]]
    us = typed["units"] == "us"
    assert plan.display.volume.value == ("US gal" if us else "L")
    assert plan.display.temperature.value == ("°F" if us else "°C")


SIZES = {
    "upright-cylinder": ("diameter", "height"),
    "tapered-barrel": ("bottom_diameter", "top_diameter", "height"),
    "horizontal-cylinder": ("diameter", "length"),
    "box": ("length", "width", "height"),
}


def _shape_of(shape: shapes.Shape) -> tuple[str, list[float]]:
    match shape:
        case shapes.UprightCylinder():
            return "upright-cylinder", [shape.diameter_m, shape.height_m]
        case shapes.TaperedBarrel():
            return "tapered-barrel", [shape.bottom_diameter_m, shape.top_diameter_m, shape.height_m]
        case shapes.HorizontalCylinder():
            return "horizontal-cylinder", [shape.diameter_m, shape.length_m]
        case shapes.Box():
            return "box", [shape.length_m, shape.width_m, shape.height_m]
    raise AssertionError(shape)


@pytest.mark.parametrize(
    ("typed", "metres"),
    [("58", 0.58), ("58 cm", 0.58), ("22 1/2 in", 0.5715), ("22-1/2 inches", 0.5715), ('23"', 0.5842),
     ("3/4 ft", 0.2286), ("0.58m", 0.58), (".58 M", 0.58)],
)  # fmt: skip
def test_a_length_is_accepted_as_read_from_a_tape_measure(
    setup: Setup, tmp_path: Path, typed: str, metres: float
) -> None:
    file, out = tmp_path / "answers.toml", tmp_path / "clearwell.toml"
    file.write_text(as_toml({**GOOD, "diameter": typed}))
    assert setup("--answers", file, "--out", out)[0] == 0
    assert tomllib.loads(out.read_text())["reservoir"]["barrel"]["shape"]["diameter_m"] == pytest.approx(
        metres
    )


def test_a_length_without_a_unit_is_in_inches_for_a_user_of_inches(setup: Setup, tmp_path: Path) -> None:
    file, out = tmp_path / "answers.toml", tmp_path / "clearwell.toml"
    file.write_text(as_toml({**GOOD, "units": "us"}).replace('diameter = "58 cm"', "diameter = 23"))
    assert setup("--answers", file, "--out", out)[0] == 0
    assert tomllib.loads(out.read_text())["reservoir"]["barrel"]["shape"]["diameter_m"] == 0.5842


# --- the file and the next steps ------------------------------------------------------------------------


def test_the_template_is_a_valid_file_of_answers(setup: Setup, tmp_path: Path) -> None:
    status, template, _ = setup("--template")
    assert status == 0
    file, out = tmp_path / "answers.toml", tmp_path / "clearwell.toml"
    file.write_text(template, "utf-8")
    assert setup("--answers", file, "--out", out)[0] == 0
    assert len(read(out, {}).plan.stations) == 1


def test_the_file_has_the_cautions_and_marks_the_assumed_readings(setup: Setup, tmp_path: Path) -> None:
    file, out = tmp_path / "answers.toml", tmp_path / "clearwell.toml"
    file.write_text(as_toml(GOOD))
    printed = " ".join(setup("--answers", file, "--out", out)[1].split())
    written = " ".join(out.read_text().replace("#", " ").split())
    for words in (
        "Anything on the mains is work for a licensed electrician",
        "an air gap, or the device that the local plumbing code asks for",
        "fit an overflow pipe to a drain. One valve and one float are not a safety system",
        "never shows that water is safe to drink",
        "The two fractions are a guess",
    ):
        assert words in written
    assert "Measure the level sensor's two fractions" in printed
    assert f"clearwell check {out}" in printed
    assert "Shut the hand valve before the purifier" in printed
    file.write_text(as_toml({**GOOD, "sensor_low_reads": "0.07"}))
    printed = " ".join(setup("--answers", file, "--out", out, "--force")[1].split())
    assert "Measure the level sensor" not in printed
    assert "are a guess" not in out.read_text()


def test_no_question_requests_a_secret_and_the_next_steps_name_its_place(
    setup: Setup, tmp_path: Path
) -> None:
    file, out = tmp_path / "answers.toml", tmp_path / "clearwell.toml"
    file.write_text(as_toml({**GOOD, "broker_login": "yes", "page": "home-network"}))
    printed = " ".join(setup("--answers", file, "--out", out)[1].split())
    assert "hub_username and hub_password" in printed
    assert "CLEARWELL_PAGE__TOKEN" in printed
    assert not {"username", "password", "token"} & set(tomllib.loads(out.read_text())["hub"])


# --- an existing file is kept --------------------------------------------------------------------------


def test_a_file_is_replaced_only_with_force(setup: Setup, tmp_path: Path) -> None:
    file, out = tmp_path / "answers.toml", tmp_path / "clearwell.toml"
    file.write_text(as_toml(GOOD))
    out.write_text("mine")
    status, printed, err = setup("--answers", file, "--out", out)
    assert (status, printed) == (2, "")
    assert err == (
        f"clearwell: --out {out}: the file is there already; give another name, or --force to replace it\n"
    )
    assert out.read_text() == "mine"
    assert setup("--answers", file, "--out", out, "--force")[0] == 0
    assert "[reservoir.barrel]" in out.read_text()


@pytest.mark.parametrize(
    ("out", "says"), [("no/clearwell.toml", "there is no directory"), (".", "is a directory")]
)
def test_an_impossible_path_gives_one_sentence(setup: Setup, tmp_path: Path, out: str, says: str) -> None:
    file = tmp_path / "answers.toml"
    file.write_text(as_toml(GOOD))
    status, _, err = setup("--answers", file, "--out", tmp_path / out)
    assert status == 2
    assert says in err


@pytest.mark.parametrize("force", [[], ["--force"]])
@pytest.mark.parametrize("room_kib", [0, 1])
def test_a_full_disk_gives_one_sentence_and_changes_nothing(
    tmp_path: Path, room_kib: int, force: list[str]
) -> None:
    """A limit on the size of the process's files simulates the full disk."""
    file, out = tmp_path / "answers.toml", tmp_path / "clearwell.toml"
    file.write_text(as_toml(GOOD))
    if force:
        out.write_text("mine")
    before = {one: one.read_text() for one in tmp_path.iterdir()}
    done = subprocess.run(
        ["bash", "-c", f'ulimit -f {room_kib}; exec "$@"', "limited", sys.executable, "-m", "bridge", "setup",
         "--answers", str(file), "--out", str(out), *force],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1
    assert f"{out}: cannot be written (File too large), so nothing was changed" in done.stderr
    assert {one: one.read_text() for one in tmp_path.iterdir()} == before


# --- mistakes --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("diameter = '58 ells'", "'ells' is not a unit of length; it must be one of m, cm, mm, in, ft"),
        ("diameter = '58,5 cm'", "write a decimal point"),
        ("diameter = 'wide'", "is not a number; write one such as '58 cm'"),
        ("diameter = '58 m'", "an inside dimension must be from 5 cm to 1000 cm"),
        ("diameter = '-58 cm'", "an inside dimension must be from 5 cm to 1000 cm"),
        ("diameter = '1/0 in'", "divides by zero"),
        ("diameter = ''", "the answer is empty"),
        ("diameter = [58]", "write a text in quotation marks or a number"),
        ("diameter = nan", "write a text in quotation marks or a number"),
        ("width = '30 cm'", "is not asked beside the other answers; leave it out"),
        ("hight = '76 cm'", "is not one of the questions; did you mean 'height'?"),
        ("units = 'imperial'", "must be one of metric, us"),
        ("shape = 'barrel'", "must be one of upright-cylinder, tapered-barrel, horizontal-cylinder, box"),
        ("name = '!'", "must have a plain letter or digit"),
        ("sensor_high = '80 cm'", "is 80 cm; beside the other answers it must be from 5.5 cm to 76 cm"),
        ("end_at = '30 cm'", "is 30 cm; beside the other answers it must be from 38.5 cm to 73.5 cm"),
        ("start_at = '3 cm'", "beside the other answers it must be from 4.5 cm"),
        ("sensor_high_reads = 0.05", "must differ from sensor_low_reads = 0.05"),
        ("sensor_low_reads = 5", "must be from 0.01 to 0.99"),
        ("overflow_float = 'maybe'", "must be yes or no"),
        ("purifier = 'filter'", "must be one of exchange, membrane, distiller"),
        ("rating = '1200'", "the unit is missing; write litres or grams"),
        ("rating = '1200 pints'", "'pints' is not a unit of volume or mass"),
        ("rating_of = '250 dH'", "'dH' is not a unit of dissolved solids"),
        ("delivers = 2", "the unit is missing; write it, such as '2 L/min'"),
        ("delivers = '2000 L/min'", "must be from 0.001 to 100 L/min"),
        ("feed = 'tap'", "is not a number; write one such as '320 ppm', or 'cell' or 'unknown'"),
        ("product_cell = 0", "must be from 0.001 to 100 cm⁻¹"),
        ("pulses = 0.3", "must be from 1 to 100000 per L; without a flow sensor, write 'none'"),
        ("port = 'COM3'", "must be the path of a device, such as '/dev/serial/by-id/"),
        ("broker = 'mqtt://localhost'", "must be a name or an address without 'mqtt://'"),
        ("broker = 'localhost:99999'", "must be a port from 1 to 65535"),
        ("broker_encryption = 'maybe'", "must be yes, no, or the path of the authority's certificate"),
        ("page = 'everywhere'", "must be one of no, this-machine, home-network"),
    ],
)  # fmt: skip
def test_a_typed_mistake_gives_one_sentence_with_key_value_and_right_form(
    setup: Setup, tmp_path: Path, line: str, says: str
) -> None:
    key, _, value = line.partition(" = ")
    file, out = tmp_path / "answers.toml", tmp_path / "clearwell.toml"
    others = {one: text for one, text in GOOD.items() if one != key}
    file.write_text(f"{as_toml(others)}{line}\n")
    status, printed, err = setup("--answers", file, "--out", out)
    assert (status, printed) == (2, "")
    assert len(err.splitlines()) == 1
    assert err.startswith(f"clearwell: {file}: {key}")
    assert value.strip("'") in err or key == "hight"
    assert says in err
    assert not out.exists()


@pytest.mark.parametrize(
    "key",
    ["shape", "diameter", "height", "level", "sensor_low", "end_at", "overflow_float", "purifier",
     "rating_of", "delivers", "product_cell", "port", "broker"],
)  # fmt: skip
def test_a_missing_answer_gives_one_sentence_with_an_example(setup: Setup, tmp_path: Path, key: str) -> None:
    file, out = tmp_path / "answers.toml", tmp_path / "clearwell.toml"
    file.write_text(as_toml({one: text for one, text in GOOD.items() if one != key}))
    status, printed, err = setup("--answers", file, "--out", out)
    assert (status, printed) == (2, "")
    assert re.fullmatch(
        rf"clearwell: {file}: {key}: the answer is missing; write one such as {key} = \".+\".*\n", err
    )
    assert not out.exists()


@pytest.mark.parametrize(
    ("content", "says"),
    [(None, "cannot be read"), (b"\xff\xfe", "is not a text in UTF-8"), (b"shape = box", "is not TOML")],
)
def test_an_unreadable_file_of_answers_gives_one_sentence(
    setup: Setup, tmp_path: Path, content: bytes | None, says: str
) -> None:
    file = tmp_path / "answers.toml"
    if content is not None:
        file.write_bytes(content)
    status, _, err = setup("--answers", file, "--out", tmp_path / "clearwell.toml")
    assert status == 2
    assert len(err.splitlines()) == 1
    assert str(file) in err
    assert says in err


SIGNS = st.text(st.one_of(st.sampled_from("0123456789., -+/:'\"[]%cmingpLusx"), st.characters()), max_size=30)


ANY_KEY = st.sampled_from(sorted({*GOOD, "pulses", "feed", "broker_encryption", "page"}))


@settings(max_examples=200)
@given(key=ANY_KEY, text=SIGNS)
def test_any_input_is_refused_in_one_sentence_or_gives_a_right_file(key: str, text: str) -> None:
    refusal, answers = "", None
    try:
        answers = from_values({**GOOD, key: text})
    except InputError as error:
        refusal = str(error)
    if answers is None:
        # A later answer can become invalid, such as a depth in a lower barrel.
        assert re.fullmatch(r"\w+(:| = '.*':| = \".*\":) \S.*", refusal)
        return
    with TemporaryDirectory() as directory:
        file = Path(directory) / "clearwell.toml"
        file.write_text(configuration(answers), "utf-8")
        assert len(read(file, {}).plan.stations) == 1


# --- at the terminal -------------------------------------------------------------------------------------

PROMPT = re.compile(r"^   (\w+)(?: \[[^\]]*\])?: $")
TYPED = {
    "units": ["us"], "name": ["Bog butt"], "shape": ["7", "2"], "bottom_diameter": ["20 1/2"],
    "top_diameter": ["24 ells", "24"], "height": ["34\""], "level": ["switches"], "start_at": ["40 in", "12"],
    "end_at": ["30"], "overflow_float": ["y"], "purifier": ["membrane"], "rating": ["98"],
    "delivers": ["75 gpd"], "drain_valve": ["yes"], "feed": ["18 gpg"], "product_cell": ["0.1"],
    "pulses": [""], "port": ["/dev/ttyUSB0"], "broker": ["none"], "page": [""],
}  # fmt: skip


def typed_at_a_terminal(
    directory: Path, answers: Mapping[str, list[str]], before: Callable[[str], None] = lambda _: None
) -> tuple[int, str]:
    """Answers every question in a terminal of 80 columns and 24 rows. Returns exit status and output."""
    left = {key: list(texts) for key, texts in answers.items()}
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-m", "bridge", "setup"],
        stdin=theirs, stdout=theirs, stderr=theirs, env={**os.environ, "TERM": "xterm"}, cwd=directory,
    )  # fmt: skip
    os.close(theirs)
    shown = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:
            # Linux reports the far end of a pseudo-terminal as closed by EIO.
            break
        if not piece:
            break
        shown += piece
        prompt = PROMPT.match(shown.decode(errors="ignore").replace("\r", "").rsplit("\n", 1)[-1])
        if prompt is not None:
            before(prompt[1])
            os.write(ours, f"{left[prompt[1]].pop(0)}\n".encode())
    os.close(ours)
    assert not any(left.values())
    return process.wait(), shown.decode().replace("\r", "")


def test_a_newcomer_with_a_tape_measure_in_inches_gets_a_configuration(tmp_path: Path) -> None:
    out = tmp_path / "clearwell.toml"
    status, shown = typed_at_a_terminal(tmp_path, TYPED)
    assert status == 0
    words = " ".join(shown.split())
    assert "'24 ells': 'ells' is not a unit of length" in words
    assert "start_at = '40 in': is 40 in; beside the other answers it must be from" in words
    assert "shape = '7': must be one of upright-cylinder" in words
    assert "Brim-full it holds" in words
    assert "mains work is for a licensed electrician" in words
    assert max(len(line) for line in shown.splitlines()) <= 80
    screens = re.split(r"(?m)^   \w+(?: \[[^\]]*\])?: .*$", shown)
    assert len(screens) == 1 + sum(map(len, TYPED.values()))
    assert max(len(screen.splitlines()) for screen in screens[:-1]) <= 24
    station = read(out, {}).plan.stations[0]
    assert isinstance(station.level.shape, shapes.TaperedBarrel)
    assert station.level.shape.bottom_diameter_m == pytest.approx(20.5 * 0.0254)
    # A truncated cone: pi h (D² + D d + d²) / 12, by geometry.
    d, top, h = 20.5 * 0.0254, 24 * 0.0254, 34 * 0.0254
    assert station.level.shape.capacity_l == pytest.approx(
        1000 * math.pi * h * (top**2 + top * d + d**2) / 12
    )
    assert CliRunner().invoke(check, [str(out)]).exit_code == 0


def test_a_file_created_during_the_questions_is_kept(tmp_path: Path) -> None:
    out = tmp_path / "clearwell.toml"
    status, shown = typed_at_a_terminal(tmp_path, TYPED, lambda key: _put(out) if key == "page" else None)
    assert status == 2
    assert "the file is there already" in shown
    assert out.read_text() == "mine"


def _put(out: Path) -> None:
    out.write_text("mine")


# --- search on this machine ---------------------------------------------------------------------------


@pytest.fixture
def by_id(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A directory with one serial port, instead of the machine's own directory."""
    directory = tmp_path / "by-id"
    directory.mkdir()
    (directory / "usb-controller-if00").symlink_to("../ttyUSB0")
    monkeypatch.setattr(setup_command, "BY_ID", directory)
    return directory


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Awaitable[list[FoundBroker]]]:
    """Searches ports of the test: ``await found((port, encrypted), ...)``."""

    async def look_at(*ports: tuple[int, bool]) -> list[FoundBroker]:
        monkeypatch.setattr(setup_command, "HOST", "127.0.0.1")
        monkeypatch.setattr(setup_command, "PORTS", ports)
        return await asyncio.to_thread(setup_command.find_brokers)

    return look_at


Found = Callable[..., Awaitable[list[FoundBroker]]]


def test_serial_ports_have_their_permanent_names(by_id: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (by_id / "usb-another-if00").symlink_to("../ttyACM0")
    assert setup_command.serial_ports() == [
        str(by_id / "usb-another-if00"),
        str(by_id / "usb-controller-if00"),
    ]
    monkeypatch.setattr(setup_command, "BY_ID", by_id / "missing")
    assert setup_command.serial_ports() == []


async def test_a_broker_without_accounts_is_found(broker: AnyBroker, found: Found) -> None:
    assert await found((broker.port, False), (free_port(), False)) == [
        FoundBroker(broker.host, broker.port, encrypted=False, needs_login=False)
    ]


async def test_a_broker_with_accounts_is_found_and_offered_with_the_port_of_the_controller(
    mosquitto: Mosquitto, passwords: Path, found: Found, by_id: Path, tmp_path: Path
) -> None:
    await mosquitto.stop()
    mosquitto.settings = ("allow_anonymous false", f"password_file {passwords}")
    await mosquitto.start()
    there = FoundBroker(mosquitto.host, mosquitto.port, encrypted=False, needs_login=True)
    assert await found((mosquitto.port, False)) == [there]

    out = tmp_path / "clearwell.toml"
    enter = ""
    # Answers up to the cell. Enter then accepts no flow sensor, the found port and broker, the login that the
    # broker needs, no encryption and no page.
    typed = [
        enter,
        enter,
        "1",
        "58",
        "76",
        "1",
        "4",
        "74",
        enter,
        enter,
        "38",
        "68",
        "y",
        "3",
        enter,
        "3 L/h",
    ]
    typed += [enter, enter, "0.1", *6 * [enter], ""]
    result = await asyncio.to_thread(
        CliRunner().invoke, cli.entry, ["setup", "--out", str(out)], input="\n".join(typed)
    )
    assert result.exit_code == 0, result.output
    assert "hub_username and hub_password" in " ".join(result.output.split())
    plan = read(out, {}).plan
    assert plan.stations[0].port == str(by_id / "usb-controller-if00")
    assert plan.hub is not None
    assert (plan.hub.broker.host, plan.hub.broker.port) == (mosquitto.host, mosquitto.port)


async def test_an_encrypted_broker_is_found(mosquitto: Mosquitto, certificates: Path, found: Found) -> None:
    await mosquitto.stop()
    mosquitto.settings = (
        "allow_anonymous true",
        f"cafile {certificates}/ca.pem",
        f"certfile {certificates}/broker.pem",
        f"keyfile {certificates}/broker.key",
    )
    await mosquitto.start()
    assert await found((mosquitto.port, True), (mosquitto.port, False)) == [
        FoundBroker(mosquitto.host, mosquitto.port, encrypted=True, needs_login=False)
    ]


async def test_a_server_that_is_no_broker_is_not_reported_as_one(found: Found) -> None:
    async def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 mail.example.net ready\r\n")
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(greet, "127.0.0.1", 0)
    async with server:
        assert await found((server.sockets[0].getsockname()[1], False)) == []
