r"""The fill sequence: which phase follows which.

    REST --due, every permissive--> RINSE --in specification--> FILL --fill mark--> REST
                                      ^  \                     /
                             returned |   a permissive missing
                                      |    v                  v
                                      +--------- PAUSE --fill mark--> REST

    from anywhere: a trip latches -> TRIPPED --every trip reset--> REST

The valve may be open in RINSE and FILL only; :func:`advance` moves at most one phase a step.

What passes between two steps: open time, volume let in, the level while shut, lasting evidence.
"""

from dataclasses import replace

from bridge.guard.limits import Moment
from bridge.guard.model import (
    FILL,
    PAUSE,
    REST,
    RINSE,
    SHUT,
    TO_DRAIN,
    TO_RESERVOIR,
    TRIPPED,
    Flow,
    Permissive,
    Phase,
)
from bridge.guard.rules import ACTIVE, lasted, missing
from bridge.guard.state import NO_FILL, Closed, Evidence, FillRecord, GuardState, moved
from bridge.tank.level import Zone
from bridge.water.health import Health

DAY_S = 86_400.0
_FAILURE, _FULL = Health.FAILURE, Zone.FULL


def account(moment: Moment, state: GuardState) -> GuardState:
    """The state brought up to this moment, before anything is decided."""
    now, seen = moment.now, moment.assessment
    day_from, day_l = state.day_from, state.day_l
    if now - day_from >= DAY_S:
        day_from, day_l = now, 0.0
    fill, closed = state.fill, state.closed
    if state.flow is not SHUT:
        fill = _fill(moment, state)
    if state.flow is TO_RESERVOIR:
        closed = Closed(now)
    elif now - closed.since >= moment.limits.settle_s:
        closed = _closed(moment, closed)
    # In the order of the fields, without their names, because this runs for every reading.
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
        day_from,
        day_l,
        state.alarms,
    )


def _fill(moment: Moment, state: GuardState) -> FillRecord:
    fill, seen = state.fill, moment.assessment
    elapsed_s = max(0.0, moment.now - state.stepped_at)
    rinse_s = fill.rinse_s
    if state.phase is RINSE:
        rinse_s += elapsed_s
    if state.flow is not TO_RESERVOIR:
        return replace(fill, rinse_s=rinse_s)
    open_s = fill.open_s + elapsed_s
    volume_l, base_l, base_open_s = fill.volume_l, fill.base_volume_l, fill.base_open_s
    start_l = fill.start_volume_l
    if seen.throughput_l is not None and state.throughput_l is not None:
        volume_l += max(0.0, seen.throughput_l - state.throughput_l)
    if seen.volume_l is not None:
        start_l = seen.volume_l if start_l is None else start_l
        if seen.throughput_l is None:
            # The net rise, not the sum of the ups: noise on a level would add up for ever.
            volume_l = max(volume_l, seen.volume_l - start_l)
        if base_l is None or seen.volume_l >= base_l + moment.limits.no_rise_l:
            base_l, base_open_s = seen.volume_l, open_s
        base_l = min(base_l, seen.volume_l)
    return FillRecord(open_s, volume_l, rinse_s, fill.excursions, start_l, base_l, base_open_s)


def _closed(moment: Moment, closed: Closed) -> Closed:
    volume_l, zone = moment.assessment.volume_l, moment.assessment.zone
    if volume_l is not None:
        if closed.lowest_l is None or volume_l < closed.lowest_l:
            return replace(closed, lowest_l=volume_l)
    elif not closed.below_mark and zone is not None and zone is not _FULL:
        return replace(closed, below_mark=True)
    return closed


def unbroken(before: float | None, now: float) -> float | None:
    """Since when something has held, that holds now and held since ``before`` if that is a time."""
    return now if before is None else before


