"""What is to be simulated, and what it showed."""

from dataclasses import dataclass, field

from bridge.simulate.detection import Tally
from bridge.simulate.waters import Entered

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
    """How many days after the start of its first month the span begins."""
    log: str | None = None
    """Where the log is really written; None for one in memory."""
    station_only: bool = False
    """The log keeps only what a restart needs; no forecast, no relay."""


@dataclass(frozen=True, slots=True)
class Violation:
    """Something that must never happen, and where to find it again."""

    seed: str
    garden: str
    step: int
    time_s: float
    sentence: str


@dataclass(slots=True)
class Outcome:
    """What one span showed."""

    task: Task
    steps: int = 0
    violations: list[Violation] = field(default_factory=list)
    tallies: dict[str, Tally] = field(default_factory=dict)
    happenings: dict[str, int] = field(default_factory=dict)
    trips: dict[str, int] = field(default_factory=dict)
    alarms: dict[str, int] = field(default_factory=dict)
    entered: Entered = field(default_factory=Entered)
    let_in_l: float = 0.0
    rows: int = 0
    """Rows of the log."""
    shut_after_death_s: float = 0.0
    """Longest time for which the valve stayed open after the bridge had died."""
    most_ppm: float = 0.0
    """Highest true dissolved solids of the reservoir."""

    @property
    def ended_early(self) -> bool:
        """So much went wrong that the rest would tell nothing new."""
        return len(self.violations) >= MOST_VIOLATIONS

    def violated(self, time_s: float, sentence: str) -> None:
        """Note a violation at this step."""
        if not self.ended_early:
            task = self.task
            self.violations.append(Violation(task.seed, task.garden, self.steps, time_s, sentence))
