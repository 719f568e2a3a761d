"""One step of the guard: everything known goes in, one decision comes out.

The order inside a step is the theory of it:

1. account for what passed since the last step, under the decision that was in force;
2. obey commands, which can never open the valve;
3. latch every trip whose cause is present, and let go those that reset themselves;
4. move the fill sequence on by at most one phase;
5. look at every permissive: the valve is open if, and only if, the phase asks for it and none is missing;
6. let the alarms follow.
"""

from collections.abc import Sequence
from dataclasses import replace

from bridge.guard import alarms, sequence
from bridge.guard.alarms import AlarmRecord, Presence, Status
from bridge.guard.assessment import Assessment
from bridge.guard.bookkeeping import account, unbroken
from bridge.guard.commands import GuardCommand
from bridge.guard.limits import Limits
from bridge.guard.moment import Moment, look
from bridge.guard.orders import obey, unlatch
from bridge.guard.state import (
    AlarmChanged,
    Closed,
    Decision,
    GuardEvent,
    GuardState,
    Latch,
    Latched,
    PhaseChanged,
    Reply,
    Unlatched,
)
from bridge.guard.trips import CAUSES, lasted, resets_itself
from bridge.guard.words import Advisory, AlarmId, Flow, Phase, Trip

# In the order of their definition: going through an enumeration itself costs several times as much.
_TRIPS = tuple(Trip)
_ADVISORIES = tuple(Advisory)


def step(
    limits: Limits,
    state: GuardState,
    assessment: Assessment,
    commands: Sequence[GuardCommand],
    now: float,
) -> tuple[GuardState, Decision]:
    """Decide whether water may flow.

    Args:
        limits: the bounds of this reservoir.
        state: what the last step returned, or :func:`bridge.guard.state.begin`.
        assessment: what is known now.
        commands: what people asked for since the last step, oldest first.
        now: monotonic seconds, never less than at the last step; an earlier time counts as no time passed.

    Returns:
        The next state, and the decision that is in force until the next step.
    """
    now = max(now, state.stepped_at)
    moment = look(limits, assessment, now)
    before = state
    state = account(moment, state)
    events: list[GuardEvent] = []
    replies: list[Reply] = []
    for index, command in enumerate(commands):
        state, accepted, sentence, brought = obey(moment, state, command)
        replies.append(Reply(index, accepted, sentence))
        events.extend(brought)

    causes = [trip for trip, present in CAUSES.items() if present(moment, state)]
    state = _latch(moment, state, causes, events)
    state, absent = sequence.advance(moment, state)
    flow = sequence.flow_of(state, limits.has_drain)
    if flow is not Flow.SHUT and absent:
        flow = Flow.SHUT
        state = sequence.interrupt(moment, state, absent)
    if state.phase is not before.phase:
        events.append(PhaseChanged(before.phase, state.phase))

    state = _blocked(moment, state, bool(absent))
    records = _alarms(moment, state, causes)
    events.extend(_changes(before.alarms, records))
    if flow is not state.flow or records != state.alarms:
        state = replace(state, flow=flow, alarms=records)
    lease_s = 0.0 if flow is Flow.SHUT else limits.lease_s
    return state, Decision(flow, lease_s, absent, tuple(events), tuple(replies))


def _latch(moment: Moment, state: GuardState, causes: list[Trip], events: list[GuardEvent]) -> GuardState:
    if not causes and not state.latches:
        return state
    held = {latch.trip for latch in state.latches}
    new = [trip for trip in causes if trip not in held]
    if new:
        first = state.first_out or new[0]
        events.extend(Latched(trip, state.first_out is None and trip is first) for trip in new)
        latches = state.latches + tuple(Latch(trip, moment.now) for trip in new)
        # A rise that tripped is counted from anew, so that its end can be seen.
        closed = Closed(moment.now) if Trip.RISE_WHILE_CLOSED in new else state.closed
        state = replace(state, latches=latches, first_out=first, closed=closed)
    released = frozenset(latch.trip for latch in state.latches if resets_itself(moment, state, latch))
    if released:
        events.extend(Unlatched(trip, "itself") for trip in released)
        state = unlatch(state, released)
    return state


def _blocked(moment: Moment, state: GuardState, shut: bool) -> GuardState:
    waits = state.phase is Phase.PAUSE or (state.phase is Phase.REST and sequence.due(moment, state))
    since = unbroken(state.evidence.blocked, shut and waits, moment.now)
    if since == state.evidence.blocked:
        return state
    return replace(state, evidence=replace(state.evidence, blocked=since))


def _alarms(moment: Moment, state: GuardState, causes: list[Trip]) -> tuple[AlarmRecord, ...]:
    advisories = moment.assessment.advisories
    if lasted(state.evidence.blocked, moment.now, moment.limits.blocked_after_s):
        advisories |= {Advisory.FILL_BLOCKED}
    latched = {latch.trip for latch in state.latches}
    if not advisories and not latched and not state.alarms:
        return ()

    def presence(alarm: AlarmId) -> Presence:
        if alarm in advisories:
            return Presence.PRESENT
        if alarm not in latched:
            return Presence.GONE
        return Presence.PRESENT if alarm in causes else Presence.LATCHED

    active: list[AlarmId] = [trip for trip in _TRIPS if trip in latched] if latched else []
    if advisories:
        active.extend([advisory for advisory in _ADVISORIES if advisory in advisories])
    return alarms.follow(state.alarms, presence, active, moment.now)


def _changes(before: Sequence[AlarmRecord], after: Sequence[AlarmRecord]) -> list[AlarmChanged]:
    if before == after:
        return []
    old = {record.alarm: record for record in before}
    new = {record.alarm: record for record in after}
    return [
        AlarmChanged(
            alarm,
            old[alarm].status.value if alarm in old else Status.NORMAL.value,
            new[alarm].status.value if alarm in new else Status.NORMAL.value,
            alarm in new and new[alarm].shelved_until is not None,
        )
        for alarm in {**old, **new}
        if old.get(alarm) != new.get(alarm)
    ]
