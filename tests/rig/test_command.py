"""``clearwell rig``: the truth as JSON lines, and refused options."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

COMMAND = [sys.executable, "-m", "bridge", "rig"]


def test_the_truth_comes_as_json_lines_and_an_injected_fault_stands_in_it(tmp_path: Path) -> None:
    pty = tmp_path / "controller"
    options = ["--pty", str(pty), "--speed", "50", "--level", "0.4", "--fault", "probe-dry@30", "--json"]
    with subprocess.Popen([*COMMAND, *options], stdout=subprocess.PIPE, text=True) as rig:
        assert rig.stdout is not None
        try:
            first = json.loads(rig.stdout.readline())
            assert pty.is_symlink()
            assert (first["path"], first["faults"]) == ("shut", [])
            assert first["volume_l"] == pytest.approx(80, abs=2)
            later = next(truth for truth in map(json.loads, rig.stdout) if truth["faults"])
            assert later["faults"] == ["probe-dry"]
            assert 30 <= later["time_s"] < 90
        finally:
            rig.terminate()
        assert rig.wait(10) == 0
    assert not pty.is_symlink(), "the link to the terminal was left behind"


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--fault", "nonsense@3"], "probe-stuck"),
        (["--fault", "probe-dry@soon"], "probe-dry@soon"),
        (["--scenario", "moon"], "polytunnel"),
        (["--speed", "0"], "speed"),
        (["--level", "2"], "0 to 1"),
        (["--pty", "/nowhere/at/all"], "/nowhere/at/all"),
    ],
)
def test_a_wrong_option_is_named_with_what_would_be_right(
    tmp_path: Path, options: list[str], word: str
) -> None:
    done = subprocess.run(
        [*COMMAND, "--pty", str(tmp_path / "x"), *options],
        capture_output=True, text=True, check=False, timeout=20,
    )  # fmt: skip
    assert done.returncode == 2
    assert word in done.stderr
    assert "Traceback" not in done.stderr
