"""The benchmark runs. Its figures are judged elsewhere, on an idle machine."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.needs("mosquitto")
def test_the_benchmark_compares_the_bridge_with_the_script_and_writes_its_figures(tmp_path: Path) -> None:
    out = tmp_path / "figures.json"
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks", "--only", "trip", "--scale", "0.05", "--json", str(out)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    figures = json.loads(out.read_text())
    assert "load_average" in figures["about"]
    whats = {one["what"]: one for one in figures["results"]}
    assert [one["unit"] for one in figures["results"]] == ["x script", "x script", "ms", "x script"]
    assert all(one["value"] > 0.0 for one in figures["results"])
    assert "0 lost" in whats["bad frame to close, median, 50/s"]["note"], (
        "a bad frame was left without a close"
    )
    assert done.stdout.count("x script") == 3, "the table lacks a line"