def _evidence(moment: Moment, state: GuardState) -> Evidence:
    now, seen, before = moment.now, moment.assessment, state.evidence
    fresh, sound, over = moment.fresh, moment.probe_sound, before.over
    if state.phase is FILL:
        over = unbroken(over, now) if fresh and sound and moment.over else None
    elif state.phase is not PAUSE or (sound and not moment.over):
        over = None
    fresh_since = unbroken(before.fresh, now) if fresh else None
    probe_bad = unbroken(before.probe_bad, now) if fresh and seen.probe is _FAILURE else None
    level_bad = unbroken(before.level_bad, now) if fresh and seen.zone is None else None
    in_spec = unbroken(before.in_spec, now) if fresh and sound and not moment.over else None
    if (
        fresh_since is before.fresh
        and probe_bad is before.probe_bad
        and level_bad is before.level_bad
        and over is before.over
        and in_spec is before.in_spec
    ):
        return before
    return Evidence(fresh_since, probe_bad, level_bad, over, in_spec, before.blocked)


_LOW, _SEQUENCE_FULL = Zone.LOW, Zone.FULL


def due(moment: Moment, state: GuardState) -> bool:
    """The level, or a person, asks for a fill."""
    return moment.assessment.zone is _LOW or state.wanted


def enter(state: GuardState, phase: Phase, now: float) -> GuardState:
    """The state in another phase, with the fill's account opened or closed as that asks for."""
    fill, day_l, wanted = state.fill, state.day_l, state.wanted
    if state.phase in ACTIVE and phase not in ACTIVE:
        day_l += fill.volume_l
        # A fill that a trip cut off is still wanted when the trip has been reset.
        wanted = phase is TRIPPED
    elif phase is RINSE and state.phase not in ACTIVE:
        fill = NO_FILL
    elif phase is FILL:
        fill = replace(fill, rinse_s=0.0)
    return moved(state, phase, now, fill, day_l, wanted)


def advance(moment: Moment, state: GuardState) -> tuple[GuardState, tuple[Permissive, ...]]:
    """The state after at most one transition of the fill sequence, and the permissives that it misses.

    At rest and in a pause these are the permissives that keep a rinse from beginning.
    """
    now, phase, zone = moment.now, state.phase, moment.assessment.zone
    if state.latches:
        state = state if phase is TRIPPED else enter(state, TRIPPED, now)
    elif phase is TRIPPED or (zone is _SEQUENCE_FULL and phase in ACTIVE):
        state = enter(state, REST, now)
    elif phase is RINSE and _rinsed(moment, state):
        state = enter(state, FILL, now)
    elif phase is REST and state.wanted and zone is _SEQUENCE_FULL:
        state = replace(state, wanted=False)
    after = state.phase
    if after is not REST and after is not PAUSE:
        return state, missing(moment, state, after, state.fill)
    absent = missing(moment, state, RINSE, state.fill if after is PAUSE else NO_FILL)
    if after is not phase or absent:
        return state, absent
    ready = due(moment, state) if phase is REST else lasted(state.since, now, moment.limits.pause_s)
    return (enter(state, RINSE, now) if ready else state), absent


def _rinsed(moment: Moment, state: GuardState) -> bool:
    return state.fill.rinse_s >= moment.limits.rinse_min_s and lasted(
        state.evidence.in_spec, moment.now, moment.limits.in_spec_s
    )


def interrupt(moment: Moment, state: GuardState, absent: tuple[Permissive, ...]) -> GuardState:
    """A fill whose permissives do not all hold goes into its pause."""
    fill = state.fill
    if state.phase is FILL and moment.probe_sound and Permissive.PRODUCT_IN_SPEC in absent:
        fill = FillRecord(
            fill.open_s, fill.volume_l, fill.rinse_s, fill.excursions + 1,
            fill.start_volume_l, fill.base_volume_l, fill.base_open_s,
        )  # fmt: skip
    return moved(state, PAUSE, moment.now, fill, state.day_l, state.wanted)


def flow_of(state: GuardState, has_drain: bool) -> Flow:
    """What the phase asks of the valve, if every permissive holds."""
    if state.phase is FILL:
        return TO_RESERVOIR
    if state.phase is RINSE:
        return TO_DRAIN if has_drain else TO_RESERVOIR
    return SHUT
