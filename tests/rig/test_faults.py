"""Every fault has the visible effect of its name, from its start to its end."""

import math
from collections.abc import Callable
from dataclasses import replace
from statistics import mean

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import InputError
from bridge.guard.model import Flow
from bridge.protocol.messages import FAILED, Ack, BootReason, Feature, Hello, LocalFault, Refusal
from bridge.rig.faults import DISTURBANCES, Fault, FaultName, parse_fault
from bridge.rig.scenario import POLYTUNNEL
from bridge.rig.sensors import conductivity_us_cm
from tests.narrowing import measured
from tests.rig.conftest import Bench, MakeBench


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("probe-dry@120", Fault(FaultName.PROBE_DRY, 120.0)),
        ("valve-leaking@0+3.5", Fault(FaultName.VALVE_LEAKING, 0.0, 3.5)),
        ("controller-reset@60", Fault(FaultName.CONTROLLER_RESET, 60.0, 61.0)),
    ],
)
def test_a_fault_is_written_as_name_seconds_and_an_optional_duration(text: str, fault: Fault) -> None:
    assert parse_fault(text) == fault


def test_an_unknown_name_is_refused_with_the_right_names_and_the_nearest() -> None:
    with pytest.raises(InputError, match="did you mean probe-stuck") as caught:
        parse_fault("probe-stuk@10")
    for name in FaultName:
        assert name.value in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "probe-dry",
        "probe-dry@",
        "probe-dry@soon",
        "probe-dry@-1",
        "probe-dry@nan",
        "probe-dry@5+0",
        "probe-dry@5+x",
        "probe-dry@1E16+1",
        "probe-dry@1E9+1E-9",
        "",
    ],
)
def test_a_wrong_form_is_refused_with_a_sentence(text: str) -> None:
    with pytest.raises(InputError, match="fault "):
        parse_fault(text)


@settings(max_examples=60)
@given(st.one_of(st.text(max_size=20), st.text("0123456789+-.e", max_size=9).map("probe-dry@{}".format)))
def test_any_text_gives_a_fault_or_a_plain_refusal(text: str) -> None:
    try:
        fault = parse_fault(text)
    except InputError:
        return
    assert 0.0 <= fault.start_s < fault.end_s


# One row for each fault: seen(bench) is false on a sound rig and true while the fault is active. The rig
# fills for a while before the call.
_SEEN: dict[FaultName, Callable[[Bench], bool]] = {
    FaultName.PROBE_STUCK: lambda b: len({r.product_us for r in b.readings()[-20:]}) == 1,
    FaultName.PROBE_DRY: lambda b: measured(b.reading.product_us) < 0.01,
    FaultName.PROBE_NOISY: lambda b: _spread(b) > 0.1,
    FaultName.PROBE_SHORTED: lambda b: (
        b.reading.product_us is FAILED and bool(b.reading.faults & LocalFault.CELL_RANGE)
    ),
    FaultName.PROBES_SWAPPED: lambda b: measured(b.reading.product_us) > 100.0 * measured(b.reading.feed_us),
    FaultName.FEED_PROBE_DRY: lambda b: b.reading.feed_us == 0.0,
    FaultName.TEMPERATURE_OPEN: lambda b: (
        b.reading.product_c is FAILED and bool(b.reading.faults & LocalFault.TEMPERATURE_OPEN)
    ),
    FaultName.TEMPERATURE_SHORTED: lambda b: (
        b.reading.product_c is FAILED and bool(b.reading.faults & LocalFault.TEMPERATURE_SHORT)
    ),
    FaultName.FLOAT_STUCK: lambda b: len({r.level_sensor for r in b.readings()[-20:]}) == 1,
    FaultName.FLOATS_CONTRADICT: lambda b: b.reading.switch_full is True and b.reading.switch_low is False,
    FaultName.LEVEL_SENSOR_OPEN: lambda b: (
        b.reading.level_sensor is FAILED and bool(b.reading.faults & LocalFault.LEVEL_SENSOR_OPEN)
    ),
    FaultName.LEVEL_SENSOR_SHORTED: lambda b: (
        b.reading.level_sensor is FAILED and bool(b.reading.faults & LocalFault.LEVEL_SENSOR_SHORT)
    ),
    FaultName.OVERFLOW_FLOAT_UP: lambda b: (
        b.reading.switch_overflow is True
        and b.world.driven is Flow.SHUT
        and b.last(Refusal).why == "overflow"
    ),
    FaultName.VALVE_STUCK_CLOSED: lambda b: (
        b.reading.path is Flow.TO_RESERVOIR and b.world.truth().path is Flow.SHUT
    ),
    FaultName.SUPPLY_OFF: lambda b: (
        b.world.truth().path is Flow.TO_RESERVOIR and b.world.truth().flow_l_min == 0.0
    ),
    FaultName.HOSE_BURST: lambda b: b.world.truth().burst_l > 0.1 and b.world.truth().flow_l_min > 1.5,
    FaultName.VOLTAGE_LOW: lambda b: (
        bool(b.reading.faults & LocalFault.SUPPLY_LOW) and b.last(Refusal).why == "supply"
    ),
    FaultName.SELF_TEST_FAILED: lambda b: (
        bool(b.reading.faults & LocalFault.SELF_TEST)
        and b.last(Refusal).why == "fault"
        and b.last(Hello).boot is BootReason.WATCHDOG
    ),
    FaultName.LINK_NOISE: lambda b: b.damaged > 0,
    FaultName.PURIFIER_EXHAUSTED: lambda b: (
        b.world.truth().product_ppm > 250.0 and measured(b.reading.product_us) > 3000.0
    ),
}

