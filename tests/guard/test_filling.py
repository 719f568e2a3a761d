"""How a reservoir fills, and what interrupts it."""

from dataclasses import replace

from bridge.guard.commands import Hold, StartFill
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, Flow, Permissive, Phase, Trip
from bridge.tank.level import Zone
from tests.guard.world import Told


def test_a_low_reservoir_is_rinsed_in_filled_to_the_mark_and_left_alone() -> None:
    told = Told()
    assert told.step().flow is Flow.TO_RESERVOIR
    assert told.phase is Phase.RINSE
    decision = told.fill()
    assert (decision.flow, decision.lease_s, decision.missing) == (Flow.TO_RESERVOIR, 5.0, ())
    assert told.step(zone=Zone.MIDDLE).flow is Flow.TO_RESERVOIR
    full = told.step(zone=Zone.FULL)
    assert (full.flow, told.phase) == (Flow.SHUT, Phase.IDLE)
    assert told.step(zone=Zone.MIDDLE).flow is Flow.SHUT


def test_a_drain_valve_takes_the_rinse() -> None:
    told = Told(replace(Limits(), has_drain=True), product_ppm=300.0)
    assert told.step().flow is Flow.TO_DRAIN
    assert told.pass_time(30).flow is Flow.TO_DRAIN
    told.step(product_ppm=4.0)
    told.fill()
    assert told.step().flow is Flow.TO_RESERVOIR


def test_standing_water_enters_only_while_the_whole_reservoir_stays_in_specification() -> None:
    """With 58 L of 6 ppm, 0.6 L of 300 ppm make 9 ppm: allowed. With 0.5 L they would make 160: not."""
    assert Told(product_ppm=300.0).step().flow is Flow.TO_RESERVOIR
    empty = Told(product_ppm=300.0, volume_at_least_l=0.5, volume_l=0.5)
    assert empty.step().flow is Flow.SHUT
    assert empty.missing == {Permissive.RESERVOIR_BUDGET}


def test_a_rinse_that_never_comes_into_specification_trips() -> None:
    told = Told(product_ppm=80.0)
    told.pass_time(119)
    assert told.phase is Phase.RINSE
    assert not told.trips
    told.pass_time(3)
    assert told.trips == [Trip.PRODUCT_OVER_LIMIT]
    assert told.decision is not None
    assert told.decision.flow is Flow.SHUT


def test_one_reading_over_the_limit_shuts_the_valve_and_a_lasting_excess_trips() -> None:
    told = Told()
    told.fill()
    assert told.step(product_ppm=60.0).flow is Flow.SHUT
    assert told.phase is Phase.PAUSE
    assert not told.trips
    told.pass_time(10)
    assert told.trips == [Trip.PRODUCT_OVER_LIMIT]
    assert told.state.first_out is Trip.PRODUCT_OVER_LIMIT


def test_the_guard_band_counts_against_the_water() -> None:
    told = Told()
    told.fill()
    assert told.step(product_ppm=49.0, guard_band_ppm=0.9).flow is Flow.TO_RESERVOIR
    assert told.step(product_ppm=49.0, guard_band_ppm=1.1).flow is Flow.SHUT


def test_a_short_excess_pauses_and_the_third_one_trips() -> None:
    told = Told()
    for excess in range(3):
        told.fill()
        told.step(product_ppm=60.0)
        assert told.state.fill.excursions == excess + 1
        told.step(product_ppm=5.0)
    assert told.trips == [Trip.PRODUCT_OVER_LIMIT]


def test_a_gross_excess_trips_without_waiting() -> None:
    told = Told()
    told.fill()
    assert told.step(product_ppm=150.0).flow is Flow.SHUT
    assert told.trips == [Trip.PRODUCT_OVER_LIMIT]


def test_standing_water_at_rest_trips_nothing() -> None:
    told = Told(product_ppm=400.0, zone=Zone.MIDDLE)
    told.pass_time(600)
    assert not told.trips
    assert told.phase is Phase.IDLE


def test_a_hold_pauses_a_fill_and_lifting_it_lets_it_go_on() -> None:
    told = Told()
    told.fill()
    assert told.step(Hold(told.now, "hub", True)).flow is Flow.SHUT
    assert Permissive.NO_HOLD in told.missing
    told.pass_time(300)
    assert told.phase is Phase.PAUSE
    told.step(Hold(told.now, "hub", False))
    told.fill()


def test_a_pause_through_hold_does_not_turn_standing_water_into_a_trip() -> None:
    told = Told()
    told.fill()
    told.step(Hold(told.now, "hub", True))
    told.pass_time(100, product_ppm=300.0)
    assert not told.trips


def test_a_fill_can_be_asked_for_above_the_refill_mark_and_not_at_the_fill_mark() -> None:
    told = Told(zone=Zone.MIDDLE)
    assert told.step().flow is Flow.SHUT
    told.step(StartFill(told.now, "hub"))
    told.fill()
    full = Told(zone=Zone.FULL)
    decision = full.step(StartFill(full.now, "hub"))
    assert not decision.replies[0].accepted
    assert "fill mark" in decision.replies[0].sentence


def test_a_fill_cut_off_by_a_trip_goes_on_after_the_reset() -> None:
    told = Told()
    told.fill()
    told.pass_time(2, zone=Zone.MIDDLE)
    told.pass_time(70, fresh=False)
    assert told.latched == {Trip.LINK_LOST}
    told.pass_time(65)
    assert not told.latched
    told.fill()


def test_a_fill_that_stays_blocked_raises_an_alarm() -> None:
    told = Told(temperature_c=40.0)
    told.pass_time(905)
    assert Advisory.FILL_BLOCKED in {record.alarm for record in told.state.alarms}
    assert told.missing == {Permissive.TEMPERATURE_IN_RANGE}


def test_a_clock_that_stands_still_or_runs_back_opens_nothing() -> None:
    told = Told(zone=Zone.MIDDLE)
    for seconds in (0.0, -5.0, -3600.0, 0.0):
        assert told.step(seconds=seconds).flow is Flow.SHUT
    told = Told()
    told.fill()
    open_s = told.state.fill.open_s
    told.step(seconds=-100.0)
    assert told.state.fill.open_s == open_s
    assert told.state.stepped_at == told.now + 100.0
