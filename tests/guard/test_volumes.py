"""Bounds in litres: the volume of a fill, a missing rise, a rise with the valve shut."""

from dataclasses import replace

from bridge.guard.commands import Reset
from bridge.guard.limits import Limits
from bridge.guard.model import Flow, Permissive, Phase, Trip
from bridge.tank.level import Zone
from tests.guard.world import GuardRun

LIMITS = replace(
    Limits(),
    fill_max_l=50.0,
    daily_max_l=80.0,
    no_rise_after_s=60.0,
    no_rise_l=1.0,
    settle_s=10.0,
    rise_closed_l=5.0,
    fill_max_s=300.0,
)


def _pour(run: GuardRun, litres: float, per_second_l: float = 1.0) -> None:
    """Raises the level while the valve is open."""
    poured = 0.0
    while poured < litres and run.decision is not None and run.decision.flow is Flow.TO_RESERVOIR:
        assert run.seen.volume_l is not None
        run.step(volume_l=run.seen.volume_l + per_second_l, zone=Zone.MIDDLE)
        poured += per_second_l


def test_a_fill_takes_no_more_than_its_volume() -> None:
    run = GuardRun(LIMITS, volume_l=60.0)
    run.fill()
    _pour(run, 100)
    assert run.trips == [Trip.FILL_OVER_VOLUME]
    assert run.state.fill.volume_l == 50.0


def test_flow_pulses_count_where_they_are_fitted() -> None:
    run = GuardRun(LIMITS, throughput_l=1000.0)
    run.fill()
    run.step(throughput_l=1049.0)
    assert not run.trips
    run.step(throughput_l=1051.0)
    assert run.trips == [Trip.FILL_OVER_VOLUME]


def test_water_that_flows_after_the_decision_to_shut_counts_into_the_fill_and_the_day() -> None:
    run = GuardRun(LIMITS, throughput_l=1000.0)
    run.fill()
    run.step(throughput_l=1010.0)
    run.step(fresh=False, seconds=10.0)
    assert run.decision is not None
    assert run.decision.flow is Flow.SHUT
    # The lease had not lapsed yet.
    run.step(throughput_l=1014.0)
    assert run.state.fill.volume_l == 14.0
    run.step(zone=Zone.FULL)
    run.step(throughput_l=1015.0)
    assert run.state.day_l == 15.0


def test_noise_on_the_level_is_no_inflow() -> None:
    run = GuardRun(replace(LIMITS, no_rise_after_s=1000.0))
    run.fill()
    for second in range(200):
        run.step(volume_l=60.0 + 0.4 * (second % 2))
    assert run.state.fill.volume_l < 1.0
    assert not run.trips


def test_a_day_takes_no_more_than_its_volume_and_the_next_day_starts_at_zero() -> None:
    run = GuardRun(replace(LIMITS, no_rise_after_s=5000.0, fill_max_s=20000.0))
    for _ in range(2):
        run.step(volume_l=60.0, zone=Zone.LOW)
        run.fill()
        _pour(run, 40)
        run.step(zone=Zone.FULL)
    assert run.state.day_l >= 79.0
    run.pass_time(5, volume_l=60.0, zone=Zone.LOW)
    _pour(run, 10)
    assert Trip.FILL_OVER_VOLUME in run.trips
    refused = run.step(Reset(run.now, "hub", None))
    assert not refused.replies[0].accepted
    run.step(seconds=86_400.0, volume_l=60.0, zone=Zone.LOW)
    assert run.step(Reset(run.now, "hub", None)).replies[0].accepted


def test_a_valve_that_is_open_without_a_rise_trips() -> None:
    run = GuardRun(LIMITS)
    run.fill()
    run.pass_time(61)
    assert run.trips == [Trip.NO_RISE]
    assert run.phase is Phase.TRIPPED


def test_a_slow_rise_is_a_rise() -> None:
    run = GuardRun(LIMITS)
    run.fill()
    _pour(run, 10, per_second_l=0.05)
    assert not run.trips


def test_a_fill_takes_no_longer_than_its_time() -> None:
    run = GuardRun(replace(LIMITS, no_rise_after_s=1000.0), volume_l=None)
    run.pass_time(305)
    assert run.trips == [Trip.FILL_OVER_TIME]


def test_a_rise_with_the_valve_shut_trips_and_can_be_reset_when_the_level_is_steady() -> None:
    run = GuardRun(LIMITS, zone=Zone.MIDDLE, volume_l=100.0)
    run.pass_time(20)
    run.step(volume_l=104.0)
    assert not run.trips
    run.step(volume_l=105.5)
    assert run.trips == [Trip.RISE_WHILE_CLOSED]
    assert not run.step(Reset(run.now, "hub", None)).replies[0].accepted
    run.pass_time(15)
    assert run.step(Reset(run.now, "hub", None)).replies[0].accepted
    assert not run.latched


def test_a_rise_is_counted_from_the_lowest_level_after_a_draw_off() -> None:
    run = GuardRun(LIMITS, zone=Zone.MIDDLE, volume_l=100.0)
    run.pass_time(20)
    run.step(volume_l=90.0)
    run.step(volume_l=94.0)
    assert not run.trips
    run.step(volume_l=95.0)
    assert run.trips == [Trip.RISE_WHILE_CLOSED]


def test_drips_just_after_closing_are_no_rise() -> None:
    run = GuardRun(LIMITS)
    run.fill()
    _pour(run, 30)
    run.step(zone=Zone.FULL)
    assert run.seen.volume_l is not None
    run.step(volume_l=run.seen.volume_l + 6.0)
    run.pass_time(60)
    assert not run.trips


def test_a_rise_does_not_trip_where_rain_may_fall_in() -> None:
    run = GuardRun(replace(LIMITS, rise_closed_l=None), zone=Zone.MIDDLE, volume_l=100.0)
    run.pass_time(20)
    run.pass_time(20, volume_l=140.0)
    assert not run.trips


def test_with_switches_only_the_full_switch_trips_if_it_rises_with_the_valve_shut() -> None:
    run = GuardRun(LIMITS, zone=Zone.MIDDLE, volume_l=None)
    run.pass_time(20)
    assert not run.trips
    assert run.step(zone=Zone.FULL).flow is Flow.SHUT
    assert run.trips == [Trip.RISE_WHILE_CLOSED]


def test_a_rinse_into_a_reservoir_near_its_limit_does_not_begin() -> None:
    run = GuardRun(LIMITS, reservoir_ppm=49.9, product_ppm=90.0)
    assert run.step().flow is Flow.SHUT
    assert run.missing == {Permissive.RESERVOIR_BUDGET}
