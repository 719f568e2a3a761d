"""Bounds in litres: what a fill may take, a level that does not rise, one that rises by itself."""

from dataclasses import replace

from bridge.guard.commands import Reset
from bridge.guard.limits import Limits
from bridge.guard.model import Flow, Permissive, Phase, Trip
from bridge.tank.level import Zone
from tests.guard.world import Told

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


def _pour(told: Told, litres: float, per_second_l: float = 1.0) -> None:
    """Let the level rise while the valve is open."""
    poured = 0.0
    while poured < litres and told.decision is not None and told.decision.flow is Flow.TO_RESERVOIR:
        assert told.seen.volume_l is not None
        told.step(volume_l=told.seen.volume_l + per_second_l, zone=Zone.MIDDLE)
        poured += per_second_l


def test_a_fill_takes_no_more_than_its_volume() -> None:
    told = Told(LIMITS, volume_l=60.0)
    told.fill()
    _pour(told, 100)
    assert told.trips == [Trip.FILL_OVER_VOLUME]
    assert told.state.fill.volume_l == 50.0


def test_flow_pulses_count_where_they_are_fitted() -> None:
    told = Told(LIMITS, throughput_l=1000.0)
    told.fill()
    told.step(throughput_l=1049.0)
    assert not told.trips
    told.step(throughput_l=1051.0)
    assert told.trips == [Trip.FILL_OVER_VOLUME]


def test_noise_on_the_level_adds_up_to_nothing() -> None:
    told = Told(replace(LIMITS, no_rise_after_s=1000.0))
    told.fill()
    for second in range(200):
        told.step(volume_l=60.0 + 0.4 * (second % 2))
    assert told.state.fill.volume_l < 1.0
    assert not told.trips


def test_a_day_takes_no_more_than_its_volume_and_the_next_day_starts_anew() -> None:
    told = Told(replace(LIMITS, no_rise_after_s=5000.0, fill_max_s=20000.0))
    for _ in range(2):
        told.step(volume_l=60.0, zone=Zone.LOW)
        told.fill()
        _pour(told, 40)
        told.step(zone=Zone.FULL)
    assert told.state.day_l >= 79.0
    told.pass_time(5, volume_l=60.0, zone=Zone.LOW)
    _pour(told, 10)
    assert Trip.FILL_OVER_VOLUME in told.trips
    refused = told.step(Reset(told.now, "hub", None))
    assert not refused.replies[0].accepted
    told.step(seconds=86_400.0, volume_l=60.0, zone=Zone.LOW)
    assert told.step(Reset(told.now, "hub", None)).replies[0].accepted


def test_a_valve_that_is_open_without_a_rise_trips() -> None:
    told = Told(LIMITS)
    told.fill()
    told.pass_time(61)
    assert told.trips == [Trip.NO_RISE]
    assert told.phase is Phase.TRIPPED


def test_a_slow_rise_is_a_rise() -> None:
    told = Told(LIMITS)
    told.fill()
    _pour(told, 10, per_second_l=0.05)
    assert not told.trips


def test_a_fill_takes_no_longer_than_its_time() -> None:
    told = Told(replace(LIMITS, no_rise_after_s=1000.0), volume_l=None)
    told.pass_time(305)
    assert told.trips == [Trip.FILL_OVER_TIME]


def test_a_level_that_rises_with_the_valve_shut_trips_and_resets_when_it_stands() -> None:
    told = Told(LIMITS, zone=Zone.MIDDLE, volume_l=100.0)
    told.pass_time(20)
    told.step(volume_l=104.0)
    assert not told.trips
    told.step(volume_l=105.5)
    assert told.trips == [Trip.RISE_WHILE_CLOSED]
    assert not told.step(Reset(told.now, "hub", None)).replies[0].accepted
    told.pass_time(15)
    assert told.step(Reset(told.now, "hub", None)).replies[0].accepted
    assert not told.latched


def test_drawing_off_moves_the_mark_that_a_rise_is_counted_from() -> None:
    told = Told(LIMITS, zone=Zone.MIDDLE, volume_l=100.0)
    told.pass_time(20)
    told.step(volume_l=90.0)
    told.step(volume_l=94.0)
    assert not told.trips
    told.step(volume_l=95.0)
    assert told.trips == [Trip.RISE_WHILE_CLOSED]


def test_drips_just_after_closing_are_no_rise() -> None:
    told = Told(LIMITS)
    told.fill()
    _pour(told, 30)
    told.step(zone=Zone.FULL)
    assert told.seen.volume_l is not None
    told.step(volume_l=told.seen.volume_l + 6.0)
    told.pass_time(60)
    assert not told.trips


def test_where_rain_may_fall_in_a_rise_is_welcome() -> None:
    told = Told(replace(LIMITS, rise_closed_l=None), zone=Zone.MIDDLE, volume_l=100.0)
    told.pass_time(20)
    told.pass_time(20, volume_l=140.0)
    assert not told.trips


def test_with_switches_only_a_full_switch_that_rises_by_itself_trips() -> None:
    told = Told(LIMITS, zone=Zone.MIDDLE, volume_l=None)
    told.pass_time(20)
    assert told.step(zone=Zone.FULL).flow is Flow.SHUT
    assert told.trips == [Trip.RISE_WHILE_CLOSED]


def test_an_unseen_rinse_into_a_reservoir_near_its_limit_is_not_begun() -> None:
    told = Told(LIMITS, reservoir_ppm=49.9, product_ppm=90.0)
    assert told.step().flow is Flow.SHUT
    assert told.missing == {Permissive.RESERVOIR_BUDGET}
