"""The report of the invented season that the manual makes: fills, samples, and a change of the cartridge."""

import re
import shlex
from pathlib import Path

import pytest

from tests.report.read import read
from tests.running import succeeds

MANUAL = Path(__file__).parents[2] / "bridge" / "manual" / "report.md"


@pytest.mark.slow
def test_the_commands_of_the_manual_make_the_report_of_a_season(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocks = re.findall(r"```sh\n(.*?)\n```", MANUAL.read_text("utf-8"), re.DOTALL)
    (season,) = [block for block in blocks if "simulate" in block]
    monkeypatch.chdir(tmp_path)
    # Five weeks take less time than the eight of the manual, and have the change of the cartridge too.
    for line in season.replace("--years 0.15", "--years 0.1").splitlines():
        succeeds(*shlex.split(line)[1:])
    page = read((tmp_path / "season.html").read_text("utf-8"))
    assert page.figures["fills"][0] >= 3
    assert page.figures["changed"] == [1]
    assert page.figures["sample-1/value"][0] > 0
    assert "Cartridge 2" in page.text
    assert "No sample was taken" not in page.text
