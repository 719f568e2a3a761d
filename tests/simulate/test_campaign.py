"""``clearwell simulate``: the real station against a simulated garden in virtual time."""

import json
import subprocess
import sys

import pytest


def _simulate(*arguments: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "bridge", "simulate", *arguments],
        capture_output=True, text=True, check=False, timeout=200,
    )  # fmt: skip


def test_weeks_without_faults_have_no_violation_and_no_trip() -> None:
    done = _simulate("--years", "0.1", "--seed", "11", "--json")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr
    told = json.loads(done.stdout)
    assert told["violations"] == []
    assert told["trips"] == {}
    assert told["let_in_l"] > 100


def test_weeks_with_faults_have_no_violation_and_are_the_same_on_one_core_and_on_two() -> None:
    options = ("--years", "0.04", "--reservoirs", "2", "--seed", "5", "--faults", "--json")
    one, two = _simulate(*options, "--jobs", "1"), _simulate(*options, "--jobs", "2")
    assert one.returncode == 0, one.stdout[-3000:] + one.stderr
    assert one.stdout == two.stdout
    told = json.loads(one.stdout)
    assert sum(told["trips"].values()) > 0, "faults at these rates, and not one trip"


@pytest.mark.parametrize("years", ["0", "-1", "nan", "many"])
def test_years_that_cannot_be_are_refused(years: str) -> None:
    done = _simulate("--years", years)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
