"""Many reservoir-years on every core: what each one showed, put together in their own order.

A task is one reservoir for at most half a year and has a seed of its own, so the outcome does not depend on
how many processes share the tasks, or on which of them is done first.
"""

import gc
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field, fields
from multiprocessing import get_context
from statistics import median

from bridge.errors import OutOfRangeError
from bridge.simulate.detection import Tally
from bridge.simulate.gardens import NAMES
from bridge.simulate.outcome import Outcome, Task, Violation
from bridge.simulate.waters import Entered
from bridge.simulate.year import simulate

DAYS_A_YEAR = 365.0
_TASK_YEARS = 0.5
_COLLECT_AFTER = 50_000


@dataclass(slots=True)
class FaultRow:
    """What became of all faults of one kind in a campaign."""

    fault: str
    injected: int = 0
    mattered: int = 0
    seen: int = 0
    median_s: float | None = None
    worst_s: float | None = None
    bound_s: float | None = None
    """The longest bound of all gardens; None for a fault that shows no sign by itself."""
    over_limit_l: float = 0.0
    spilled_l: float = 0.0
    floor_l: float = 0.0


@dataclass(slots=True)
class Summary:
    """One campaign."""

    seed: int
    reservoirs: int
    years: float
    with_faults: bool
    steps: int = 0
    violations: list[Violation] = field(default_factory=list)
    rows: list[FaultRow] = field(default_factory=list)
    happenings: dict[str, int] = field(default_factory=dict)
    trips: dict[str, int] = field(default_factory=dict)
    alarms: dict[str, int] = field(default_factory=dict)
    entered: Entered = field(default_factory=Entered)
    let_in_l: float = 0.0
    log_rows: int = 0
    shut_after_death_s: float = 0.0
    most_ppm: float = 0.0

    @property
    def reservoir_years(self) -> float:
        """How much was simulated."""
        return self.reservoirs * self.years


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


def summed(seed: int, reservoirs: int, years: float, outcomes: list[Outcome]) -> Summary:
    """One campaign's outcomes put together."""
    whole = Summary(seed, reservoirs, years, any(one.task.faults for one in outcomes))
    tallies: dict[str, Tally] = {}
    for one in outcomes:
        whole.steps += one.steps
        whole.violations += one.violations
        whole.let_in_l += one.let_in_l
        whole.log_rows += one.rows
        whole.most_ppm = max(whole.most_ppm, one.most_ppm)
        whole.shut_after_death_s = max(whole.shut_after_death_s, one.shut_after_death_s)
        for into, more in (
            (whole.happenings, one.happenings),
            (whole.trips, one.trips),
            (whole.alarms, one.alarms),
        ):
            for name, count in more.items():
                into[name] = into.get(name, 0) + count
        _add_entered(whole.entered, one.entered)
        for name, tally in one.tallies.items():
            _add_tally(tallies.setdefault(name, Tally()), tally)
    whole.rows = [_row(name, tally) for name, tally in tallies.items()]
    return whole


def _add_entered(into: Entered, more: Entered) -> None:
    into.worst_opening_l = max(into.worst_opening_l, more.worst_opening_l)
    into.worst_share = max(into.worst_share, more.worst_share)
    for one in fields(Entered):
        if one.name in ("over_limit_l", "unasked_l", "spilled_l", "both_floats_l"):
            setattr(into, one.name, getattr(into, one.name) + getattr(more, one.name))
    for name, litres in more.unseen_l.items():
        into.unseen_l[name] = into.unseen_l.get(name, 0.0) + litres


def _add_tally(into: Tally, more: Tally) -> None:
    into.injected += more.injected
    into.mattered += more.mattered
    into.seen += more.seen
    into.times_s += more.times_s
    into.bound_s = max(into.bound_s, more.bound_s)
    into.over_limit_l = max(into.over_limit_l, more.over_limit_l)
    into.spilled_l = max(into.spilled_l, more.spilled_l)
    into.floor_l = max(into.floor_l, more.floor_l)


def _row(name: str, tally: Tally) -> FaultRow:
    times_s = tally.times_s
    return FaultRow(
        name,
        tally.injected,
        tally.mattered,
        tally.seen,
        median(times_s) if times_s else None,
        max(times_s) if times_s else None,
        tally.bound_s or None,
        tally.over_limit_l,
        tally.spilled_l,
        tally.floor_l,
    )
