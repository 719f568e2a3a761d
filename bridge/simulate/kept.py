"""Keeps the outcomes of a campaign in a file, so that a campaign can stop and go on over many evenings.

The file has one line of JSON for the manifest (version, commit, seed, kind of campaign), then one line for
each task. A line that was cut short by a crash is removed, and its task runs again. A task, such as a
half-year, determines its outcome, so neither the number of processes nor the interruptions change it.
"""

import json
import os
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TypeVar

from pydantic import TypeAdapter, ValidationError

from bridge.errors import InputError
from bridge.simulate.campaign import DAYS_A_YEAR, spread
from bridge.simulate.outcome import Outcome, Task
from bridge.simulate.year import simulate

_OUTCOME = TypeAdapter(Outcome)
Given = TypeVar("Given")
Found = TypeVar("Found")


@dataclass(frozen=True, slots=True)
class Manifest:
    """What every outcome of a file has in common."""

    version: str
    commit: str
    """The commit of the code; ``unknown`` outside a repository."""
    seed: int
    faults: bool
    station_only: bool
    kind: str = "years"
    """The kind of the tasks."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The outcomes of one file."""

    manifest: Manifest
    outcomes: dict[Task, Outcome]

    @property
    def sentence(self) -> str:
        """The manifest in words, with the seeds and the years that the file has."""
        days = sum(task.days for task in self.outcomes)
        one = self.manifest
        return (
            f"Version {one.version}, commit {one.commit}, seed {one.seed}: {len(self.outcomes)} half-years, "
            f"{days / DAYS_A_YEAR:g} reservoir-years."
        )


def run_into(
    path: Path,
    manifest: Manifest,
    tasks: Sequence[Task],
    jobs: int | None = None,
    on_done: Callable[[Outcome], None] | None = None,
    executor: str | None = None,
) -> Kept:
    """Run the tasks that the file does not have yet, and add each outcome to it when its task ends.

    Args:
        path: The file; it is made if it does not exist.
        manifest: The manifest of this campaign.
        tasks: All tasks.
        jobs: The number of parallel processes. Without it, one process runs on each core.
        on_done: Receives each new outcome, in any order.
        executor: The cluster that runs the tasks, as ``dask://HOST:PORT``; None for this machine.

    Returns:
        The outcomes of these tasks, in their order.

    Raises:
        InputError: The file cannot be read or written, or it belongs to another campaign.
    """
    outcomes = run_kept(
        path, manifest, tasks, simulate, (_OUTCOME, lambda outcome: outcome.task), jobs, on_done, executor
    )
    return Kept(manifest, outcomes)


def run_kept(
    path: Path,
    manifest: Manifest,
    tasks: Sequence[Given],
    work: Callable[[Given], Found],
    lines: tuple[TypeAdapter[Found], Callable[[Found], Given]],
    jobs: int | None = None,
    on_done: Callable[[Found], None] | None = None,
    executor: str | None = None,
) -> dict[Given, Found]:
    """Run the tasks of any kind that the file does not have yet, and add each result to it.

    Args:
        path: The file; it is made if it does not exist.
        manifest: The manifest of this campaign.
        tasks: All tasks.
        work: Runs one task; a function of a module.
        lines: The type of the results, and the function that returns the task of a result.
        jobs: The number of parallel processes. Without it, one process runs on each core.
        on_done: Receives each new result, in any order.
        executor: The cluster that runs the tasks, as ``dask://HOST:PORT``; None for this machine.

    Returns:
        The results of these tasks, in their order.

    Raises:
        InputError: The file cannot be read or written, or it belongs to another campaign.
    """
    adapter, task_of = lines
    have = {task_of(found): found for found in _read(path, manifest, adapter)}
    left = [task for task in tasks if task not in have]
    try:
        with path.open("ab") as file:
            if file.tell() == 0:
                _append(file.fileno(), json.dumps(asdict(manifest)).encode())
            for _, found in spread(work, left, jobs, executor):
                _append(file.fileno(), adapter.dump_json(found))
                have[task_of(found)] = found
                if on_done is not None:
                    on_done(found)
    except OSError as error:
        raise InputError(f"--into {path}: {error.strerror or error}") from error
    return {task: have[task] for task in tasks}


def _append(descriptor: int, line: bytes) -> None:
    os.write(descriptor, line + b"\n")
    os.fsync(descriptor)


def _read(path: Path, manifest: Manifest, adapter: TypeAdapter[Found]) -> list[Found]:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise InputError(f"--into {path}: {error.strerror or error}") from error
    whole, _, torn = data.rpartition(b"\n")
    lines = whole.splitlines()
    try:
        if not data:
            return []
        found = Manifest(**json.loads(lines[0] if lines else data))
        results = [adapter.validate_json(line) for line in lines[1:]]
    except (ValueError, TypeError, ValidationError) as error:
        raise InputError(f"--into {path}: the file is not one of a campaign; give a new name") from error
    if found != manifest:
        raise InputError(
            f"--into {path}: the file has another campaign ({_words(found)}), and this one is "
            f"{_words(manifest)}; give a new name"
        )
    if torn:
        # Only the last line can be incomplete, because each line is written before the next one.
        os.truncate(path, len(data) - len(torn))
    return results


def _words(manifest: Manifest) -> str:
    return ", ".join(f"{name} {value}" for name, value in asdict(manifest).items())
