"""``clearwell simulate`` runs a campaign from the terminal."""

import json
import sys

import pytest

from bridge.commands import main as cli
from bridge.simulate import year
from bridge.simulate.checks import Checks


def entered(monkeypatch: pytest.MonkeyPatch, *words: str) -> object:
    """Run a command line and return its exit status."""
    monkeypatch.setattr(sys, "argv", ["clearwell", "simulate", *words])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    return ended.value.code


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "--years"),
        (("--years", "many"), "many"),
        (("--years", "1", "--singles"), "--years does not go with"),
        (("--years", "1", "--with", "drain-valve"), "--with needs --singles"),
        (("--years", "0.001", "--executor", "barn:8786"), "the form is dask://HOST:PORT"),
        (("--years", "0.001", "--executor", "dask://127.0.0.1:1"), "no scheduler answers there"),
        (("--singles", "--with", "gold-tap"), "'gold-tap' is not an option"),
        (("--years", "0"), "must be above 0"),
        (("--years", "1", "--reservoirs", "0"), "must be from 1"),
        (("--years", "1", "--jobs", "0"), "jobs"),
        (("--years", "1", "--colour"), "--colour"),
        (("--years", "0.001", "--log", "/nowhere/at/all"), "no directory"),
    ],
)
def test_a_wrong_option_is_refused_with_status_2(
    words: tuple[str, ...], told: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert entered(monkeypatch, *words) == 2
    shown = capsys.readouterr()
    assert told in shown.err
    assert "Traceback" not in shown.err


def test_a_quiet_day_ends_with_status_0(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert entered(monkeypatch, "--years", "0.002", "--jobs", "1") == 0
    assert "No violation." in capsys.readouterr().out


def test_a_violation_ends_with_status_1_and_says_where(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Alarmed(Checks):
        def passed(self, *words: object) -> None:
            super().passed(*words)  # type: ignore[arg-type]
            if self._outcome.steps == 3:
                self.violated("the third step is forbidden")

    monkeypatch.setattr(year, "Checks", Alarmed)
    assert entered(monkeypatch, "--years", "0.002", "--seed", "9", "--jobs", "1", "--json") == 1
    violations = json.loads(capsys.readouterr().out)["violations"]
    assert [(one["seed"], one["step"], one["sentence"]) for one in violations] == [
        ("9/0/0", 3, "the third step is forbidden")
    ]