# These faults have their own tests below.
_TOLD_APART = {
    FaultName.PROBE_DRIFT,
    FaultName.OVERFLOW_FLOAT_DOWN,
    FaultName.VALVE_STUCK_OPEN,
    FaultName.VALVE_LEAKING,
    FaultName.CONTROLLER_RESET,
    FaultName.LINK_CUT,
    FaultName.LINK_LAG,
    FaultName.PURIFIER_SLIPPING,
    *DISTURBANCES,
}


def _spread(bench: Bench) -> float:
    values = [measured(reading.product_us) for reading in bench.readings()[-20:]]
    return (max(values) - min(values)) / max(values)


def test_every_fault_has_a_test() -> None:
    assert set(_SEEN) | _TOLD_APART == set(FaultName)
    assert not set(_SEEN) & _TOLD_APART


@pytest.mark.parametrize("name", list(_SEEN), ids=lambda name: name.value)
def test_a_fault_has_its_effect_only_while_it_is_active(make_bench: MakeBench, name: FaultName) -> None:
    bench = make_bench(start_fraction=0.5)
    bench.keep_open(400.0)
    assert not _SEEN_safely(bench, name)
    bench.world.inject(Fault(name, bench.world.time_s))
    bench.keep_open(60.0)
    assert name.value in bench.world.truth().faults
    assert _SEEN_safely(bench, name)


def _SEEN_safely(bench: Bench, name: FaultName) -> bool:
    try:
        return _SEEN[name](bench)
    except IndexError:  # No refusal has come yet.
        return False


def test_a_fault_begins_and_ends_at_its_seconds(make_bench: MakeBench) -> None:
    bench = make_bench("probe-dry@10+5")
    bench.wait(8.5)
    assert measured(bench.reading.product_us) > 0.5
    bench.wait(2.0)
    assert measured(bench.reading.product_us) < 0.01
    bench.wait(5.0)
    assert measured(bench.reading.product_us) > 0.5
    assert bench.world.truth().faults == ()


def test_a_drifting_probe_loses_one_per_cent_of_its_reading_each_hour(make_bench: MakeBench) -> None:
    bench = make_bench("probe-drift@0")
    for hours in (24, 48, 72):
        bench.wait(hours * 3600.0 - bench.rig.line_s, step_s=24 * 3600.0)
        truth = bench.world.truth()
        true_us_cm = conductivity_us_cm(truth.product_ppm, POLYTUNNEL.factor, truth.water_c)
        true_us = true_us_cm / POLYTUNNEL.fittings.product_cell_per_cm
        assert bench.reading.product_us == pytest.approx(true_us * math.exp(-0.01 * hours), rel=0.01)
        true_feed_us = conductivity_us_cm(truth.feed_ppm, POLYTUNNEL.factor, truth.water_c)
        assert bench.reading.feed_us == pytest.approx(true_feed_us, rel=0.01)


def test_with_the_overflow_float_stuck_down_the_barrel_spills(make_bench: MakeBench) -> None:
    bench = make_bench("overflow-float-down@0", start_fraction=0.95)
    bench.keep_open(900.0)
    truth = bench.world.truth()
    assert truth.spilled_l > 1.0
    assert truth.driven is Flow.TO_RESERVOIR
    assert bench.reading.switch_overflow is False


def test_a_valve_stuck_open_admits_water_with_a_shut_command(make_bench: MakeBench) -> None:
    bench = make_bench("valve-stuck-open@5")
    bench.wait(64.0)
    truth = bench.world.truth()
    assert (truth.driven, truth.path) == (Flow.SHUT, Flow.TO_RESERVOIR)
    assert bench.reading.path is Flow.SHUT
    assert truth.inflow_l == pytest.approx(1.5, rel=0.01)


