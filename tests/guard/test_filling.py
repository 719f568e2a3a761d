"""The fill sequence, and its interruptions."""

from dataclasses import replace
from typing import Any

import pytest

from bridge.guard.alarms import Status
from bridge.guard.commands import Hold, Reset, StartFill
from bridge.guard.limits import Limits, compare
from bridge.guard.model import Advisory, Flow, Permissive, Phase, Trip
from bridge.guard.rules import missing
from bridge.guard.state import Latch, PhaseChanged, Unlatched, begin
from bridge.tank.level import Zone
from bridge.water.health import Health
from tests.guard.world import CALM, GuardRun


def test_a_low_reservoir_is_filled_to_the_mark_after_a_rinse() -> None:
    run = GuardRun()
    assert run.step().flow is Flow.TO_RESERVOIR
    assert run.phase is Phase.RINSE
    decision = run.fill()
    assert (decision.flow, decision.lease_s, decision.missing) == (Flow.TO_RESERVOIR, 5.0, ())
    assert run.step(zone=Zone.MIDDLE).flow is Flow.TO_RESERVOIR
    full = run.step(zone=Zone.FULL)
    assert (full.flow, run.phase) == (Flow.SHUT, Phase.IDLE)
    assert run.step(zone=Zone.MIDDLE).flow is Flow.SHUT


def test_a_rinse_goes_to_the_drain_valve() -> None:
    run = GuardRun(replace(Limits(), has_drain=True), product_ppm=300.0)
    assert run.step().flow is Flow.TO_DRAIN
    assert run.pass_time(30).flow is Flow.TO_DRAIN
    run.step(product_ppm=4.0)
    run.fill()
    assert run.step().flow is Flow.TO_RESERVOIR


def test_standing_water_enters_only_while_the_whole_reservoir_stays_in_specification() -> None:
    """0.6 L of 300 ppm in 58 L of 6 ppm give 9 ppm: allowed. In 0.5 L they give 160 ppm: refused."""
    assert GuardRun(product_ppm=300.0).step().flow is Flow.TO_RESERVOIR
    empty = GuardRun(product_ppm=300.0, volume_at_least_l=0.5, volume_l=0.5)
    assert empty.step().flow is Flow.SHUT
    assert empty.missing == {Permissive.RESERVOIR_BUDGET}


def test_a_rinse_that_never_comes_into_specification_trips() -> None:
    run = GuardRun(product_ppm=80.0)
    run.pass_time(119)
    assert run.phase is Phase.RINSE
    assert not run.trips
    run.pass_time(3)
    assert run.trips == [Trip.PRODUCT_OVER_LIMIT]
    assert run.decision is not None
    assert run.decision.flow is Flow.SHUT


def test_one_reading_over_the_limit_shuts_the_valve_and_a_lasting_excess_trips() -> None:
    run = GuardRun()
    run.fill()
    assert run.step(product_ppm=60.0).flow is Flow.SHUT
    assert run.phase is Phase.PAUSE
    assert not run.trips
    run.pass_time(10)
    assert run.trips == [Trip.PRODUCT_OVER_LIMIT]
    assert run.state.first_out is Trip.PRODUCT_OVER_LIMIT


def test_the_guard_band_is_added_to_the_product() -> None:
    run = GuardRun()
    run.fill()
    assert run.step(product_ppm=49.0, guard_band_ppm=0.9).flow is Flow.TO_RESERVOIR
    assert run.step(product_ppm=49.0, guard_band_ppm=1.1).flow is Flow.SHUT


def test_a_short_excess_pauses_and_the_third_one_trips() -> None:
    run = GuardRun()
    for excess in range(3):
        run.fill()
        run.step(product_ppm=60.0)
        assert run.state.fill.excursions == excess + 1
        run.step(product_ppm=5.0)
    assert run.trips == [Trip.PRODUCT_OVER_LIMIT]


def test_a_gross_excess_trips_without_waiting() -> None:
    run = GuardRun()
    run.fill()
    assert run.step(product_ppm=150.0).flow is Flow.SHUT
    assert run.trips == [Trip.PRODUCT_OVER_LIMIT]


