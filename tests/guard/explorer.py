"""Visits every reachable abstract state of the guard, by calling the real step.

In an abstract state each time is only its distance to now, cut off beyond the longest bound. Volumes are left
out: ``test_volumes.py`` covers them. Of three or more latches two are kept, which allows more transitions
than are possible, never fewer. One tick is one second, and every bound is a few ticks.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import product

from bridge.guard.commands import CartridgeChanged, GuardCommand, Hold, Reset, Retest, StartFill
from bridge.guard.limits import Limits
from bridge.guard.model import Assessment, Flow, Phase, Trip
from bridge.guard.rules import ACTIVE
from bridge.guard.state import Closed, Decision, Evidence, FillRecord, GuardState, Latch, begin
from bridge.guard.step import step
from bridge.tank.level import Zone
from bridge.water.health import Health

NOW = 1000.0

TICKS = Limits(
    persistence_s=2,
    excursions_max=2,
    pause_s=2,
    rinse_min_s=1,
    rinse_max_s=2,
    in_spec_s=1,
    lease_s=1,
    stale_after_s=1,
    link_lost_after_s=3,
    link_steady_s=1,
    probe_failure_after_s=1,
    level_failure_after_s=1,
    fill_max_s=4,
    settle_s=1,
    blocked_after_s=500,
)


@dataclass(frozen=True)
class Transition:
    """One step of the guard."""

    limits: Limits
    before: GuardState
    seen: Assessment
    command: GuardCommand | None
    after: GuardState
    decision: Decision


def assessments() -> list[Assessment]:
    """Returns every combination of the abstract values of an assessment."""
    links = (NOW, NOW - 2, NOW - 4)
    probes = (Health.GOOD, Health.FAILURE)
    products_ppm = (5.0, 60.0, 200.0)
    ambient = (
        (20.0, False, False, False),
        (50.0, False, False, False),
        (20.0, True, False, False),
        (20.0, False, True, False),
        (20.0, False, False, True),
    )
    zones = (Zone.LOW, Zone.MIDDLE, Zone.FULL, None)
    overflows = (False, True)
    reservoirs_ppm = (5.0, 49.9, 55.0)
    return [
        Assessment(
            frame_at=link,
            product_ppm=ppm,
            probe=probe,
            temperature_c=temperature,
            controller_fault=fault,
            restarts_at_opening=restarts,
            cells_disagree=disagree,
            zone=zone,
            volume_at_least_l=100.0,
            overflow=overflow,
            reservoir_ppm=reservoir,
            seen=Flow.SHUT,
        )
        for link, probe, ppm, (temperature, fault, restarts, disagree), zone, overflow, reservoir in product(
            links, probes, products_ppm, ambient, zones, overflows, reservoirs_ppm
        )
    ]


def commands() -> list[GuardCommand]:
    """Returns one of every command that can change the conditions for the valve."""
    at, sender = NOW, "test"
    resets: list[GuardCommand] = [Reset(at, sender, trip) for trip in (None, *Trip)]
    return [
        *resets,
        Hold(at, sender, True),
        Hold(at, sender, False),
        StartFill(at, sender),
        CartridgeChanged(at, sender),
        Retest(at, sender, 10.0),
        Retest(at, sender, 70.0),
        StartFill(at - 100, sender),
    ]


def abstract(limits: Limits, state: GuardState) -> GuardState:
    """Returns the state one tick later, with its times moved so that now is still NOW.

    Each time is limited to the bound of its comparison: a longer time has the same effect.
    """

    def earlier(since: float | None, bound_s: float) -> float | None:
        return None if since is None else max(since - 1.0, NOW - bound_s)

    def ago(since: float, bound_s: float) -> float:
        return max(since - 1.0, NOW - bound_s)

    latches = sorted((Latch(latch.trip, NOW, latch.remedied) for latch in state.latches), key=_rank)[:2]
    evidence, fill, paused = state.evidence, state.fill, state.phase is Phase.PAUSE
    return replace(
        state,
        started_at=ago(state.started_at, limits.link_lost_after_s),
        stepped_at=NOW - 1.0,
        since=ago(state.since, limits.pause_s) if paused else NOW,
        latches=tuple(latches),
        first_out=latches[0].trip if latches else None,
        evidence=Evidence(
            earlier(evidence.fresh, limits.link_steady_s),
            earlier(evidence.probe_bad, limits.probe_failure_after_s),
            earlier(evidence.level_bad, limits.level_failure_after_s),
            earlier(evidence.over, limits.persistence_s),
            earlier(evidence.in_spec, limits.in_spec_s),
            None,
            earlier(evidence.disagree, limits.persistence_s),
        ),
        # Outside a fill the record is not used: the next fill starts a new one.
        fill=FillRecord(
            min(fill.open_s, limits.fill_max_s), 0.0, min(fill.rinse_s, limits.rinse_max_s), fill.excursions
        )
        if state.phase in ACTIVE
        else FillRecord(),
        closed=Closed(ago(state.closed.since, limits.settle_s), None, state.closed.below_mark),
        day_from=NOW,
        day_l=0.0,
        alarms=(),
    )


def _can_matter(command: GuardCommand, state: GuardState) -> bool:
    """Returns whether the command can have an effect. If not, one try shows that it is refused."""
    if isinstance(command, Reset):
        return command.trip is None or any(latch.trip is command.trip for latch in state.latches)
    return not state.latches or isinstance(command, CartridgeChanged | Retest)


def _rank(latch: Latch) -> int:
    return list(Trip).index(latch.trip)


def transitions(
    limits: Limits, note: Callable[[GuardState], None] = lambda state: None
) -> Iterator[Transition]:
    """Returns every transition out of every reachable abstract state. Calls ``note`` with each new state."""
    all_seen = assessments()
    all_commands = commands()
    # Each command is tried in normal conditions, and with each single deviation from them.
    normal = all_seen[0]
    single = [seen for seen in all_seen if _deviations(seen, normal) <= 1]
    # The guard keeps no state about the temperature and the controller's fault: each is one permissive. Cells
    # that disagree are one timer, and a lost link differs from a stale one by one timer. These are combined
    # in pairs only.
    combined = [
        seen
        for seen in all_seen
        if seen.temperature_c == 20.0
        and not seen.controller_fault
        and not seen.restarts_at_opening
        and not seen.cells_disagree
        and seen.frame_at != NOW - 4
    ]
    # A fitted overflow float that does not report shuts the valve and causes no trip.
    single.append(replace(normal, overflow=None))
    pairs = [seen for seen in all_seen if _deviations(seen, normal) <= 2]
    pairs.append(single[-1])
    first = abstract(limits, begin(NOW))
    known = {first}
    frontier = [first]
    while frontier:
        state = frontier.pop()
        note(state)
        # With a trip latched only pairs of deviations are tried: the valve is shut anyway.
        tries: list[tuple[Assessment, GuardCommand | None]] = [
            (seen, None) for seen in (pairs if state.latches else [*combined, *pairs])
        ]
        tries += [
            (seen, command)
            for command in all_commands
            for seen in (single if _can_matter(command, state) else single[:1])
        ]
        reached = set()
        for seen, command in tries:
            after, decision = step(limits, state, seen, () if command is None else (command,), NOW)
            yield Transition(limits, state, seen, command, after, decision)
            if after in reached:
                continue
            reached.add(after)
            new = abstract(limits, after)
            if new not in known:
                known.add(new)
                frontier.append(new)


def _deviations(seen: Assessment, normal: Assessment) -> int:
    names = ("frame_at", "product_ppm", "probe", "zone", "overflow", "reservoir_ppm")
    different: int = sum(getattr(seen, name) != getattr(normal, name) for name in names)
    ambient = (seen.temperature_c, seen.controller_fault, seen.restarts_at_opening, seen.cells_disagree)
    return different + (ambient != (20.0, False, False, False))
