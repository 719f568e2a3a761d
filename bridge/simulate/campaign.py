"""Runs many reservoir-years on all cores or machines, and returns the outcomes in the order of the tasks.

A task is one reservoir for at most half a year. Each task has its own seed, so the outcomes do not depend on
the number of processes, or on the order in which the tasks end.
"""

import gc
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from typing import TypeVar

from bridge.errors import InputError, OutOfRangeError
from bridge.simulate.gardens import NAMES
from bridge.simulate.outcome import Outcome, Task
from bridge.simulate.promises import Promises, judged_garden
from bridge.simulate.year import simulate

Given = TypeVar("Given")
Found = TypeVar("Found")

DAYS_A_YEAR = 365.0
_TASK_YEARS = 0.5
_COLLECT_AFTER = 50_000
SCHEME = "dask://"
_CONNECT_S = 10.0


def tasks_of(
    years: float,
    seed: int,
    *,
    faults: bool,
    reservoirs: int,
    log: str | None = None,
    station_only: bool = False,
    fine_s: float = 1.0,
    coarse_s: float = 240.0,
) -> list[Task]:
    """Return the half-years of a campaign, each with the next garden in turn.

    Args:
        years: The years of each reservoir.
        seed: The seed of the campaign.
        faults: Whether faults and mishaps are injected.
        reservoirs: The number of reservoirs.
        log: The file to which the first task writes its log. Without a name, no task writes a file.
        station_only: See :class:`Task`.
        fine_s: See :class:`Task`.
        coarse_s: See :class:`Task`.

    Raises:
        OutOfRangeError: The years are not above 0 and at most 1000, or the reservoirs not from 1 to 1000.
    """
    if not 0.0 < years <= 1000.0:
        raise OutOfRangeError(f"--years {years:g}: it must be above 0 and at most 1000, such as 3 or 0.25")
    if not 1 <= reservoirs <= 1000:
        raise OutOfRangeError(f"--reservoirs {reservoirs}: it must be from 1 to 1000")
    tasks: list[Task] = []
    for reservoir in range(reservoirs):
        left, part = years, 0
        while left > 1e-9:
            name = NAMES[(reservoir + part) % len(NAMES)]
            days = min(_TASK_YEARS, left) * DAYS_A_YEAR
            kept = log if not tasks else None
            tasks.append(
                Task(
                    f"{seed}/{reservoir}/{part}",
                    name,
                    days,
                    faults,
                    fine_s,
                    coarse_s,
                    log=kept,
                    station_only=station_only,
                )
            )
            left, part = left - _TASK_YEARS, part + 1
    return tasks


def run(
    tasks: list[Task],
    jobs: int | None = None,
    on_done: Callable[[Outcome], None] | None = None,
    executor: str | None = None,
) -> list[Outcome]:
    """Run all tasks, and return the outcomes in the order of the tasks.

    Args:
        tasks: The tasks to run.
        jobs: The number of parallel processes. Without it, one process runs on each core.
        on_done: Receives each outcome when its task ends, in any order.
        executor: The cluster that runs the tasks, as ``dask://HOST:PORT``; None for this machine.
    """
    found: dict[int, Outcome] = {}
    for index, outcome in spread(simulate, tasks, jobs, executor):
        found[index] = outcome
        if on_done is not None:
            on_done(outcome)
    return [found[index] for index in range(len(tasks))]


def forecasts(seed: int, gardens: int, jobs: int | None = None) -> Promises:
    """Judge the forecasts on so many invented gardens, on all cores. See :mod:`bridge.simulate.promises`."""
    found = Promises()
    parts = dict(spread(_judged, [(str(seed), number) for number in range(gardens)], jobs))
    for number in range(gardens):
        found.add(parts[number])
    return found


def _judged(garden: tuple[str, int]) -> Promises:
    return judged_garden(*garden)


def spread(
    work: Callable[[Given], Found],
    tasks: Sequence[Given],
    jobs: int | None = None,
    executor: str | None = None,
) -> Iterator[tuple[int, Found]]:
    """Run a function on many values in parallel processes.

    Args:
        work: A function of a module.
        tasks: The values.
        jobs: The number of processes. Without it, one process runs on each core.
        executor: The cluster that runs the tasks, as ``dask://HOST:PORT``; None for this machine.

    Yields:
        The index of each value and its result, in the order in which they end.
    """
    if executor is not None:
        yield from spread_over(executor, work, tasks)
        return
    wanted = min(len(tasks), jobs or len(os.sched_getaffinity(0)))
    if wanted <= 1:
        for index, task in enumerate(tasks):
            yield index, work(task)
        return
    with ProcessPoolExecutor(wanted, get_context("spawn"), _prepare) as pool:
        waiting = {pool.submit(work, task): index for index, task in enumerate(tasks)}
        for done in as_completed(waiting):
            yield waiting[done], done.result()


def _prepare() -> None:
    # A simulation makes many small values and few reference cycles, so rare garbage collection is enough.
    gc.freeze()
    gc.set_threshold(_COLLECT_AFTER)


def spread_over(
    executor: str, work: Callable[[Given], Found], tasks: Sequence[Given]
) -> Iterator[tuple[int, Found]]:
    """Run a function on many values on a cluster.

    Each machine runs ``dask worker`` in an environment with the same version of this program. If a worker
    dies, its tasks run again on another one. Each task has its own seed, so that changes no outcome.

    Args:
        executor: The scheduler, as ``dask://HOST:PORT``.
        work: A function of a module.
        tasks: The values.

    Yields:
        The index of each value and its result, in the order in which they end.

    Raises:
        InputError: The address has another form, the extra is not installed, or nothing answers there.
    """
    address = executor.removeprefix(SCHEME)
    if address == executor or ":" not in address:
        raise InputError(f"--executor {executor!r}: the form is {SCHEME}HOST:PORT, such as {SCHEME}barn:8786")
    try:
        from distributed import Client
        from distributed import as_completed as completed
    except ImportError as error:
        raise InputError(
            "--executor needs the extra 'cluster' (pip install 'clearwell-bridge[cluster]')"
        ) from error
    try:
        client = Client(f"tcp://{address}", timeout=_CONNECT_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise InputError(f"--executor {executor!r}: no scheduler answers there ({error})") from error
    with client:
        # Two equal tasks must both run, so no result is taken from an earlier one.
        waiting = {client.submit(work, task, pure=False): index for index, task in enumerate(tasks)}
        for done in completed(waiting):
            yield waiting[done], done.result()
