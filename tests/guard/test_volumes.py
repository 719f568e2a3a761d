"""Bounds in litres: the volume of a fill, a missing rise, a rise with the valve shut."""

from dataclasses import replace

import pytest

from bridge.guard.commands import Reset
from bridge.guard.limits import Limits, compare
from bridge.guard.model import Flow, Permissive, Phase, Trip
from bridge.guard.rules import missing
from bridge.guard.state import Latch, begin
from bridge.tank.level import Zone
from bridge.water.health import Health
from tests.guard.world import CALM, GuardRun

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


def test_the_volume_of_a_running_fill_counts_for_its_permissive_without_the_trip() -> None:
    """Two layers: the permissive shuts the valve even if the trip of the same bound did not latch."""
    run = GuardRun(LIMITS)
    run.fill()
    state = replace(run.state, day_l=50.0)
    moment = compare(LIMITS, run.seen, run.now)
    for phase, volume_l, absent in (
        (Phase.FILL, 29.9, False),
        (Phase.FILL, 30.0, True),
        (Phase.PAUSE, 30.0, True),
        (Phase.TRIPPED, 30.0, False),
    ):
        found = missing(moment, state, phase, replace(state.fill, volume_l=volume_l))
        assert (Permissive.FILL_VOLUME in found) is absent


def test_a_day_ends_after_its_hours_and_the_next_one_begins_with_nothing() -> None:
    run = GuardRun(LIMITS, throughput_l=1000.0, zone=Zone.MIDDLE)
    run.step()
    run.step(throughput_l=1012.0)
    assert run.state.day_l == 12.0
    day_from = run.state.day_from
    run.step(seconds=86_399.0 - (run.now - day_from))
    assert run.state.day_l == 12.0
    run.step()
    assert (run.state.day_l, run.state.day_from) == (0.0, run.now)
    run.step(seconds=1000.0, throughput_l=1013.0)
    run.step(seconds=80_000.0)
    assert run.state.day_l == 1.0


def test_a_rise_within_the_settling_time_counts_as_drips_and_after_it_as_a_rise() -> None:
    for later_s, trips in ((9.0, []), (10.0, [Trip.RISE_WHILE_CLOSED])):
        run = GuardRun(LIMITS)
        run.fill()
        _pour(run, 10)
        run.step(zone=Zone.FULL)
        shut_at = run.now
        run.step(volume_l=70.0)
        run.step(seconds=shut_at + later_s - run.now)
        run.step(volume_l=76.0)
        assert run.trips == trips


def test_an_unknown_product_counts_as_bad_and_as_no_gross_excess() -> None:
    unknown = compare(LIMITS, replace(CALM, product_ppm=None), 0.0)
    assert (unknown.probe_sound, unknown.over, unknown.gross, unknown.spoils) == (False, True, False, True)


@pytest.mark.parametrize(
    ("ppm", "band_ppm", "over", "gross"),
    [(49.0, 0.9, False, False), (49.5, 0.5, True, False), (99.0, 0.9, True, False), (99.5, 0.5, True, True)],
)
def test_product_with_its_guard_band_at_a_limit_is_over_it(
    ppm: float, band_ppm: float, over: bool, gross: bool
) -> None:
    found = compare(LIMITS, replace(CALM, product_ppm=ppm, guard_band_ppm=band_ppm), 0.0)
    assert (found.over, found.gross) == (over, gross)


def test_a_probe_in_function_check_or_failure_is_not_sound() -> None:
    for health in Health:
        sound = health in (Health.GOOD, Health.MAINTENANCE_REQUIRED, Health.OUT_OF_SPECIFICATION)
        assert compare(LIMITS, replace(CALM, probe=health), 0.0).probe_sound is sound


@pytest.mark.parametrize(
    ("volume_l", "reservoir_ppm", "product_ppm", "spoils"),
    [
        # 0.1 L/s flow for a lease of 5 s and a scan of 1.25 s: 0.625 L.
        (10.0, 6.0, 753.0, False),
        (10.0, 6.0, 755.0, True),
        (0.625, 0.0, 99.9, False),
        (0.625, 0.0, 100.0, True),
        (1000.0, 0.0, 49.0, False),
        (1000.0, None, 60.0, True),
        (1000.0, 0.0, float("inf"), True),
    ],
)
def test_water_spoils_the_reservoir_if_the_mixture_after_one_lease_and_one_scan_reaches_its_limit(
    volume_l: float, reservoir_ppm: float | None, product_ppm: float, spoils: bool
) -> None:
    seen = replace(
        CALM,
        volume_at_least_l=volume_l,
        reservoir_ppm=reservoir_ppm,
        product_ppm=product_ppm,
        guard_band_ppm=0.0,
    )
    assert compare(LIMITS, seen, 0.0).spoils is spoils


def test_a_reading_is_fresh_up_to_its_age_and_never_from_the_future() -> None:
    for age_s, fresh in ((0.0, True), (3.0, True), (3.01, False), (-0.01, False)):
        assert compare(LIMITS, replace(CALM, frame_at=100.0 - age_s), 100.0).fresh is fresh
    assert not compare(LIMITS, replace(CALM, frame_at=None), 100.0).fresh


def test_the_first_out_of_an_earlier_process_is_kept_or_is_the_first_latch() -> None:
    latches = (Latch(Trip.OVERFLOW, 1.0), Latch(Trip.NO_RISE, 2.0))
    assert begin(5.0, latches=latches, first_out=Trip.NO_RISE).first_out is Trip.NO_RISE
    assert begin(5.0, latches=latches).first_out is Trip.OVERFLOW
    assert begin(5.0, latches=latches).phase is Phase.TRIPPED
    assert begin(5.0).first_out is None


def test_a_reservoir_that_is_full_by_its_switches_after_a_fill_is_no_rise() -> None:
    run = GuardRun(LIMITS, volume_l=None)
    run.fill()
    run.pass_time(100, zone=Zone.FULL)
    assert not run.trips
