"""Many reservoir-years on every core: what each one showed, put together in their own order.

A task is one reservoir for at most half a year and has a seed of its own, so the outcome does not depend on
how many processes share the tasks, or on which of them is done first.
"""

import gc
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context

from bridge.errors import OutOfRangeError
from bridge.simulate.gardens import NAMES
from bridge.simulate.outcome import Outcome, Task
from bridge.simulate.year import simulate

DAYS_A_YEAR = 365.0
_TASK_YEARS = 0.5
_COLLECT_AFTER = 50_000


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
    """The half-years of a campaign; the gardens take turns. The first really writes ``log``, if it is given.

    Raises:
        OutOfRangeError: the years are not from above 0 to 1000, or the reservoirs not from 1 to 1000.
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
    tasks: list[Task], jobs: int | None = None, on_done: Callable[[Outcome], None] | None = None
) -> list[Outcome]:
    """Run every task, and return the outcomes in the order of the tasks.

    Args:
        tasks: what to run.
        jobs: processes at once; None for one on each core.
        on_done: told of each outcome as it comes, in any order.
    """
    wanted = min(len(tasks), jobs or len(os.sched_getaffinity(0)))
    found: dict[int, Outcome] = {}
    for index, outcome in _each(tasks, wanted):
        found[index] = outcome
        if on_done is not None:
            on_done(outcome)
    return [found[index] for index in range(len(tasks))]


def _each(tasks: list[Task], jobs: int) -> Iterator[tuple[int, Outcome]]:
    if jobs <= 1:
        for index, task in enumerate(tasks):
            yield index, simulate(task)
        return
    with ProcessPoolExecutor(jobs, get_context("spawn"), _prepare) as pool:
        waiting = {pool.submit(simulate, task): index for index, task in enumerate(tasks)}
        for done in as_completed(waiting):
            yield waiting[done], done.result()


def _prepare() -> None:
    # A simulation makes many small values and hardly any cycles: looking for those so often is for nothing.
    gc.freeze()
    gc.set_threshold(_COLLECT_AFTER)
