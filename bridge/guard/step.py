"""One step of the guard: it takes the assessment and the commands, and returns one decision.

The steps have a fixed order:

1. account for the time since the last step, under the decision that was in force;
2. execute the commands, which can never open the valve;
3. latch every trip whose cause is present, and unlatch the trips that reset themselves;
4. advance the fill sequence by at most one phase;
5. check every permissive: the valve is open if, and only if, the phase needs it and no permissive is missing;
6. update the alarms.
"""

from collections.abc import Sequence
from dataclasses import replace

from bridge.guard import alarms, sequence
from bridge.guard.alarms import AlarmRecord, Presence, Status
from bridge.guard.commands import GuardCommand, execute, unlatch
from bridge.guard.limits import Limits, Moment, compare
from bridge.guard.model import Advisory, AlarmId, Assessment, Flow, Phase, Trip
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
)


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
        state: the state that the last step returned, or that of :func:`bridge.guard.state.begin`.
        assessment: everything known now.
        commands: the commands received since the last step, oldest first.
        now: monotonic seconds. A time before the last step counts as the time of the last step.

    Returns:
        The next state, and the decision, which is in force until the next step.
    """
    if now < state.stepped_at:
        now = state.stepped_at
    moment = compare(limits, assessment, now)
    before = state
    state = account(moment, state)
    events: list[GuardEvent] = []
    replies: list[Reply] = []
    for index, command in enumerate(commands):
        state, accepted, sentence, caused = execute(moment, state, command)
        replies.append(Reply(index, accepted, sentence))
        events.extend(caused)

    present = causes(moment, state)
    if present or state.latches:
        state = _latch(moment, state, present, events)
    state, absent = sequence.advance(moment, state)
    flow = sequence.flow_of(state, limits.has_drain)
    if absent and flow is not Flow.SHUT:
        flow = Flow.SHUT
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
        state = replace(state, flow=flow, evidence=evidence, alarms=records)
    lease_s = 0.0 if flow is Flow.SHUT else limits.lease_s
    return state, Decision(flow, lease_s, absent, tuple(events), tuple(replies))


def _latch(moment: Moment, state: GuardState, present: list[Trip], events: list[GuardEvent]) -> GuardState:
    held = [latch.trip for latch in state.latches]
    new = [trip for trip in present if trip not in held]
    if new:
        first = state.first_out or new[0]
        events.extend([Latched(trip, state.first_out is None and trip is first) for trip in new])
        latches = state.latches + tuple([Latch(trip, moment.now) for trip in new])
        # After a rise has tripped, rises count from the new level, so that the end of the rise is visible.
        closed = Closed(moment.now) if Trip.RISE_WHILE_CLOSED in new else state.closed
        state = replace(state, latches=latches, first_out=first, closed=closed)
    released = frozenset([latch.trip for latch in state.latches if resets_itself(moment, state, latch)])
    if released:
        events.extend([Unlatched(trip, "itself") for trip in released])
        state = unlatch(state, released)
    return state


def _blocked(moment: Moment, state: GuardState, shut: bool) -> Evidence:
    """Return the evidence with the start time of the blocking of a pending fill."""
    evidence, phase = state.evidence, state.phase
    pending = phase is Phase.PAUSE or (phase is Phase.IDLE and sequence.due(moment, state))
    since = unbroken(evidence.blocked, moment.now) if shut and pending else None
    return evidence if since is evidence.blocked else replace(evidence, blocked=since)


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

    known = {record.alarm for record in state.alarms}
    # In the order of the alarms' own list. Mostly none is new.
    new: list[AlarmId] = [trip for trip in Trip if trip in held] if not known.issuperset(held) else []
    if not known.issuperset(advisories):
        new.extend([advisory for advisory in Advisory if advisory in advisories])
    return alarms.update(state.alarms, presence, new, moment.now)


def _changes(before: Sequence[AlarmRecord], after: Sequence[AlarmRecord]) -> list[AlarmChanged]:
    if before == after:
        return []
    old = {record.alarm: record for record in before}
    new = {record.alarm: record for record in after}
    return [
        AlarmChanged(
            alarm,
            before=(old[alarm].status if alarm in old else Status.NORMAL).value,
            after=(new[alarm].status if alarm in new else Status.NORMAL).value,
            shelved=alarm in new and new[alarm].shelved_until is not None,
        )
        for alarm in {**old, **new}
        if old.get(alarm) != new.get(alarm)
    ]