def test_a_leaking_valve_admits_water_while_it_is_shut(make_bench: MakeBench) -> None:
    bench = make_bench("valve-leaking@0")
    bench.wait(3600.0, step_s=60.0)
    truth = bench.world.truth()
    assert truth.path is Flow.SHUT
    assert truth.inflow_l == pytest.approx(60.0 * POLYTUNNEL.fittings.leak_l_min, rel=0.02)


def test_the_float_in_series_cuts_a_driven_valve_but_not_a_stuck_one(make_bench: MakeBench) -> None:
    bench = make_bench("valve-stuck-open@0", start_fraction=0.95)
    bench.keep_open(900.0)
    truth = bench.world.truth()
    assert truth.driven is Flow.SHUT
    assert truth.overflow_up
    assert truth.spilled_l > 1.0


def test_a_cut_line_carries_no_frame_and_the_lease_lapses(make_bench: MakeBench) -> None:
    bench = make_bench("link-cut@10+20")
    bench.keep_open(8.9)
    bench.wait(0.2)
    heard = len(bench.heard)
    bench.keep_open(15.0)
    assert len(bench.heard) == heard
    assert bench.world.truth().driven is Flow.SHUT
    bench.keep_open(6.0)
    assert len(bench.heard) > heard
    assert bench.world.truth().driven is Flow.TO_RESERVOIR


def test_a_lagging_line_delays_commands_and_answers_by_two_seconds_each(make_bench: MakeBench) -> None:
    bench = make_bench("link-lag@0")
    bench.wait(5.0)
    sequence = bench.lease(ms=6000)
    bench.wait(1.9)
    assert bench.world.truth().driven is Flow.SHUT
    bench.wait(0.2)
    assert bench.world.truth().driven is Flow.TO_RESERVOIR
    bench.wait(1.7)
    assert not any(isinstance(message, Ack) for message in bench.heard)
    bench.wait(0.4)
    assert bench.last(Ack).of == sequence


def test_a_noisy_line_loses_frames_and_delivers_the_good_ones(make_bench: MakeBench) -> None:
    bench = make_bench("link-noise@0")
    bench.keep_open(60.0)
    assert bench.damaged > 20
    assert len(bench.readings()) > 20


def test_a_slow_breakthrough_worsens_the_product_until_a_new_cartridge(make_bench: MakeBench) -> None:
    bench = make_bench("purifier-slipping@0")
    bench.keep_open(300.0)
    bench.close()
    ppm = []
    for _ in range(3):
        bench.wait(10 * 24 * 3600.0, step_s=24 * 3600.0)
        bench.keep_open(300.0)
        bench.close()
        ppm.append(bench.world.truth().product_ppm)
    assert 10.0 < ppm[0] < ppm[1] < ppm[2]
    bench.world.change_cartridge()
    assert bench.world.truth().faults == ()
    assert bench.world.truth().product_ppm < 1.0


def test_without_level_switches_the_floats_fault_inverts_the_level_sensor(
    make_bench: MakeBench,
) -> None:
    fittings = replace(POLYTUNNEL.fittings, features=Feature.LEVEL_SENSOR | Feature.SWITCH_OVERFLOW)
    bench = make_bench(scenario=replace(POLYTUNNEL, fittings=fittings), start_fraction=0.8)
    upright = measured(bench.reading.level_sensor)
    bench.world.inject(Fault(FaultName.FLOATS_CONTRADICT, 0.0))
    bench.wait(1.0)
    assert bench.reading.level_sensor == pytest.approx(1.0 - upright, abs=0.01)


def test_a_fault_can_be_repaired(make_bench: MakeBench) -> None:
    bench = make_bench("supply-off@0")
    bench.keep_open(10.0)
    assert bench.world.truth().inflow_l == 0.0
    bench.world.repair(FaultName.SUPPLY_OFF)
    bench.keep_open(10.0)
    assert bench.world.truth().inflow_l > 0.1


def test_a_reset_injected_between_two_steps_is_not_lost_in_a_long_one(make_bench: MakeBench) -> None:
    bench = make_bench()
    hellos = sum(isinstance(message, Hello) for message in bench.heard)
    now_s = bench.world.time_s
    bench.world.inject(Fault(FaultName.CONTROLLER_RESET, now_s, now_s + 2.0))
    # One step reaches to the end of the fault.
    bench.wait(60.0, step_s=60.0)
    assert sum(isinstance(message, Hello) for message in bench.heard) == hellos + 1


def test_a_float_that_stays_up_needs_no_short_steps(make_bench: MakeBench) -> None:
    bench = make_bench("overflow-float-up@5+600")
    bench.wait(30.0)
    assert bench.reading.faults & LocalFault.OVERFLOW_CUT
    assert bench.rig.longest_step_s(60.0) > 30.0
    # The float must be down for 2 s before the cut clears, so steps are short there.
    bench.wait(575.5)
    assert bench.rig.longest_step_s(60.0) <= 1.0


