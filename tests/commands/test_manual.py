"""The manual is true: its tables are the program's, and its commands run."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.commands import main as cli
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, Permissive, Trip
from bridge.mqtt.properties import PROPERTIES

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _rows(heading: str) -> dict[str, list[str]]:
    """The table under a heading, by the first cell without its back-ticks."""
    section = README.split(f"\n## {heading}\n", 1)[1].split("\n## ", 1)[0]
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")] for line in section.splitlines() if "|" in line
    ]
    return {row[0].strip("`"): row[1:] for row in rows if row[0].startswith("`")}


def test_every_fault_stands_in_the_manual_with_the_programs_own_sentences() -> None:
    assert set(FAULTS) == {*Trip, *Advisory}
    written = _rows("Faults")
    assert written == {alarm.value: [fault.what, fault.did, fault.next] for alarm, fault in FAULTS.items()}


def test_every_topic_stands_in_the_manual() -> None:
    written = {
        node: set(re.findall(r"\*{0,2}`[a-z-]+`\*{0,2}", row[0])) for node, row in _rows("Topics").items()
    }
    there: dict[str, set[str]] = {}
    for row in PROPERTIES:
        there.setdefault(row.node, set()).add(f"**`{row.id}`**" if row.settable else f"`{row.id}`")
    assert written == there


def test_every_permissive_stands_in_the_manual() -> None:
    section = README.split("\n## What decides over the valve\n", 1)[1].split("\n## ", 1)[0]
    assert {permissive.value for permissive in Permissive} <= set(re.findall(r"`([a-z-]+)`", section))


def test_every_command_stands_in_the_manual() -> None:
    section = README.split("\n## Commands\n", 1)[1].split("\n## ", 1)[0]
    assert set(re.findall(r"^\| `clearwell (\w+)", section, re.MULTILINE)) == set(cli.COMMANDS)


@pytest.mark.parametrize("name", list(cli.COMMANDS))
def test_every_command_explains_itself(name: str) -> None:
    done = _clearwell([name, "--help"])
    assert done.returncode == 0
    assert "Usage:" in done.stdout


@pytest.mark.parametrize(
    "line", re.findall(r"<!-- run: \w+ -->\n```sh\n(clearwell .*?)\n```", README, re.DOTALL)
)
def test_the_commands_in_the_manual_run(line: str) -> None:
    done = _clearwell(shlex.split(line)[1:])
    assert done.returncode == 0, done.stderr
    assert done.stdout


def test_ci_runs_the_manuals_own_second_line() -> None:
    two = re.findall(r"```sh\n(python3 -m venv \.venv .*?)\n```", README)
    assert len(two) == 2
    assert two[1] in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_links_in_the_manuals_lead_somewhere() -> None:
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md"):
        for target in re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text(encoding="utf-8")):
            assert target.startswith("https://") or (ROOT / target).exists(), f"{page.name} links to {target}"


def test_the_cautions_stand_in_the_manual() -> None:
    section = README.split("\n## Cautions\n", 1)[1].split("\n## ", 1)[0]
    for word in (
        "Low voltage only",
        "licensed electrician",
        "air gap",
        "overflow",
        "local plumbing code",
        "drink",
    ):
        assert word in section


def _clearwell(arguments: list[str]) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "bridge", *arguments],
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "80"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_fault_table_names_every_trip_and_tests_that_exist() -> None:
    page = (ROOT / "firmware_notes" / "faults.md").read_text(encoding="utf-8")
    assert {trip.value for trip in Trip} <= set(re.findall(r"`([a-z-]+)`", page))
    shown = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", page)
    assert len(shown) > 20
    for file, function in shown:
        text = (ROOT / file).read_text(encoding="utf-8")
        assert f"def {function}(" in text if function else "def test_" in text, f"{file} has no {function}"
