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
from bridge.guard.permissives import ACTIVE, asked, asked_for_rinse, missing
from bridge.guard.state import NO_FILL, GuardState
from bridge.guard.trips import lasted
from bridge.guard.words import Flow, Permissive, Phase
from bridge.tank.zone import Zone


def due(moment: Moment, state: GuardState) -> bool:
    """The level, or a person, asks for a fill."""
    return moment.assessment.zone is Zone.LOW or state.wanted


def enter(state: GuardState, phase: Phase, now: float) -> GuardState:
    """The state in another phase, with the fill's account opened or closed as that asks for."""
    fill, day_l, wanted = state.fill, state.day_l, state.wanted
    if state.phase in ACTIVE and phase not in ACTIVE:
        day_l += fill.volume_l
        # A fill that a trip cut off is still wanted when the trip has been reset.
        wanted = phase is Phase.TRIPPED
    elif phase is Phase.RINSE and state.phase not in ACTIVE:
        fill = NO_FILL
    elif phase is Phase.FILL:
        fill = replace(fill, rinse_s=0.0)
    return replace(state, phase=phase, since=now, fill=fill, day_l=day_l, wanted=wanted)


def advance(moment: Moment, state: GuardState) -> tuple[GuardState, tuple[Permissive, ...]]:
    """The state after at most one transition of the fill sequence, and the permissives that it misses.

    At rest and in a pause these are the permissives that keep a rinse from beginning.
    """
    now, phase = moment.now, state.phase
    if state.latches:
        state = state if phase is Phase.TRIPPED else enter(state, Phase.TRIPPED, now)
    elif phase is Phase.TRIPPED or (phase in ACTIVE and moment.assessment.zone is Zone.FULL):
        state = enter(state, Phase.REST, now)
    elif phase is Phase.RINSE and _rinsed(moment, state):
        state = enter(state, Phase.FILL, now)
    elif phase is Phase.REST and state.wanted and moment.assessment.zone is Zone.FULL:
        state = replace(state, wanted=False)
    if state.phase not in (Phase.REST, Phase.PAUSE):
        return state, missing(asked(moment, state))
    absent = missing(asked_for_rinse(moment, state))
    if state.phase is not phase or absent:
        return state, absent
    ready = due(moment, state) if phase is Phase.REST else lasted(state.since, now, moment.limits.pause_s)
    return (enter(state, Phase.RINSE, now) if ready else state), absent


def _rinsed(moment: Moment, state: GuardState) -> bool:
    return state.fill.rinse_s >= moment.limits.rinse_min_s and lasted(
        state.evidence.in_spec, moment.now, moment.limits.in_spec_s
    )


def interrupt(moment: Moment, state: GuardState, absent: tuple[Permissive, ...]) -> GuardState:
    """A fill whose permissives do not all hold goes into its pause."""
    fill = state.fill
    if state.phase is Phase.FILL and Permissive.PRODUCT_IN_SPEC in absent and moment.probe_sound:
        fill = replace(fill, excursions=fill.excursions + 1)
    return replace(enter(state, Phase.PAUSE, moment.now), fill=fill)


def flow_of(state: GuardState, has_drain: bool) -> Flow:
    """What the phase asks of the valve, if every permissive holds."""
    if state.phase is Phase.RINSE:
        return Flow.TO_DRAIN if has_drain else Flow.TO_RESERVOIR
    return Flow.TO_RESERVOIR if state.phase is Phase.FILL else Flow.SHUT
