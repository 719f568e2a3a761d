"""A campaign that keeps its outcomes in a file goes on where it stopped, with the same verdicts."""

from pathlib import Path

import pytest

from bridge.errors import InputError
from bridge.simulate import kept
from bridge.simulate.campaign import tasks_of
from bridge.simulate.kept import Kept, Manifest, run_into
from bridge.simulate.outcome import Outcome, Task, as_json, summed
from bridge.simulate.year import simulate

MANIFEST = Manifest("1.0", "abc", 5, faults=True, station_only=True)
TASKS = tasks_of(0.0008, 5, faults=True, reservoirs=3, station_only=True)


def verdict(found: Kept) -> str:
    return as_json(summed(5, 3, 0.0008, list(found.outcomes.values())))


@pytest.fixture(scope="module")
def at_once(tmp_path_factory: pytest.TempPathFactory) -> str:
    return verdict(run_into(tmp_path_factory.mktemp("once") / "kept", MANIFEST, TASKS, jobs=1))


def test_a_campaign_that_was_interrupted_runs_only_what_is_missing(
    tmp_path: Path, at_once: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "kept"
    run_into(path, MANIFEST, TASKS[:2], jobs=1)
    with path.open("ab") as file:
        file.write(b'{"task":{"seed":"5/2/0","gar')
    ran: list[str] = []

    def counted(task: Task) -> Outcome:
        ran.append(task.seed)
        return simulate(task)

    monkeypatch.setattr(kept, "simulate", counted)
    assert verdict(run_into(path, MANIFEST, TASKS, jobs=1)) == at_once
    assert verdict(run_into(path, MANIFEST, TASKS, jobs=1)) == at_once
    assert ran == ["5/2/0"]


def test_the_number_of_processes_changes_no_verdict(tmp_path: Path, at_once: str) -> None:
    assert verdict(run_into(tmp_path / "kept", MANIFEST, TASKS, jobs=2)) == at_once


def test_the_manifest_names_version_commit_seed_and_years(tmp_path: Path) -> None:
    found = run_into(tmp_path / "kept", MANIFEST, TASKS[:1], jobs=1)
    assert found.sentence == "Version 1.0, commit abc, seed 5: 1 half-years, 0.0008 reservoir-years."


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("not a campaign", "is not one of a campaign"),
        ("[1, 2]\n", "is not one of a campaign"),
        ('{"version":"1.0","commit":"old","seed":5,"faults":true,"station_only":true}\n', "another campaign"),
    ],
)
def test_a_file_of_something_else_is_refused_and_left_as_it_is(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "kept"
    path.write_text(text)
    with pytest.raises(InputError, match=told):
        run_into(path, MANIFEST, TASKS, jobs=1)
    assert path.read_text() == text
