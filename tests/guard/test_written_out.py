"""What the guard writes out field by field puts every other field back into its own place."""

from dataclasses import replace

from bridge.guard.alarms import AlarmRecord, Status
from bridge.guard.limits import Limits, look
from bridge.guard.model import Advisory, Assessment, Flow, Phase, Trip, amended
from bridge.guard.sequence import account
from bridge.guard.state import (
    Closed,
    Evidence,
    FillRecord,
    GuardState,
    Latch,
    decided,
    latched,
    moved,
)
from bridge.tank.level import Zone
from bridge.water.health import Health
from tests.guard.world import Told

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


def test_a_state_that_moves_on_latches_or_decides_keeps_the_rest() -> None:
    before = EVERY_FIELD_ITS_OWN
    fill, closed, evidence = FillRecord(open_s=90.0), Closed(91.0), Evidence(92.0)
    assert moved(before, Phase.PAUSE, 93.0, fill, 94.0, False) == replace(
        before, phase=Phase.PAUSE, since=93.0, fill=fill, day_l=94.0, wanted=False
    )
    more = (*before.latches, Latch(Trip.LINK_LOST, 95.0))
    assert latched(before, more, Trip.LINK_LOST, closed) == replace(
        before, latches=more, first_out=Trip.LINK_LOST, closed=closed
    )
    assert decided(before, Flow.TO_DRAIN, evidence, ()) == replace(
        before, flow=Flow.TO_DRAIN, evidence=evidence, alarms=()
    )


def test_what_passed_is_accounted_for_and_the_rest_is_kept() -> None:
    before = EVERY_FIELD_ITS_OWN
    evidence = Evidence(5.0, None, None, None, 9.0, 10.0)
    assert account(look(Limits(), SEEN, 100.0), before) == replace(
        before, stepped_at=100.0, evidence=evidence, volume_l=60.0, throughput_l=7.0
    )


def test_an_assessment_with_more_advisories_keeps_the_rest() -> None:
    found = frozenset({Advisory.LOG_TROUBLE})
    both = frozenset({Advisory.LOG_TROUBLE, Advisory.RESERVOIR_LOW})
    assert amended(SEEN, found, False) == replace(SEEN, advisories=both)
    assert amended(SEEN, found, True) == replace(SEEN, advisories=both, controller_fault=True)


def test_what_has_not_changed_is_the_same_object_so_that_looking_for_changes_is_cheap() -> None:
    told = Told()
    told.fill()
    told.step(product_ppm=150.0)
    told.pass_time(100)
    before = told.state
    assert before.alarms
    assert before.latches
    told.step()
    assert told.state.alarms is before.alarms
    assert told.state.latches is before.latches
    assert told.state.evidence is before.evidence
    assert told.state.fill is before.fill
