"""The alarm life cycle, after the states and transitions of the alarm state diagram of IEC 62682."""

from functools import partial
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.guard.alarms import (
    ACKNOWLEDGED,
    TRANSITIONS,
    AlarmRecord,
    Presence,
    Status,
    acknowledge,
    shelve,
    update,
)
from bridge.guard.commands import Acknowledge, GuardCommand, Reset, Shelve
from bridge.guard.model import Advisory, AlarmId, Flow, Trip
from bridge.guard.state import AlarmChanged
from bridge.tank.level import Zone
from tests.guard.world import GuardRun

OVERFLOW = Trip.OVERFLOW


def _status(run: GuardRun, alarm: Trip | Advisory = OVERFLOW) -> Status:
    return next((record.status for record in run.state.alarms if record.alarm is alarm), Status.NORMAL)


def _present_as(presence: Presence, alarm: AlarmId) -> Presence:
    """Returns the same presence for any alarm."""
    return presence


def test_the_table_has_every_case() -> None:
    assert set(TRANSITIONS) == {(status, presence) for status in Status for presence in Presence}
    waiting = {status for status in Status if "unacknowledged" in status.value}
    assert set(ACKNOWLEDGED) == waiting


def test_an_unacknowledged_alarm_never_disappears() -> None:
    for (status, _), after in TRANSITIONS.items():
        if status in ACKNOWLEDGED:
            assert after is not Status.NORMAL
            assert after is not Status.ACKNOWLEDGED
            assert after is not Status.LATCHED_ACKNOWLEDGED


def test_the_alarm_of_a_trip_lasts_until_the_reset() -> None:
    run = GuardRun()
    run.step(overflow=True)
    assert _status(run) is Status.UNACKNOWLEDGED
    run.step(Acknowledge(run.now, "hub", OVERFLOW))
    assert _status(run) is Status.ACKNOWLEDGED
    run.step(overflow=False)
    assert _status(run) is Status.LATCHED_ACKNOWLEDGED
    run.step(Reset(run.now, "hub", OVERFLOW))
    assert _status(run) is Status.NORMAL
    assert run.state.alarms == ()


def test_a_trip_that_is_reset_unacknowledged_still_has_to_be_acknowledged() -> None:
    run = GuardRun()
    run.step(overflow=True)
    run.step(overflow=False)
    assert _status(run) is Status.LATCHED_UNACKNOWLEDGED
    run.step(Reset(run.now, "hub", None))
    assert _status(run) is Status.CLEARED_UNACKNOWLEDGED
    run.step(Acknowledge(run.now, "hub", None))
    assert _status(run) is Status.NORMAL


def test_a_cause_that_comes_back_is_a_new_occurrence() -> None:
    run = GuardRun()
    run.step(overflow=True)
    run.step(Acknowledge(run.now, "hub", None), overflow=False)
    run.step(overflow=True)
    assert _status(run) is Status.UNACKNOWLEDGED


def test_an_advisory_comes_and_goes_without_shutting_the_valve() -> None:
    run = GuardRun(advisories=frozenset({Advisory.PROBE_MAINTENANCE}))
    assert run.fill().flow is Flow.TO_RESERVOIR
    assert _status(run, Advisory.PROBE_MAINTENANCE) is Status.UNACKNOWLEDGED
    run.step(Acknowledge(run.now, "hub", Advisory.PROBE_MAINTENANCE))
    run.step(advisories=frozenset())
    assert run.state.alarms == ()


def test_a_shelved_alarm_is_shown_again_when_its_time_is_over() -> None:
    run = GuardRun()
    run.step(overflow=True)
    reply = run.step(Shelve(run.now, "hub", OVERFLOW, 1.0)).replies[0]
    assert reply.accepted
    (record,) = run.state.alarms
    assert record.shelved_until is not None
    assert run.decision is not None
    assert run.decision.flow is Flow.SHUT
    run.pass_time(65)
    (record,) = run.state.alarms
    assert (record.status, record.shelved_until) == (Status.UNACKNOWLEDGED, None)


@pytest.mark.parametrize("minutes", [-1.0, 24 * 60 + 1.0, float("nan"), float("inf")])
def test_no_alarm_is_shelved_for_ever(minutes: float) -> None:
    run = GuardRun()
    run.step(overflow=True)
    reply = run.step(Shelve(run.now, "hub", OVERFLOW, minutes)).replies[0]
    assert not reply.accepted
    assert run.state.alarms[0].shelved_until is None


