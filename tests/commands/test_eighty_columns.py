"""On a terminal of 80 columns no line of a command is too long, and no word is broken."""

import re
import shlex
import shutil
from pathlib import Path

import pytest

from bridge.commands.help import PAGES
from bridge.commands.main import COMMANDS
from bridge.display.text import width
from tests.history.conftest import write_days
from tests.running import on_terminal, succeeds

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "config"
GARDEN = """
[purifier.pitcher]
feed_ppm = 200
[purifier.pitcher.cartridge]
kind = "exchange"
takes_up = "16 g"
price = 15
[shelf.jugs]
price_per_l = 0.5
[meter.pen]
shows = "us/cm"
resolution = 0.1
percent_of_reading = 2
[tray.south]
area_m2 = 0.5
pots = 12
fed_from = "barrel"
[weather]
latitude_deg = 47
"""

SHOWN = [
    *(f"check {CONFIG / name}" for name in ("minimal.toml", "polytunnel.toml", "membrane-with-drain.toml")),
    f"check {CONFIG / 'modbus-transmitters.toml'}",
    f"check {CONFIG / 'announcements-example.toml'}",
    f"doctor {CONFIG / 'minimal.toml'}",
    f"sources --config {CONFIG / 'sources.toml'} --all",
    "sources --feed 300 --need 2000 --water-price 4 --energy-price 0.3",
    "sample --ppm 30 --of product",
    "sample --conductivity 31.5 --temperature 14 --of feed",
    "simulate --years 0.002 --seed 1 --faults --jobs 1",
    "setup --template",
    "manual",
    *(f"manual {page}" for page in PAGES),
    f"run --config {CONFIG / 'sources.toml'}",
    "log --log missing.db",
    "backup --log missing.db --out there/copy.db",
    "acknowledge",
    f"round --config {CONFIG / 'minimal.toml'} --checklist put-to-bed",
    "watch g.toml --once",
    "demo --broker nowhere",
    "rig --pty here --fault cartridge",
    "collect g.toml --to nowhere.txt",
    *(
        f"{act} --config g.toml"
        for act in ("reset", "hold", "release", "fill", "cartridge", "shelve overflow")
    ),
    # With a log of two days and entries by hand.
    "doctor g.toml",
    "log --config g.toml --kind sample --kind litres --kind alarm",
    "log --config g.toml --kind banana",
    "forecast --config g.toml",
    "forecast --config g.toml --plot",
    "forecast --log clearwell.db",
    "sample --config g.toml --of jugs --litres 20 --ppm 8",
    "sample --config g.toml --of tray.south --meter pen --conductivity 40",
    "sample --config g.toml --of reservoir --meter-ppm 9 --meter-factor 0.7",
    "round --config g.toml",
    "round --config g.toml --done south --litres 6",
    "away 2030-07-01 2030-07-09 --config g.toml",
    "calendar g.toml --out c.ics --force",
    "report g.toml --out r.html --force",
    "export --config g.toml --out x.csv --format csv --force",
    "backup g.toml --out b.db --force",
    "restore missing.db g.toml",
    "calibrate --config g.toml",
    "commission --config g.toml",
]
"""Every command but completion, whose output is a program."""


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with a configuration, and a log with readings and entries."""
    place = tmp_path_factory.mktemp("garden")
    config = place / "g.toml"
    config.write_text((CONFIG / "minimal.toml").read_text("utf-8") + GARDEN, "utf-8")
    write_days(place / "clearwell.db", 2)
    for entry in (
        "--of pitcher --litres 4 --ppm 5 --at 2025-06-16T08:00Z",
        "--of pitcher --litres 4 --ppm 6",
        "--of jugs --litres 20 --ppm 8 --at 2025-06-16T08:00Z",
        "--of jugs --took 5",
    ):
        succeeds("sample", "--config", config, *shlex.split(entry))
    return place


def test_every_command_is_looked_at() -> None:
    assert {command.split()[0] for command in SHOWN} == set(COMMANDS) - {"completion"}


def lines_of(command: str, columns: int) -> list[str]:
    done = on_terminal(columns, *shlex.split(command))
    assert done.stdout or done.stderr
    # A progress bar draws over itself, and only slow work shows one.
    lines = [line.rpartition("\r")[2] for line in (done.stdout + done.stderr).split("\n")]
    return [line for line in lines if not re.search(r"\[[#-]+\] +\d+%", line)]


def words_of(lines: list[str]) -> list[str]:
    """The words, with a 0 for each number, because times and ages change from run to run."""
    return re.sub(r"\d+", "0", " ".join(lines)).split()


def too_long(command: str, lines: list[str]) -> list[str]:
    """The lines over 80 columns. Code and a single path stay whole, so that they can be copied."""
    page = PAGES[command.split()[1]].read_text("utf-8") if command.startswith("manual ") else ""
    return [
        line
        for line in lines
        if width(line) > 80 and len(line.split()) > 1 and f"\n{line.strip()}\n" not in page
    ]


@pytest.mark.parametrize("command", SHOWN)
def test_lines_fit_and_words_are_whole(
    command: str, garden: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = []
    for columns in (80, 100):
        # Each run has its own copy, because some commands add an entry.
        place = tmp_path / str(columns)
        shutil.copytree(garden, place)
        monkeypatch.chdir(place)
        shown.append(lines_of(command, columns))
    assert too_long(command, shown[0]) == []
    assert words_of(shown[0]) == words_of(shown[1])


@pytest.mark.parametrize("command", COMMANDS)
def test_help_fits_and_names_are_whole(command: str) -> None:
    lines = lines_of(f"{command} --help", 80)
    assert too_long("", lines) == []
    # An option or a file that is broken at its hyphen cannot be copied.
    assert [line for line in lines if re.search(r"\w-$", line)] == []
    assert not any("\\b" in line for line in lines), "a mark for the help's layout is shown"
