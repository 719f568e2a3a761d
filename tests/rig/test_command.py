"""``clearwell rig``: the true state as JSON lines, and refused options."""

import json
from pathlib import Path

import pytest

from tests.running import clearwell_process, started


def test_the_true_state_is_printed_as_json_lines_with_an_injected_fault(tmp_path: Path) -> None:
    pty = tmp_path / "controller"
    options = ["--pty", str(pty), "--speed", "50", "--level", "0.4", "--fault", "probe-dry@30", "--json"]
    with started("rig", *options) as rig:
        truths = map(json.loads, rig.lines())
        first = next(truths)
        assert pty.is_symlink()
        assert (first["path"], first["faults"]) == ("shut", [])
        assert first["volume_l"] == pytest.approx(80, abs=2)
        later = next(truth for truth in truths if truth["faults"])
        assert later["faults"] == ["probe-dry"]
        # The next report of the true state. On a busy machine it comes later, never earlier.
        assert later["time_s"] >= 30
        assert rig.stop() == 0
    assert not pty.is_symlink(), "the link to the terminal was left behind"


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--fault", "nonsense@3"], "probe-stuck"),
        (["--fault", "probe-dry@soon"], "probe-dry@soon"),
        (["--scenario", "moon"], "polytunnel"),
        (["--speed", "0"], "speed"),
        (["--level", "2"], "from 0 (empty) to 1"),
        (["--pty", "/nowhere/at/all"], "/nowhere/at/all"),
    ],
)
def test_a_wrong_option_is_named_with_the_right_form(tmp_path: Path, options: list[str], word: str) -> None:
    done = clearwell_process("rig", "--pty", tmp_path / "x", *options)
    assert done.status == 2
    assert word in done.stderr
    assert "Traceback" not in done.stderr
