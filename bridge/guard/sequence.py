r"""The fill sequence: which phase follows which.

    IDLE --pending, every permissive--> RINSE --in specification--> FILL --fill mark--> IDLE
                                          ^  \                     /
                 every permissive, paused |   a permissive missing
                               for long   |    v                  v
                                          +--------- PAUSE --fill mark--> IDLE

    from any phase: a trip latches -> TRIPPED --every trip reset--> IDLE

The valve may be open in RINSE and FILL only. :func:`advance` makes at most one transition each step. Before
it, :func:`account` adds up what happened since the last step: open time, inflow, the level while the valve
was shut, and how long conditions have lasted.
"""

from dataclasses import replace

from bridge.guard.limits import Moment
from bridge.guard.model import Flow, Permissive, Phase
from bridge.guard.rules import ACTIVE, lasted, missing
from bridge.guard.state import NO_FILL, Closed, Evidence, FillRecord, GuardState
from bridge.tank.level import Zone
from bridge.water.health import Health

DAY_S = 86_400.0

# In Python 3.11 a member costs ten times as much as a name of the module: saves 1.4 µs a step.
_IDLE, _RINSE, _FILL, _PAUSE, _TRIPPED = Phase.IDLE, Phase.RINSE, Phase.FILL, Phase.PAUSE, Phase.TRIPPED
_SHUT, _TO_RESERVOIR = Flow.SHUT, Flow.TO_RESERVOIR
_LOW, _FULL = Zone.LOW, Zone.FULL
_FAILURE = Health.FAILURE


def account(moment: Moment, state: GuardState) -> GuardState:
    """Return the state updated to this moment, before any decision."""
    now, seen = moment.now, moment.assessment
    day_from, day_l = state.day_from, state.day_l
    if now - day_from >= DAY_S:
        day_from, day_l = now, 0.0
    catching_up = state.catching_up
    if catching_up and seen.throughput_l is not None:
        # Otherwise a process that is killed again and again could fill more than the volume of a day.
        catching_up, day_l = False, day_l + seen.throughput_l
    fill, closed = state.fill, state.closed
    if state.flow is not _SHUT:
        fill = _fill(moment, state)
    elif seen.throughput_l is not None and state.throughput_l is not None:
        # Water still flows until a close is carried out or a lease lapses.
        late_l = max(0.0, seen.throughput_l - state.throughput_l)
        if late_l > 0.0 and state.phase in ACTIVE:
            fill = replace(fill, volume_l=fill.volume_l + late_l)
        else:
            day_l += late_l
    if state.flow is _TO_RESERVOIR:
        closed = Closed(now)
    elif now - closed.since >= moment.limits.settle_s:
        closed = _closed(moment, closed)
    # Every field in its order instead of replace(): saves 2.9 µs a step.
    return GuardState(
        state.started_at,
        now,
        state.since,
        state.phase,
        state.flow,
        state.wanted,
        state.hold,
        state.latches,
        state.first_out,
        _evidence(moment, state),
        fill,
        closed,
        state.volume_l if seen.volume_l is None else seen.volume_l,
        state.throughput_l if seen.throughput_l is None else seen.throughput_l,
        catching_up,
        day_from,
        day_l,
        state.alarms,
    )


def _fill(moment: Moment, state: GuardState) -> FillRecord:
    fill, seen = state.fill, moment.assessment
    elapsed_s = max(0.0, moment.now - state.stepped_at)
    rinse_s = fill.rinse_s
    if state.phase is _RINSE:
        rinse_s += elapsed_s
    if state.flow is not _TO_RESERVOIR:
        return replace(fill, rinse_s=rinse_s)
    open_s = fill.open_s + elapsed_s
    volume_l, base_l, base_open_s = fill.volume_l, fill.base_volume_l, fill.base_open_s
    start_l = fill.start_volume_l
    if seen.throughput_l is not None and state.throughput_l is not None:
        volume_l += max(0.0, seen.throughput_l - state.throughput_l)
    if seen.volume_l is not None:
        start_l = seen.volume_l if start_l is None else start_l
        if seen.throughput_l is None:
            # The net rise: the sum of all rises would count noise as inflow.
            volume_l = max(volume_l, seen.volume_l - start_l)
        if base_l is None or seen.volume_l >= base_l + moment.limits.no_rise_l:
            base_l, base_open_s = seen.volume_l, open_s
        base_l = min(base_l, seen.volume_l)
    return FillRecord(
        open_s=open_s,
        volume_l=volume_l,
        rinse_s=rinse_s,
        excursions=fill.excursions,
        start_volume_l=start_l,
        base_volume_l=base_l,
        base_open_s=base_open_s,
    )


