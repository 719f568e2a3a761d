"""A newcomer's way: the README's lines in a fresh home, own answers to ``setup``, and the first fill."""

import json
import os
import re
import sys
from pathlib import Path

import pytest

from tests.install.conftest import ROOT
from tests.install.test_sequence import root_at
from tests.running import Running

README = (ROOT / "README.md").read_text("utf-8")
SHED = README.split("\n## A working shed in ten minutes\n", 1)[1].split("\n## ", 1)[0]
LINES = [line for block in re.findall(r"```sh\n(.*?)\n```", SHED, re.DOTALL) for line in block.splitlines()]
ANSWERS = {
    "units": "us", "name": "Butt", "shape": "tapered-barrel", "bottom_diameter": "20 1/2 in",
    "top_diameter": "24 in", "height": "34 in", "level": "switches", "start_at": "5 in", "end_at": "29 in",
    "overflow_float": "yes", "purifier": "membrane", "rating": "95 %", "delivers": "2 L/min",
    "drain_valve": "yes", "feed": "cell", "feed_cell": "1.0", "product_cell": "0.1", "pulses": "450 per L",
    "port": "/tmp/controller", "broker": "none", "page": "no",
}  # fmt: skip
"""A membrane, a tapered butt measured in inches, and two level switches: none of the examples."""
OTHER_WAYS = {
    "cp config/polytunnel.toml clearwell.toml": "the way without setup",
    "clearwell commission --config clearwell.toml": "somebody has to lift floats and time hoses",
}
"""Lines that this newcomer does not type."""
KEYS_A_MINUTE = 100
"""A slow typist, 20 words of five keys a minute. Dhakal et al., "Observations on Typing from 136 Million
Keystrokes" (CHI 2018), measured 52 words a minute on average."""


def typed_lines() -> list[str]:
    """Returns what the newcomer types at the shell, in order. The last line starts a simulated controller."""
    lines = [line for line in LINES if line not in OTHER_WAYS]
    assert len(lines) == len(LINES) - len(OTHER_WAYS)
    install, (rig, _) = lines[:-2], lines[-2:]
    return [*(line for line in install if not line.startswith("clearwell run")), rig, install[-1]]


def test_the_way_to_the_first_fill_is_typed_in_ten_minutes() -> None:
    keys = sum(len(line) + 1 for line in typed_lines()) + sum(len(text) + 1 for text in ANSWERS.values())
    assert typed_lines()[-1] == "clearwell run --config clearwell.toml"
    assert keys / KEYS_A_MINUTE < 10


@pytest.mark.slow
def test_the_lines_of_the_readme_lead_from_a_fresh_home_to_the_first_fill(tmp_path: Path) -> None:
    clone = root_at(tmp_path) / "clone"
    home, tools = tmp_path / "home", tmp_path / "tools"
    home.mkdir()
    tools.mkdir()
    # The tests' own Python, without the packages that the tests have.
    (tools / "python3").symlink_to(Path(sys.base_prefix) / "bin" / "python3")
    own = {**ANSWERS, "port": str(clone / "controller")}
    (clone / "answers.toml").write_text("".join(f"{key} = {json.dumps(text)}\n" for key, text in own.items()))
    script = "\n".join(typed_lines())
    for line, instead in (
        ("clearwell setup", "clearwell setup --answers answers.toml"),
        ("--pty /tmp/controller --speed 20 --level 0.45",
         "--pty ./controller --speed 20 --level 0.1 --scenario polytunnel-membrane"),
    ):  # fmt: skip
        assert script.count(line) == 1
        script = script.replace(line, instead)
    # How this machine reaches a package index is no part of the way.
    index = {key: text for key, text in os.environ.items() if re.match(r"PIP_|https?_proxy|SSL_", key, re.I)}
    fresh = {"HOME": str(home), "PATH": f"{tools}:/usr/bin:/bin", **index}
    clean = [f"{key}={text}" for key, text in fresh.items()]
    command = f"set -euo pipefail\ntrap 'kill 0' EXIT\n{script}\n"
    with Running("env", "-i", *clean, "bash", "-c", command, cwd=clone) as shell:
        assert "clearwell check accepts it" in shell.prints("clearwell check accepts it")
        shell.prints("clearwell.toml is right. This is what the daemon will do.")
        shell.prints("The rinse has ended; filling begins.")
        assert (home / ".local" / "bin" / "clearwell").resolve().is_relative_to(home)
        with Running("tail", "-n", "+1", "-F", clone / "truth.txt") as truth:
            truth.has_printed("valve fill")