def test_standing_water_causes_no_trip_while_idle() -> None:
    run = GuardRun(product_ppm=400.0, zone=Zone.MIDDLE)
    run.pass_time(600)
    assert not run.trips
    assert run.phase is Phase.IDLE


def test_a_hold_pauses_a_fill_until_it_is_cancelled() -> None:
    run = GuardRun()
    run.fill()
    assert run.step(Hold(run.now, "hub", True)).flow is Flow.SHUT
    assert Permissive.NO_HOLD in run.missing
    run.pass_time(300)
    assert run.phase is Phase.PAUSE
    run.step(Hold(run.now, "hub", False))
    run.fill()


def test_there_is_a_reason_for_every_second_in_which_a_pending_fill_is_shut() -> None:
    run = GuardRun()
    run.fill()
    run.step(product_ppm=60.0)
    run.step(product_ppm=5.0)
    for _ in range(round(run.limits.pause_s) - 2):
        assert run.phase is Phase.PAUSE
        assert run.missing == {Permissive.PAUSE_OVER}
        run.step()
    run.pass_time(3)
    assert run.phase is Phase.RINSE


def test_standing_water_does_not_trip_during_a_hold() -> None:
    run = GuardRun()
    run.fill()
    run.step(Hold(run.now, "hub", True))
    run.pass_time(100, product_ppm=300.0)
    assert not run.trips


def test_a_fill_can_be_requested_above_the_refill_mark_but_not_at_the_fill_mark() -> None:
    run = GuardRun(zone=Zone.MIDDLE)
    assert run.step().flow is Flow.SHUT
    run.step(StartFill(run.now, "hub"))
    run.fill()
    full = GuardRun(zone=Zone.FULL)
    decision = full.step(StartFill(full.now, "hub"))
    assert not decision.replies[0].accepted
    assert "fill mark" in decision.replies[0].sentence


def test_a_fill_interrupted_by_a_trip_resumes_after_the_reset() -> None:
    run = GuardRun()
    run.fill()
    run.pass_time(2, zone=Zone.MIDDLE)
    run.pass_time(70, fresh=False)
    assert run.latched == {Trip.LINK_LOST}
    run.pass_time(65)
    assert not run.latched
    run.fill()


@pytest.mark.parametrize(
    ("wrong", "fresh", "limit_s", "trip"),
    [
        ({"probe": Health.FAILURE}, True, Limits().probe_failure_after_s, Trip.PROBE_FAILURE),
        ({"zone": None, "volume_l": None}, True, Limits().level_failure_after_s, Trip.LEVEL_FAILURE),
        ({}, False, Limits().link_lost_after_s, Trip.LINK_LOST),
    ],
    ids=lambda value: value.value if isinstance(value, Trip) else None,
)
def test_a_failure_of_an_instrument_trips_at_its_limit_and_not_before(
    wrong: dict[str, object], fresh: bool, limit_s: float, trip: Trip
) -> None:
    run = GuardRun(zone=Zone.MIDDLE)
    # Longer than every limit: the time counts from the failure and not from the start.
    run.pass_time(300)
    # The last good frame is the beginning of a lost link, and the first bad one that of the others.
    run.pass_time(limit_s - (0 if fresh else 1), fresh=fresh, **wrong)
    assert run.latched == set()
    assert (Permissive.LEVEL_KNOWN in run.missing) is ("zone" in wrong)
    run.step(fresh=fresh)
    assert run.latched == {trip}


def test_a_fill_that_stays_blocked_raises_an_alarm() -> None:
    run = GuardRun(temperature_c=40.0)
    run.pass_time(905)
    assert Advisory.FILL_BLOCKED in {record.alarm for record in run.state.alarms}
    assert run.missing == {Permissive.TEMPERATURE_IN_RANGE}


def test_a_clock_that_stops_or_runs_back_opens_no_valve() -> None:
    run = GuardRun(zone=Zone.MIDDLE)
    for seconds in (0.0, -5.0, -3600.0, 0.0):
        assert run.step(seconds=seconds).flow is Flow.SHUT
    run = GuardRun()
    run.fill()
    open_s = run.state.fill.open_s
    run.step(seconds=-100.0)
    assert run.state.fill.open_s == open_s
    assert run.state.stepped_at == run.now + 100.0