def _true_us(bench: Bench) -> float:
    truth = bench.world.truth()
    us_cm = conductivity_us_cm(truth.product_ppm, POLYTUNNEL.factor, truth.water_c)
    return us_cm / POLYTUNNEL.fittings.product_cell_per_cm


def test_a_cell_half_in_air_conducts_half_as_much(make_bench: MakeBench) -> None:
    bench = make_bench("probe-half-wet@0", start_fraction=0.5)
    bench.keep_open(200.0)
    us = [measured(reading.product_us) for reading in bench.readings()[-50:]]
    assert mean(us) == pytest.approx(0.5 * _true_us(bench), rel=0.05)
    assert max(us) > 1.02 * min(us)


def test_scale_on_the_cell_hides_salty_water_and_not_pure_water(make_bench: MakeBench) -> None:
    hours = 240.0
    bench = make_bench("probe-scaled@0", start_fraction=0.5)
    bench.wait(hours * 3600.0, step_s=3600.0)
    bench.keep_open(200.0)
    assert bench.reading.product_us == pytest.approx(_true_us(bench), rel=0.02)
    bench.world.inject(Fault(FaultName.PURIFIER_EXHAUSTED, bench.world.time_s))
    bench.keep_open(30.0)
    true_us = _true_us(bench)
    resistance_megohm = 1.0 / true_us + 10e-6 * bench.world.time_s / 3600.0
    assert measured(bench.reading.product_us) == pytest.approx(1.0 / resistance_megohm, rel=0.02)
    assert measured(bench.reading.product_us) < 0.1 * true_us


def test_mains_pick_up_swings_around_the_true_value(make_bench: MakeBench) -> None:
    bench = make_bench("probe-mains-noise@0", start_fraction=0.5)
    bench.keep_open(300.0)
    true_us = _true_us(bench)
    off_us = [measured(reading.product_us) - true_us for reading in bench.readings()[-100:]]
    assert max(off_us) == pytest.approx(0.2 + 0.02 * true_us, rel=0.15)
    assert min(off_us) == pytest.approx(-0.2 - 0.02 * true_us, rel=0.15)


def test_a_level_with_dither_stays_within_its_range_of_the_true_one(make_bench: MakeBench) -> None:
    bench = make_bench(start_fraction=0.5)
    bench.wait(10.0)
    true = measured(bench.reading.level_sensor)
    bench.world.inject(Fault(FaultName.LEVEL_DITHER, bench.world.time_s))
    bench.wait(60.0)
    off = [measured(reading.level_sensor) - true for reading in bench.readings()[-50:]]
    assert max(map(abs, off)) < 0.008
    assert max(off) - min(off) > 0.005


def test_a_float_with_hysteresis_shows_a_rise_late_by_the_same_depth(make_bench: MakeBench) -> None:
    bench = make_bench("float-hysteresis@0", start_fraction=0.5)
    bench.wait(10.0)
    begin = measured(bench.reading.level_sensor)
    bench.keep_open(600.0)
    truth = bench.world.truth()
    fittings, barrel = POLYTUNNEL.fittings, POLYTUNNEL.barrel
    bottom, top = barrel.level_sensor_bottom_fraction, barrel.level_sensor_top_fraction
    per_m = (fittings.level_sensor_high - fittings.level_sensor_low) / ((top - bottom) * barrel.height_m)
    risen_m = (truth.level_fraction - 0.5) * barrel.height_m
    assert risen_m > 0.03
    assert measured(bench.reading.level_sensor) - begin == pytest.approx((risen_m - 0.015) * per_m, abs=0.005)
    bench.close()
    bench.wait(20.0)
    high = measured(bench.reading.level_sensor)
    bench.world.draw(3.0)
    bench.wait(20.0)
    assert bench.reading.level_sensor == pytest.approx(high, abs=0.003)


@pytest.mark.parametrize(("severity", "second_s"), [(1.0, 1.02), (3.0, 1.025)])
def test_a_slow_clock_of_the_controller_makes_a_lease_longer_by_its_share(
    make_bench: MakeBench, severity: float, second_s: float
) -> None:
    bench = make_bench(start_fraction=0.5)
    bench.wait(2.0)
    bench.world.inject(Fault(FaultName.CONTROLLER_CLOCK_SLOW, bench.world.time_s, severity=severity))
    bench.wait(1.0)
    bench.lease(ms=10_000)
    bench.wait(10.0 * second_s - 0.01, step_s=0.001)
    assert bench.world.truth().driven is Flow.TO_RESERVOIR
    bench.wait(0.02, step_s=0.001)
    assert bench.world.truth().driven is Flow.SHUT
