"""Defines the task, the outcome and the summary of a campaign, and prints the summary as text or JSON."""

import json
from dataclasses import asdict, dataclass, field, fields
from math import exp
from statistics import median

from bridge.simulate.accounts import Entered
from bridge.simulate.detection import Tally
from bridge.simulate.promises import Promises, as_lines

MOST_VIOLATIONS = 5


@dataclass(frozen=True, slots=True)
class Task:
    """One span of one reservoir."""

    seed: str
    garden: str
    days: float
    faults: bool
    fine_s: float = 1.0
    """The step while water flows."""
    coarse_s: float = 240.0
    """The longest step while nothing moves."""
    begins_day: float = 0.0
    """The days from the start of the first month to the start of the span."""
    log: str | None = None
    """The file for the log; None for a log in memory."""
    station_only: bool = False
    """Whether the log keeps only the state for a restart, without a forecast and without the relay."""
    short: bool = False
    """Whether the forecast and the views in which only values change are left out: in a scene of some minutes
    no verdict reads them. The station, the keeper, the whole log policy and the relay run."""


@dataclass(frozen=True, slots=True)
class Violation:
    """An event that must never happen, with the seed and the step at which it can be reproduced."""

    seed: str
    garden: str
    step: int
    time_s: float
    sentence: str


@dataclass(slots=True)
class Outcome:
    """The results of one span."""

    task: Task
    steps: int = 0
    violations: list[Violation] = field(default_factory=list)
    tallies: dict[str, Tally] = field(default_factory=dict)
    happenings: dict[str, int] = field(default_factory=dict)
    trips: dict[str, int] = field(default_factory=dict)
    alarms: dict[str, int] = field(default_factory=dict)
    false_alarms: int = 0
    """Alarms that the true state does not explain. Counted in gardens without faults only."""
    entered: Entered = field(default_factory=Entered)
    promises: Promises = field(default_factory=Promises)
    let_in_l: float = 0.0
    rows: int = 0
    """Rows of the log."""
    shut_after_death_s: float = 0.0
    """Longest time for which the valve stayed open after the bridge had died."""
    most_ppm: float = 0.0
    """Highest true concentration of dissolved solids in the reservoir."""

    @property
    def ended_early(self) -> bool:
        """Whether the span ended early because it reached the greatest number of violations."""
        return len(self.violations) >= MOST_VIOLATIONS

    def violated(self, time_s: float, sentence: str) -> None:
        """Record a violation at this step."""
        if not self.ended_early:
            task = self.task
            self.violations.append(Violation(task.seed, task.garden, self.steps, time_s, sentence))


@dataclass(slots=True)
class FaultRow:
    """Counts the outcomes of all faults of one kind in a campaign."""

    fault: str
    injected: int = 0
    mattered: int = 0
    seen: int = 0
    median_s: float | None = None
    worst_s: float | None = None
    bound_s: float | None = None
    """The longest bound of all gardens; None for a fault without a sign."""
    over_limit_l: float = 0.0
    spilled_l: float = 0.0
    floor_l: float = 0.0


@dataclass(slots=True)
class Summary:
    """The results of one campaign."""

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
    false_alarms: int = 0
    entered: Entered = field(default_factory=Entered)
    promises: Promises = field(default_factory=Promises)
    let_in_l: float = 0.0
    log_rows: int = 0
    shut_after_death_s: float = 0.0
    most_ppm: float = 0.0

    @property
    def reservoir_years(self) -> float:
        """The simulated time of all reservoirs in years."""
        return self.reservoirs * self.years


def summed(seed: int, reservoirs: int, years: float, outcomes: list[Outcome]) -> Summary:
    """Return the sum of the outcomes of one campaign."""
    whole = Summary(seed, reservoirs, years, any(one.task.faults for one in outcomes))
    tallies: dict[str, Tally] = {}
    for one in outcomes:
        whole.steps += one.steps
        whole.violations += one.violations
        whole.let_in_l += one.let_in_l
        whole.false_alarms += one.false_alarms
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
        whole.promises.add(one.promises)
        for name, tally in one.tallies.items():
            _add_tally(tallies.setdefault(name, Tally()), tally)
    whole.rows = [_row(name, tally) for name, tally in tallies.items()]
    return whole


def poisson_limits(count: int) -> tuple[float, float]:
    """Return the ends of the exact 95 % interval of the mean of a Poisson count.

    Args:
        count: The number of events that were seen, 0 or more.

    Returns:
        The means at which so many events or more, and so many or fewer, have a probability of 2.5 %
        (Garwood, Biometrika 28, 1936, 437).
    """
    low = 0.0 if count == 0 else _mean_at(count - 1, 0.975)
    return low, _mean_at(count, 0.025)