def _closed(moment: Moment, closed: Closed) -> Closed:
    volume_l, zone = moment.assessment.volume_l, moment.assessment.zone
    if volume_l is not None:
        if closed.lowest_l is None or volume_l < closed.lowest_l:
            return replace(closed, lowest_l=volume_l)
    elif not closed.below_mark and zone is not None and zone is not _FULL:
        return replace(closed, below_mark=True)
    return closed


def unbroken(before: float | None, now: float) -> float:
    """Return the start time of a condition that holds now: ``before`` if it held before, else ``now``."""
    return now if before is None else before


def _evidence(moment: Moment, state: GuardState) -> Evidence:
    now, seen, before = moment.now, moment.assessment, state.evidence
    fresh, sound, over = moment.fresh, moment.probe_sound, before.over
    if state.phase is _FILL:
        over = unbroken(over, now) if fresh and sound and moment.over else None
    elif state.phase is not _PAUSE or (sound and not moment.over):
        over = None
    fresh_since = unbroken(before.fresh, now) if fresh else None
    probe_bad = unbroken(before.probe_bad, now) if fresh and seen.probe is _FAILURE else None
    level_bad = unbroken(before.level_bad, now) if fresh and seen.zone is None else None
    in_spec = unbroken(before.in_spec, now) if fresh and sound and not moment.over else None
    disagree = before.disagree
    if state.phase is not _FILL:
        disagree = None
    elif fresh:
        disagree = unbroken(disagree, now) if seen.cells_disagree else None
    found = (fresh_since, probe_bad, level_bad, over, in_spec, before.blocked, disagree)
    # Comparing before making a new value saves 0.8 µs a step.
    if found == (
        before.fresh,
        before.probe_bad,
        before.level_bad,
        before.over,
        before.in_spec,
        before.blocked,
        before.disagree,
    ):
        return before
    return Evidence(*found)


def due(moment: Moment, state: GuardState) -> bool:
    """Return whether a fill is pending: the level is low, or a person requested a fill."""
    return moment.assessment.zone is _LOW or state.wanted


def enter(state: GuardState, phase: Phase, now: float) -> GuardState:
    """Return the state in another phase, with the fill record started or closed as the transition needs."""
    fill, day_l, wanted = state.fill, state.day_l, state.wanted
    if state.phase in ACTIVE and phase not in ACTIVE:
        day_l += fill.volume_l
        # If a trip interrupts a fill, the fill is still pending after the reset.
        wanted = phase is _TRIPPED
    elif phase is _RINSE and state.phase not in ACTIVE:
        fill = NO_FILL
    elif phase is _FILL:
        fill = replace(fill, rinse_s=0.0)
    return replace(state, phase=phase, since=now, fill=fill, day_l=day_l, wanted=wanted)


def advance(moment: Moment, state: GuardState) -> tuple[GuardState, tuple[Permissive, ...]]:
    """Advance the fill sequence by at most one transition.

    Returns:
        The new state, and the missing permissives. In IDLE and PAUSE these are the permissives that a rinse
        would need.
    """
    now, phase, zone = moment.now, state.phase, moment.assessment.zone
    if state.latches:
        state = state if phase is _TRIPPED else enter(state, _TRIPPED, now)
    elif phase is _TRIPPED or (zone is _FULL and phase in ACTIVE):
        state = enter(state, _IDLE, now)
    elif phase is _RINSE and _rinsed(moment, state):
        state = enter(state, _FILL, now)
    elif phase is _IDLE and state.wanted and zone is _FULL:
        state = replace(state, wanted=False)
    after = state.phase
    if after not in (_IDLE, _PAUSE):
        return state, missing(moment, state, after, state.fill)
    absent = missing(moment, state, _RINSE, state.fill if after is _PAUSE else NO_FILL)
    if after is not phase or absent:
        return state, absent
    ready = after is _PAUSE or due(moment, state)
    return (enter(state, _RINSE, now) if ready else state), absent


def _rinsed(moment: Moment, state: GuardState) -> bool:
    return state.fill.rinse_s >= moment.limits.rinse_min_s and lasted(
        state.evidence.in_spec, moment.now, moment.limits.in_spec_s
    )


def interrupt(moment: Moment, state: GuardState, absent: tuple[Permissive, ...]) -> GuardState:
    """Return the state with the fill in PAUSE, because the permissives in ``absent`` are missing."""
    fill = state.fill
    if state.phase is _FILL and moment.probe_sound and Permissive.PRODUCT_IN_SPEC in absent:
        fill = replace(fill, excursions=fill.excursions + 1)
    return replace(state, phase=_PAUSE, since=moment.now, fill=fill)


def flow_of(state: GuardState, has_drain: bool) -> Flow:
    """Return the flow that the phase needs, if every permissive holds."""
    if state.phase is _FILL:
        return _TO_RESERVOIR
    if state.phase is _RINSE:
        return Flow.TO_DRAIN if has_drain else _TO_RESERVOIR
    return _SHUT