def test_acknowledging_without_an_alarm_is_refused() -> None:
    run = GuardRun()
    assert not run.step(Acknowledge(run.now, "hub", None)).replies[0].accepted
    assert not run.step(Acknowledge(run.now, "hub", OVERFLOW)).replies[0].accepted


@given(st.lists(st.sampled_from(["present", "latched", "gone", "acknowledge", "shelve", "unshelve", "wait"])))
def test_an_alarm_whose_cause_is_present_is_always_active(events: list[str]) -> None:
    """After every event, a present cause has an active record, and an unacknowledged alarm is kept."""
    records: tuple[AlarmRecord, ...] = ()
    presence = Presence.GONE
    now = 0.0
    for event in events:
        now += 10.0
        unacknowledged = any(record.status in ACKNOWLEDGED for record in records)
        if event in ("present", "latched", "gone"):
            presence = Presence(event)
        elif event == "acknowledge":
            records, _ = acknowledge(records, OVERFLOW, now)
            unacknowledged = False
        elif event in ("shelve", "unshelve"):
            records = shelve(records, OVERFLOW, now + 25.0 if event == "shelve" else None, now)
        active = [] if presence is Presence.GONE else [OVERFLOW]
        records = update(records, partial(_present_as, presence), active, now)
        assert len(records) <= 1
        statuses = {record.status for record in records}
        if presence is Presence.PRESENT:
            assert statuses & {Status.UNACKNOWLEDGED, Status.ACKNOWLEDGED}
        if unacknowledged:
            assert statuses & set(ACKNOWLEDGED)


def test_each_change_of_an_alarm_is_one_event_and_an_alarm_that_stays_is_none() -> None:
    run = GuardRun(zone=Zone.MIDDLE)

    def changes(*commands: GuardCommand, **seen: Any) -> list[AlarmChanged]:
        return [one for one in run.step(*commands, **seen).events if isinstance(one, AlarmChanged)]

    raised = AlarmChanged(OVERFLOW, "normal", "unacknowledged", False)
    assert changes() == []
    assert changes(overflow=True) == [raised]
    assert changes() == []
    other = AlarmChanged(Advisory.PROBE_MAINTENANCE, "normal", "unacknowledged", False)
    assert changes(advisories=frozenset({Advisory.PROBE_MAINTENANCE})) == [other]
    shelved = AlarmChanged(OVERFLOW, "unacknowledged", "unacknowledged", True)
    assert changes(Shelve(run.now + 1, "hub", OVERFLOW, 1.0)) == [shelved]
    seen = AlarmChanged(OVERFLOW, "unacknowledged", "acknowledged", True)
    assert changes(Acknowledge(run.now + 1, "hub", OVERFLOW)) == [seen]
    gone = AlarmChanged(OVERFLOW, "acknowledged", "latched-acknowledged", True)
    assert changes(overflow=False) == [gone]
    run.pass_time(60)
    done = AlarmChanged(OVERFLOW, "latched-acknowledged", "normal", False)
    assert changes(Reset(run.now + 1, "hub", None)) == [done]
    assert [record.alarm for record in run.state.alarms] == [Advisory.PROBE_MAINTENANCE]


def test_a_shelving_time_ends_at_its_moment() -> None:
    records = shelve((AlarmRecord(OVERFLOW, Status.ACKNOWLEDGED, 0.0),), OVERFLOW, 60.0, 10.0)
    for now, shelved in ((59.9, True), (60.0, False)):
        (record,) = update(records, partial(_present_as, Presence.PRESENT), [OVERFLOW], now)
        assert (record.shelved_until is not None) is shelved
        assert (record.status, record.since) == (Status.ACKNOWLEDGED, 0.0)


def test_an_alarm_that_is_normal_can_be_shelved_before_it_occurs_and_only_once() -> None:
    records = shelve((), OVERFLOW, 60.0, 10.0)
    assert records == (AlarmRecord(OVERFLOW, Status.NORMAL, 10.0, 60.0),)
    assert shelve(records, OVERFLOW, 90.0, 20.0) == (AlarmRecord(OVERFLOW, Status.NORMAL, 10.0, 90.0),)
    assert shelve(records, OVERFLOW, None, 20.0) == ()
    assert shelve((), OVERFLOW, None, 20.0) == ()
    assert acknowledge(records, None, 30.0) == (records, 0)