def _mean_at(count: int, share: float) -> float:
    """Return the mean of the Poisson distribution that has this share at or under the count."""
    low, high = 0.0, 2.0 * count + 20.0
    for _ in range(60):
        mean = 0.5 * (low + high)
        term = total = exp(-mean)
        for n in range(1, count + 1):
            term *= mean / n
            total += term
        low, high = (mean, high) if total > share else (low, mean)
    return 0.5 * (low + high)


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


_HEADINGS = ("fault", "injected", "mattered", "detected", "median s", "worst s", "within s")


def as_json(summary: Summary) -> str:
    """Return the summary as JSON. The number of cores does not change it."""
    record = asdict(summary)
    record["reservoir_years"] = summary.reservoir_years
    return json.dumps(record, indent=2, sort_keys=True)


def as_text(summary: Summary) -> str:
    """Return the table of faults, the mishaps, the water that entered, and every violation."""
    lines = [
        f"{summary.reservoir_years:g} reservoir-years, seed {summary.seed}, "
        f"{'with' if summary.with_faults else 'without'} faults, {summary.steps} steps, "
        f"{summary.let_in_l:.0f} L let in."
    ]
    if summary.with_faults:
        lines += ["", *_table(summary.rows), "", *_mishaps(summary)]
    if summary.promises.kept:
        lines += ["", *as_lines(summary.promises)]
    entered = summary.entered
    lines += [
        "",
        f"Over the limit, through an open valve with a sound probe: {entered.over_limit_l:.2f} L in all; the "
        f"worst opening {entered.worst_opening_l:.2f} L, at most {entered.worst_share:.0%} of its bound.",
    ]
    for name, litres in sorted(entered.unseen_l.items()):
        lines.append(f"Over the limit, hidden by {name}: {litres:.2f} L.")
    if entered.unasked_l:
        lines.append(f"Over the limit, through a valve stuck open or leaking: {entered.unasked_l:.2f} L.")
    if entered.both_floats_l:
        lines.append(f"Over the rim, while both floats were at fault: {entered.both_floats_l:.2f} L.")
    lines.append(f"Trips: {_counts(summary.trips)}.")
    lines.append(f"Alarms: {_counts(summary.alarms)}.")
    if not summary.with_faults:
        low, high = poisson_limits(summary.false_alarms)
        years = summary.reservoir_years
        lines.append(
            f"False alarms: {summary.false_alarms} in {years:g} reservoir-years; 95 % interval of the rate "
            f"{low / years:.3f} to {high / years:.3f} a reservoir-year."
        )
    lines += ["", *_verdict(summary)]
    return "\n".join(lines)


def _verdict(summary: Summary) -> list[str]:
    if not summary.violations:
        return ["No violation."]
    lines = [f"{len(summary.violations)} violations:"]
    for one in summary.violations:
        lines.append(
            f"seed {one.seed}, garden {one.garden}, step {one.step}, at {one.time_s:.1f} s: {one.sentence}."
        )
    return lines


def _mishaps(summary: Summary) -> list[str]:
    return [
        f"Other events: {_counts(summary.happenings)}.",
        f"After the bridge died, the valve shut within {summary.shut_after_death_s:.1f} s in every case.",
    ]


def _table(rows: list[FaultRow]) -> list[str]:
    """Return the figures of each fault, and below each its consequence if it had one."""
    cells = [_HEADINGS, *(_cells(row) for row in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(len(_HEADINGS))]
    consequences = ["", *(_consequence(row) for row in rows)]
    made = []
    for line, consequence in zip(cells, consequences, strict=True):
        made.append(
            "  ".join(
                text.rjust(width) if column else text.ljust(width)
                for column, (text, width) in enumerate(zip(line, widths, strict=True))
            )
        )
        if consequence:
            made.append(f"    {consequence}")
    return made


def _cells(row: FaultRow) -> tuple[str, ...]:
    return (
        row.fault,
        str(row.injected),
        str(row.mattered),
        str(row.seen),
        _seconds(row.median_s),
        _seconds(row.worst_s),
        _seconds(row.bound_s),
    )


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _consequence(row: FaultRow) -> str:
    parts = [
        f"{litres:.1f} L {what}"
        for litres, what in (
            (row.over_limit_l, "over the limit"),
            (row.spilled_l, "over the rim"),
            (row.floor_l, "on the floor"),
        )
        if litres >= 0.05
    ]
    return f"at most {', '.join(parts)}" if parts else ""


def _counts(counts: dict[str, int]) -> str:
    if not counts:
        return "none"
    return ", ".join(f"{count} {name}" for name, count in sorted(counts.items()))
