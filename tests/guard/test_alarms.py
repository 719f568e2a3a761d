"""The life of an alarm, after IEC 62682 (the states and transitions of its alarm state diagram)."""

from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.guard.alarms import (
    ACKNOWLEDGED,
    FOLLOW,
    AlarmRecord,
    Presence,
    Status,
    acknowledge,
    follow,
    shelve,
)
from bridge.guard.commands import Acknowledge, Reset, Shelve
from bridge.guard.model import Advisory, AlarmId, Flow, Trip
from tests.guard.world import Told

OVERFLOW = Trip.OVERFLOW


def _status(told: Told, alarm: Trip | Advisory = OVERFLOW) -> Status:
    return next((record.status for record in told.state.alarms if record.alarm is alarm), Status.NORMAL)


def _seen_as(presence: Presence, alarm: AlarmId) -> Presence:
    """The process shows this, whichever alarm is asked for."""
    return presence


def test_the_table_knows_every_case() -> None:
    assert set(FOLLOW) == {(status, presence) for status in Status for presence in Presence}
    waiting = {status for status in Status if "unacknowledged" in status.value}
    assert set(ACKNOWLEDGED) == waiting


def test_an_alarm_that_nobody_saw_is_never_forgotten() -> None:
    for (status, _), after in FOLLOW.items():
        if status in ACKNOWLEDGED:
            assert after is not Status.NORMAL
            assert after is not Status.ACKNOWLEDGED
            assert after is not Status.LATCHED_ACKNOWLEDGED


def test_a_trip_lives_from_occurrence_to_reset() -> None:
    told = Told()
    told.step(overflow=True)
    assert _status(told) is Status.UNACKNOWLEDGED
    told.step(Acknowledge(told.now, "hub", OVERFLOW))
    assert _status(told) is Status.ACKNOWLEDGED
    told.step(overflow=False)
    assert _status(told) is Status.LATCHED_ACKNOWLEDGED
    told.step(Reset(told.now, "hub", OVERFLOW))
    assert _status(told) is Status.NORMAL
    assert told.state.alarms == ()


def test_a_trip_reset_before_anybody_acknowledged_it_still_waits_to_be_seen() -> None:
    told = Told()
    told.step(overflow=True)
    told.step(overflow=False)
    assert _status(told) is Status.LATCHED_UNACKNOWLEDGED
    told.step(Reset(told.now, "hub", None))
    assert _status(told) is Status.CLEARED_UNACKNOWLEDGED
    told.step(Acknowledge(told.now, "hub", None))
    assert _status(told) is Status.NORMAL


def test_a_cause_that_comes_back_is_a_new_occurrence() -> None:
    told = Told()
    told.step(overflow=True)
    told.step(Acknowledge(told.now, "hub", None), overflow=False)
    told.step(overflow=True)
    assert _status(told) is Status.UNACKNOWLEDGED


def test_an_advisory_comes_and_goes_without_shutting_the_valve() -> None:
    told = Told(advisories=frozenset({Advisory.PROBE_MAINTENANCE}))
    assert told.fill().flow is Flow.TO_RESERVOIR
    assert _status(told, Advisory.PROBE_MAINTENANCE) is Status.UNACKNOWLEDGED
    told.step(Acknowledge(told.now, "hub", Advisory.PROBE_MAINTENANCE))
    told.step(advisories=frozenset())
    assert told.state.alarms == ()


def test_a_shelved_alarm_is_silent_for_its_time_and_then_speaks_again() -> None:
    told = Told()
    told.step(overflow=True)
    reply = told.step(Shelve(told.now, "hub", OVERFLOW, 1.0)).replies[0]
    assert reply.accepted
    (record,) = told.state.alarms
    assert record.shelved_until is not None
    assert told.decision is not None
    assert told.decision.flow is Flow.SHUT
    told.pass_time(65)
    (record,) = told.state.alarms
    assert (record.status, record.shelved_until) == (Status.UNACKNOWLEDGED, None)


@pytest.mark.parametrize("minutes", [-1.0, 24 * 60 + 1.0, float("nan"), float("inf")])
def test_nothing_is_shelved_for_ever(minutes: float) -> None:
    told = Told()
    told.step(overflow=True)
    reply = told.step(Shelve(told.now, "hub", OVERFLOW, minutes)).replies[0]
    assert not reply.accepted
    assert told.state.alarms[0].shelved_until is None


def test_acknowledging_what_is_not_there_is_refused() -> None:
    told = Told()
    assert not told.step(Acknowledge(told.now, "hub", None)).replies[0].accepted
    assert not told.step(Acknowledge(told.now, "hub", OVERFLOW)).replies[0].accepted


@given(st.lists(st.sampled_from(["present", "latched", "gone", "acknowledge", "shelve", "unshelve", "wait"])))
def test_whatever_happens_an_alarm_that_is_present_is_shown(events: list[str]) -> None:
    """Property: after every event, a present cause has an active record, and an unseen alarm is kept."""
    records: tuple[AlarmRecord, ...] = ()
    presence = Presence.GONE
    now = 0.0
    for event in events:
        now += 10.0
        unseen = any(record.status in ACKNOWLEDGED for record in records)
        if event in ("present", "latched", "gone"):
            presence = Presence(event)
        elif event == "acknowledge":
            records, _ = acknowledge(records, OVERFLOW, now)
            unseen = False
        elif event in ("shelve", "unshelve"):
            records = shelve(records, OVERFLOW, now + 25.0 if event == "shelve" else None, now)
        active = [] if presence is Presence.GONE else [OVERFLOW]
        records = follow(records, partial(_seen_as, presence), active, now)
        assert len(records) <= 1
        statuses = {record.status for record in records}
        if presence is Presence.PRESENT:
            assert statuses & {Status.UNACKNOWLEDGED, Status.ACKNOWLEDGED}
        if unseen:
            assert statuses & set(ACKNOWLEDGED)
