"""Walks every abstract state of the guard that can be reached, by calling the real step.

An abstract state is a guard state in which each time is only its distance to now, cut off beyond the
longest bound; volumes are left out (they have an exploration of their own). Of three or more latches two
are kept, which lets more happen than can, never less. One tick is one second and every bound a few ticks.
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
    pause_s=1,
    rinse_min_s=1,
    rinse_max_s=2,
    in_spec_s=1,
    lease_s=1,
    stale_after_s=1,
    link_lost_after_s=3,
    link_steady_s=1,
    probe_failure_after_s=1,
    level_failure_after_s=1,
    fill_max_s=3,
    settle_s=1,
    blocked_after_s=500,
)


@dataclass(frozen=True)
class Transition:
    """One step that was taken."""

    limits: Limits
    before: GuardState
    seen: Assessment
    command: GuardCommand | None
    after: GuardState
    decision: Decision


def assessments() -> list[Assessment]:
    """Every combination of what can be known, each part in each of its abstract values."""
    links = (NOW, NOW - 2, NOW - 4)
    probes = (Health.GOOD, Health.FAILURE)
    products_ppm = (5.0, 60.0, 200.0)
    ambient = ((20.0, False), (50.0, False), (20.0, True))
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
            zone=zone,
            volume_at_least_l=100.0,
            overflow=overflow,
            reservoir_ppm=reservoir,
            seen=Flow.SHUT,
        )
        for link, probe, ppm, (temperature, fault), zone, overflow, reservoir in product(
            links, probes, products_ppm, ambient, zones, overflows, reservoirs_ppm
        )
    ]


def commands() -> list[GuardCommand]:
    """One of every command that changes what the valve may do."""
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
    """The state one tick later, as seen from a clock that still shows NOW.

    Each time is cut off at the bound it is compared with: beyond that it makes no difference.
    """

    def earlier(since: float | None, bound_s: float) -> float | None:
        return None if since is None else max(since - 1.0, NOW - bound_s)

    def ago(since: float, bound_s: float) -> float:
        return max(since - 1.0, NOW - bound_s)

    latches = sorted((Latch(latch.trip, NOW, latch.remedied) for latch in state.latches), key=_rank)[:2]
    evidence, fill, waits = state.evidence, state.fill, state.phase is Phase.PAUSE
    return replace(
        state,
        started_at=ago(state.started_at, limits.link_lost_after_s),
        stepped_at=NOW - 1.0,
        since=ago(state.since, limits.pause_s) if waits else NOW,
        latches=tuple(latches),
        first_out=latches[0].trip if latches else None,
        evidence=Evidence(
            earlier(evidence.fresh, limits.link_steady_s),
            earlier(evidence.probe_bad, limits.probe_failure_after_s),
            earlier(evidence.level_bad, limits.level_failure_after_s),
            earlier(evidence.over, limits.persistence_s),
            earlier(evidence.in_spec, limits.in_spec_s),
        ),
        # Outside a fill its account is history: the next one begins a new account.
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


def _bears(order: GuardCommand, state: GuardState) -> bool:
    """The command can change something here; where it cannot, one try shows that it is refused."""
    if isinstance(order, Reset):
        return order.trip is None or any(latch.trip is order.trip for latch in state.latches)
    return not state.latches or isinstance(order, CartridgeChanged | Retest)


def _rank(latch: Latch) -> int:
    return list(Trip).index(latch.trip)


def transitions(
    limits: Limits, note: Callable[[GuardState], None] = lambda state: None
) -> Iterator[Transition]:
    """Every transition out of every reachable abstract state; ``note`` is told each new state."""
    looks = assessments()
    orders = commands()
    # A command is tried against a calm world, and against each single deviation from it.
    calm = looks[0]
    plain = [look for look in looks if _deviations(look, calm) <= 1]
    # Temperature and the controller's own fault are remembered by nothing: each is one plain permissive. And
    # a link lost for longer than a stale one moves one more timer. Those are combined in pairs.
    remembered = [
        look
        for look in looks
        if look.temperature_c == 20.0 and not look.controller_fault and look.frame_at != NOW - 4
    ]
    # An overflow float that is fitted and does not report shuts the valve and trips nothing.
    plain.append(replace(calm, overflow=None))
    pairs = [look for look in looks if _deviations(look, calm) <= 2]
    pairs.append(plain[-1])
    first = abstract(limits, begin(NOW))
    known = {first}
    frontier = [first]
    while frontier:
        state = frontier.pop()
        note(state)
        # With a trip latched only pairs of deviations are tried: what is shut needs no third reason.
        tries: list[tuple[Assessment, GuardCommand | None]] = [
            (look, None) for look in (pairs if state.latches else [*remembered, *pairs])
        ]
        tries += [
            (look, order) for order in orders for look in (plain if _bears(order, state) else plain[:1])
        ]
        met = set()
        for look, order in tries:
            after, decision = step(limits, state, look, () if order is None else (order,), NOW)
            yield Transition(limits, state, look, order, after, decision)
            if after in met:
                continue
            met.add(after)
            following = abstract(limits, after)
            if following not in known:
                known.add(following)
                frontier.append(following)


def _deviations(look: Assessment, calm: Assessment) -> int:
    names = ("frame_at", "product_ppm", "probe", "zone", "overflow", "reservoir_ppm")
    different: int = sum(getattr(look, name) != getattr(calm, name) for name in names)
    return different + ((look.temperature_c, look.controller_fault) != (20.0, False))
