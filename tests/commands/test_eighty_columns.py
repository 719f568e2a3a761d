"""On a terminal of 80 columns no line of a command is too long, and no word is broken."""

import re
import shlex
from pathlib import Path

import pytest

from bridge.commands.main import COMMANDS
from bridge.commands.manual import PAGES
from bridge.display.text import width
from tests.running import on_terminal

ROOT = Path(__file__).parents[2]
CONFIG = ROOT / "config"

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
]


def lines_of(command: str, columns: int) -> list[str]:
    done = on_terminal(columns, *shlex.split(command))
    assert done.stdout or done.stderr
    # A progress bar draws over itself.
    return [line.rpartition("\r")[2] for line in (done.stdout + done.stderr).split("\n")]


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
def test_lines_fit_and_words_are_whole(command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    lines = lines_of(command, 80)
    assert too_long(command, lines) == []
    assert words_of(lines) == words_of(lines_of(command, 100))


@pytest.mark.parametrize("command", COMMANDS)
def test_help_fits(command: str) -> None:
    assert too_long("", lines_of(f"{command} --help", 80)) == []
