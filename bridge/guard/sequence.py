"""The fill sequence: which phase follows which.

    REST --due, every permissive--> RINSE --in specification--> FILL --fill mark--> REST
                                      ^  \\                     /
                             returned |   a permissive missing
                                      |    v                  v
                                      +--------- PAUSE --fill mark--> REST

    from anywhere: a trip latches -> TRIPPED --every trip reset--> REST

The valve may be open in RINSE and FILL only; :func:`advance` moves at most one phase a step.
"""

from dataclasses import replace

from bridge.guard.moment import Moment
from bridge.guard.permissives import ACTIVE, missing
from bridge.guard.state import NO_FILL, FillRecord, GuardState, moved
from bridge.guard.trips import lasted
from bridge.guard.words import (
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
from bridge.tank.level import Zone

_LOW, _FULL = Zone.LOW, Zone.FULL


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
    elif phase is TRIPPED or (zone is _FULL and phase in ACTIVE):
        state = enter(state, REST, now)
    elif phase is RINSE and _rinsed(moment, state):
        state = enter(state, FILL, now)
    elif phase is REST and state.wanted and zone is _FULL:
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