def test_cells_that_disagree_trip_a_fill_when_they_have_done_so_for_the_persistence_time() -> None:
    run = GuardRun()
    run.fill()
    run.pass_time(10, cells_disagree=True)
    assert not run.trips
    run.step(cells_disagree=False)
    run.pass_time(10, cells_disagree=True)
    assert not run.trips, "the time begins again"
    # No frame is no agreement: the condition goes on.
    run.step(fresh=False)
    assert run.trips == [Trip.CELLS_DISAGREE]
    run.step()
    assert run.state.evidence.disagree is None


def test_cells_that_disagree_while_no_fill_runs_trip_nothing() -> None:
    run = GuardRun(zone=Zone.MIDDLE, cells_disagree=True)
    run.pass_time(100)
    assert run.state.evidence.disagree is None
    assert not run.trips


def test_a_requested_fill_is_no_longer_wanted_when_the_reservoir_is_full_by_other_means() -> None:
    run = GuardRun(zone=Zone.MIDDLE, temperature_c=40.0)
    run.step(StartFill(run.now + 1, "hub"))
    run.step()
    assert run.state.wanted
    run.step(zone=Zone.FULL)
    assert not run.state.wanted
    run.pass_time(5, zone=Zone.MIDDLE, temperature_c=18.0)
    assert run.phase is Phase.IDLE


def test_a_shut_valve_has_no_lease() -> None:
    run = GuardRun(zone=Zone.MIDDLE)
    assert run.step().lease_s == 0.0


def test_a_reservoir_at_its_limit_is_over_it_for_the_trip_and_for_its_reset() -> None:
    run = GuardRun(zone=Zone.MIDDLE, reservoir_ppm=Limits().reservoir_limit_ppm)
    run.step()
    assert run.latched == {Trip.RESERVOIR_BUDGET}
    assert not run.step(Reset(run.now + 1, "hub", None)).replies[0].accepted
    run.step(reservoir_ppm=49.9)
    assert run.step(Reset(run.now + 1, "hub", None)).replies[0].accepted


def test_a_lost_link_resets_itself_with_an_event() -> None:
    run = GuardRun(zone=Zone.MIDDLE)
    run.pass_time(70, fresh=False)
    assert run.latched == {Trip.LINK_LOST}
    events = [event for _ in range(65) for event in run.step().events]
    assert [event for event in events if isinstance(event, Unlatched)] == [
        Unlatched(Trip.LINK_LOST, "itself")
    ]


def blocked(run: GuardRun) -> bool:
    return Advisory.FILL_BLOCKED in {record.alarm for record in run.state.alarms}


def test_a_pending_fill_that_is_blocked_raises_an_alarm_at_its_time_idle_or_paused() -> None:
    idle = GuardRun(temperature_c=40.0)
    paused = GuardRun()
    paused.fill()
    paused.step(temperature_c=40.0)
    assert paused.phase is Phase.PAUSE
    # The first blocked step begins the time.
    for run, seconds in ((idle, 900), (paused, 899)):
        run.pass_time(seconds)
        assert not blocked(run)
        run.step()
        assert blocked(run)
    idle.step(temperature_c=18.0)
    assert idle.state.evidence.blocked is None
    idle.pass_time(5)
    assert {record.status for record in idle.state.alarms} == {Status.CLEARED_UNACKNOWLEDGED}


def test_no_pending_fill_is_no_blocked_fill() -> None:
    run = GuardRun(zone=Zone.MIDDLE, temperature_c=40.0)
    run.pass_time(1000)
    assert not blocked(run)
    assert run.state.evidence.blocked is None
    tripped = GuardRun(overflow=True)
    tripped.pass_time(1000)
    assert not blocked(tripped)


