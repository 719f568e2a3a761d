"""Tries triples of faults that contain a fault of the instrument, as a long run over many evenings.

The instrument is what measures: the cells with their thermometers, the level, and the link. A triple without
any of them is left to what was found with its pairs.

The second fault comes with the first one, when the first one is noticed (or a minute later, if it is never
noticed), or after everything has been repaired and reset. The third fault comes with the second one or a
minute later. A bound is the sum of the bounds of all three, and a pair that one valve and one float cannot
cover excuses a triple that contains it.

The triples run in a random order that is always the same. So a run of a small share is a fair sample, and a
later run of a greater share needs only the rest.
"""

import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pydantic import TypeAdapter

from bridge.rig.faults import PAIRED, FaultName
from bridge.simulate.campaign import spread
from bridge.simulate.kept import Manifest, run_kept
from bridge.simulate.scenes.table import PAIR_SCENES
from bridge.simulate.scenes.trial import (
    Finding,
    Trial,
    When,
    bring_to,
    finish,
    fitted,
    moments,
)

INSTRUMENT = frozenset(
    {
        FaultName.PROBE_STUCK,
        FaultName.PROBE_DRIFT,
        FaultName.PROBE_NOISY,
        FaultName.PROBE_DRY,
        FaultName.PROBE_SHORTED,
        FaultName.PROBES_SWAPPED,
        FaultName.FEED_PROBE_DRY,
        FaultName.TEMPERATURE_OPEN,
        FaultName.TEMPERATURE_SHORTED,
        FaultName.FLOAT_STUCK,
        FaultName.FLOATS_CONTRADICT,
        FaultName.LEVEL_SENSOR_OPEN,
        FaultName.LEVEL_SENSOR_SHORTED,
        FaultName.LINK_NOISE,
        FaultName.LINK_CUT,
        FaultName.LINK_LAG,
    }
)
"""The faults of what measures: cells, level and link."""
_SECONDS = (When.TOGETHER, When.AT, When.LATER, When.RESET)
_THIRDS = {When.TOGETHER: 0.0, When.LATER: 60.0}
_ORDER_SEED = "triples"


@dataclass(frozen=True, slots=True)
class Start:
    """The first two faults of triples in one scene, and the moment of the second one."""

    scene: str
    first: FaultName
    second: FaultName
    when: When
    noticed_s: float | None
    """The seconds until the first fault alone is noticed; None if it is not noticed."""

    @property
    def thirds(self) -> tuple[FaultName, ...]:
        """The third faults that make a triple with a fault of the instrument."""
        pair = {self.first, self.second}
        return tuple(name for name in PAIRED if name not in pair and (pair | {name}) & INSTRUMENT)


@dataclass(slots=True)
class Tried:
    """The result of all triples with the same start."""

    start: Start
    trials: int
    costly: Finding
    """The trial with most litres over the limit and over the rim."""
    broken: list[Finding] = field(default_factory=list)
    """The trials with a violation."""


def starts_of(alone: Iterable[Finding]) -> list[Start]:
    """Return the starts of all triples, in a random order that is always the same.

    Args:
        alone: The findings of the first faults alone.
    """
    found = [
        Start(one.scene, one.faults[0], second, when, one.noticed_s)
        for one in alone
        if one.faults[0] in PAIRED
        for second in PAIRED
        if second is not one.faults[0]
        for when in _SECONDS
        if when in moments(one.noticed_s)
    ]
    random.Random(_ORDER_SEED).shuffle(found)
    return found


def trials_of(starts: Iterable[Start]) -> int:
    """Return the number of trials that these starts need."""
    return sum(len(start.thirds) * len(_THIRDS) for start in starts)


def tried(start: Start) -> Tried:
    """Try all triples with this start."""
    scene = next(one for one in PAIR_SCENES if one.name == start.scene)
    trial = Trial(scene, fitted(scene))
    trial.strike(start.first)
    bring_to(trial, start.first, start.when, moments(start.noticed_s)[start.when])
    trial.strike(start.second)
    struck_s = trial.now_s
    found: list[Finding] = []
    for when, after_s in _THIRDS.items():
        trial.go_to(struck_s + after_s)
        copies = trial.copies()
        found += [finish(copies.one(), third, when) for third in start.thirds]
    return Tried(
        start,
        len(found),
        max(found, key=lambda one: one.over_limit_l + one.spilled_l),
        [one for one in found if one.violations],
    )


def run(
    starts: Sequence[Start],
    into: Path | None,
    manifest: Manifest,
    jobs: int | None = None,
    on_done: Callable[[Tried], None] | None = None,
) -> list[Tried]:
    """Try the triples with these starts.

    Args:
        starts: The starts.
        into: The file that keeps the results; None to keep none.
        manifest: The manifest of the file.
        jobs: The number of processes. Without it, one process runs on each core.
        on_done: Receives each new result, in any order.
    """
    if into is None:
        found = dict(spread(tried, starts, jobs))
        return [found[index] for index in range(len(starts))]
    lines = TypeAdapter(Tried), lambda one: one.start
    return list(run_kept(into, manifest, starts, tried, lines, jobs, on_done).values())
