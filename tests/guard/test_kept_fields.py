"""An update of the guard's state or of an assessment changes its own fields and keeps every other one."""

from dataclasses import replace

from bridge.guard.alarms import AlarmRecord, Status
from bridge.guard.limits import Limits, compare
from bridge.guard.model import Advisory, Assessment, Flow, Phase, Trip, amended
from bridge.guard.sequence import account
from bridge.guard.state import Closed, Evidence, FillRecord, GuardState, Latch
from bridge.tank.level import Zone
from bridge.water.health import Health
from tests.guard.world import GuardRun

EVERY_FIELD_ITS_OWN = GuardState(
    started_at=1.0,
    stepped_at=2.0,
    since=3.0,
    phase=Phase.TRIPPED,
    flow=Flow.SHUT,
    wanted=True,
    hold=False,
    latches=(Latch(Trip.OVERFLOW, 4.0),),
    first_out=Trip.OVERFLOW,
    evidence=Evidence(5.0, 6.0, 7.0, 8.0, 9.0, 10.0),
    fill=FillRecord(11.0, 12.0, 13.0, 14, 15.0, 16.0, 17.0),
    closed=Closed(18.0, 19.0, True),
    volume_l=20.0,
    throughput_l=21.0,
    catching_up=True,
    day_from=22.0,
    day_l=23.0,
    alarms=(AlarmRecord(Trip.OVERFLOW, Status.UNACKNOWLEDGED, 24.0),),
)
SEEN = Assessment(
    frame_at=100.0,
    product_ppm=5.0,
    guard_band_ppm=0.5,
    probe=Health.GOOD,
    temperature_c=18.0,
    zone=Zone.MIDDLE,
    volume_l=60.0,
    volume_at_least_l=58.0,
    overflow=False,
    reservoir_ppm=6.0,
    throughput_l=7.0,
    seen=Flow.TO_DRAIN,
    controller_fault=False,
    advisories=frozenset({Advisory.RESERVOIR_LOW}),
)


def test_accounting_changes_its_own_fields_and_keeps_the_others() -> None:
    before = EVERY_FIELD_ITS_OWN
    evidence = Evidence(5.0, None, None, None, 9.0, 10.0)
    assert account(compare(Limits(), SEEN, 100.0), before) == replace(
        before,
        stepped_at=100.0,
        evidence=evidence,
        volume_l=60.0,
        throughput_l=7.0,
        catching_up=False,
        day_l=30.0,
    )


def test_an_assessment_with_more_advisories_keeps_its_other_fields() -> None:
    found = frozenset({Advisory.LOG_TROUBLE})
    both = frozenset({Advisory.LOG_TROUBLE, Advisory.RESERVOIR_LOW})
    assert amended(SEEN, found, False) == replace(SEEN, advisories=both)
    assert amended(SEEN, found, True) == replace(SEEN, advisories=both, controller_fault=True)


def test_a_value_that_has_not_changed_is_the_same_object() -> None:
    run = GuardRun()
    run.fill()
    run.step(product_ppm=150.0)
    run.pass_time(100)
    before = run.state
    assert before.alarms
    assert before.latches
    run.step()
    assert run.state.alarms is before.alarms
    assert run.state.latches is before.latches
    assert run.state.evidence is before.evidence
    assert run.state.fill is before.fill