@pytest.mark.parametrize(
    ("seen", "state", "fill", "permissive"),
    [
        ({"frame_at": 996.9}, {}, {}, Permissive.LINK_FRESH),
        ({"probe": Health.FUNCTION_CHECK}, {}, {}, Permissive.PROBE_HEALTHY),
        ({"product_ppm": 49.5}, {}, {}, Permissive.PRODUCT_IN_SPEC),
        ({"temperature_c": 0.9}, {}, {}, Permissive.TEMPERATURE_IN_RANGE),
        ({"temperature_c": 35.1}, {}, {}, Permissive.TEMPERATURE_IN_RANGE),
        ({"temperature_c": None}, {}, {}, Permissive.TEMPERATURE_IN_RANGE),
        ({"zone": None}, {}, {}, Permissive.LEVEL_KNOWN),
        ({"zone": Zone.FULL}, {}, {}, Permissive.BELOW_FILL_MARK),
        ({"overflow": True}, {}, {}, Permissive.OVERFLOW_DOWN),
        ({"overflow": None}, {}, {}, Permissive.OVERFLOW_DOWN),
        ({"reservoir_ppm": 50.0}, {}, {}, Permissive.RESERVOIR_BUDGET),
        ({"reservoir_ppm": None}, {}, {}, Permissive.RESERVOIR_BUDGET),
        ({}, {}, {"open_s": Limits().fill_max_s}, Permissive.FILL_TIME),
        ({}, {}, {"volume_l": Limits().fill_max_l}, Permissive.FILL_VOLUME),
        ({}, {"day_l": Limits().daily_max_l}, {}, Permissive.FILL_VOLUME),
        ({"controller_fault": True}, {}, {}, Permissive.CONTROLLER_SOUND),
        ({}, {"latches": (Latch(Trip.OVERFLOW, 1.0),)}, {}, Permissive.NO_TRIP),
        ({}, {"hold": True}, {}, Permissive.NO_HOLD),
        ({}, {"phase": Phase.PAUSE, "since": 970.1}, {}, Permissive.PAUSE_OVER),
    ],
)
def test_each_permissive_alone_is_missing_for_its_own_reason(
    seen: dict[str, Any], state: dict[str, Any], fill: dict[str, Any], permissive: Permissive
) -> None:
    """Whatever the trips do: the permissives are a layer of their own."""
    calm = replace(CALM, frame_at=997.0, temperature_c=1.0, product_ppm=49.4)
    before = begin(900.0)
    record = replace(before.fill, open_s=Limits().fill_max_s - 0.1, volume_l=Limits().fill_max_l - 0.1)
    moment = compare(Limits(), calm, 1000.0)
    assert missing(moment, before, Phase.FILL, record) == ()
    paused = replace(before, phase=Phase.PAUSE, since=970.0)
    assert missing(moment, paused, Phase.FILL, record) == ()
    moment = compare(Limits(), replace(calm, **seen), 1000.0)
    assert missing(moment, replace(before, **state), Phase.FILL, replace(record, **fill)) == (permissive,)


def test_product_over_its_limit_is_allowed_in_a_rinse_until_its_time_is_over() -> None:
    moment = compare(Limits(), replace(CALM, product_ppm=300.0), 0.0)
    state = begin(0.0)
    for rinse_s, absent in ((119.9, ()), (120.0, (Permissive.PRODUCT_IN_SPEC,))):
        found = missing(moment, state, Phase.RINSE, replace(state.fill, rinse_s=rinse_s))
        assert found == absent


def test_only_product_over_its_limit_counts_as_an_excess() -> None:
    run = GuardRun()
    run.fill()
    run.step(temperature_c=40.0)
    assert (run.phase, run.state.fill.excursions) == (Phase.PAUSE, 0)
    run.step(temperature_c=18.0)
    run.fill()
    run.step(probe=Health.FAILURE)
    assert (run.phase, run.state.fill.excursions) == (Phase.PAUSE, 0)


def test_each_change_of_the_phase_is_one_event() -> None:
    run = GuardRun()
    phases = []
    quiet: dict[str, Any] = {}
    for seen in [quiet] * 20 + [{"temperature_c": 40.0}] + [quiet] * 3 + [{"zone": Zone.FULL}] + [quiet] * 3:
        phases += [one for one in run.step(**seen).events if isinstance(one, PhaseChanged)]
    assert phases == [
        PhaseChanged(Phase.IDLE, Phase.RINSE),
        PhaseChanged(Phase.RINSE, Phase.FILL),
        PhaseChanged(Phase.FILL, Phase.PAUSE),
        PhaseChanged(Phase.PAUSE, Phase.IDLE),
    ]
