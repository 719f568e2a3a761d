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

from bridge.guard import alarms, sequence
from bridge.guard.alarms import AlarmRecord, Presence, Status
from bridge.guard.commands import GuardCommand
from bridge.guard.limits import Limits, Moment, look
from bridge.guard.model import PAUSE, REST, SHUT, Advisory, AlarmId, Assessment, Trip
from bridge.guard.orders import obey, unlatch
from bridge.guard.rules import causes, lasted, resets_itself
from bridge.guard.sequence import account, unbroken
from bridge.guard.state import (
    AlarmChanged,
    Closed,
    Decision,
    Evidence,
    GuardEvent,
    GuardState,
    Latch,
    Latched,
    PhaseChanged,
    Reply,
    Unlatched,
    decided,
    latched,
)

# In the order of their definition: going through an enumeration itself costs several times as much.
_TRIPS = tuple(Trip)
_ADVISORIES = tuple(Advisory)
_NORMAL = Status.NORMAL.value


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
    if now < state.stepped_at:
        now = state.stepped_at
    moment = look(limits, assessment, now)
    before = state
    state = account(moment, state)
    events: list[GuardEvent] = []
    replies: list[Reply] = []
    for index, command in enumerate(commands):
        state, accepted, sentence, brought = obey(moment, state, command)
        replies.append(Reply(index, accepted, sentence))
        events.extend(brought)

    present = causes(moment, state)
    if present or state.latches:
        state = _latch(moment, state, present, events)
    state, absent = sequence.advance(moment, state)
    flow = sequence.flow_of(state, limits.has_drain)
    if absent and flow is not SHUT:
        flow = SHUT
        state = sequence.interrupt(moment, state, absent)
    if state.phase is not before.phase:
        events.append(PhaseChanged(before.phase, state.phase))

    evidence, records = state.evidence, state.alarms
    if absent or evidence.blocked is not None:
        evidence = _blocked(moment, state, bool(absent))
    if records or state.latches or assessment.advisories or evidence.blocked is not None:
        records = _alarms(moment, state, evidence, present)
    if records is not before.alarms:
        events.extend(_changes(before.alarms, records))
    if flow is not state.flow or evidence is not state.evidence or records is not state.alarms:
        state = decided(state, flow, evidence, records)
    lease_s = 0.0 if flow is SHUT else limits.lease_s
    return state, Decision(flow, lease_s, absent, tuple(events), tuple(replies))


def _latch(moment: Moment, state: GuardState, present: list[Trip], events: list[GuardEvent]) -> GuardState:
    held = [latch.trip for latch in state.latches]
    new = [trip for trip in present if trip not in held]
    if new:
        first = state.first_out or new[0]
        events.extend([Latched(trip, state.first_out is None and trip is first) for trip in new])
        latches = state.latches + tuple([Latch(trip, moment.now) for trip in new])
        # A rise that tripped is counted from anew, so that its end can be seen.
        closed = Closed(moment.now) if Trip.RISE_WHILE_CLOSED in new else state.closed
        state = latched(state, latches, first, closed)
    released = frozenset([latch.trip for latch in state.latches if resets_itself(moment, state, latch)])
    if released:
        events.extend([Unlatched(trip, "itself") for trip in released])
        state = unlatch(state, released)
    return state


def _blocked(moment: Moment, state: GuardState, shut: bool) -> Evidence:
    """The evidence, with how long a fill that is due has been kept from going on."""
    evidence, phase = state.evidence, state.phase
    waits = shut and (phase is PAUSE or (phase is REST and sequence.due(moment, state)))
    since = unbroken(evidence.blocked, moment.now) if waits else None
    if since is evidence.blocked:
        return evidence
    return Evidence(
        evidence.fresh, evidence.probe_bad, evidence.level_bad, evidence.over, evidence.in_spec, since
    )


def _alarms(
    moment: Moment, state: GuardState, evidence: Evidence, present: list[Trip]
) -> tuple[AlarmRecord, ...]:
    advisories = moment.assessment.advisories
    if lasted(evidence.blocked, moment.now, moment.limits.blocked_after_s):
        advisories |= {Advisory.FILL_BLOCKED}
    held = [latch.trip for latch in state.latches]

    def presence(alarm: AlarmId) -> Presence:
        if alarm in advisories:
            return Presence.PRESENT
        if alarm not in held:
            return Presence.GONE
        return Presence.PRESENT if alarm in present else Presence.LATCHED

    active: list[AlarmId] = [trip for trip in _TRIPS if trip in held] if held else []
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
            old[alarm].status.value if alarm in old else _NORMAL,
            new[alarm].status.value if alarm in new else _NORMAL,
            alarm in new and new[alarm].shelved_until is not None,
        )
        for alarm in {**old, **new}
        if old.get(alarm) != new.get(alarm)
    ]
