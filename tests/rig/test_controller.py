"""The simulated controller keeps the protocol's rules about the valve."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.guard.model import Flow
from bridge.protocol.codec import encode
from bridge.protocol.messages import (
    Ack,
    BootReason,
    Close,
    Feature,
    Hello,
    Identify,
    Lease,
    LocalFault,
    Reading,
    Refusal,
)
from bridge.rig.controller import Controller
from bridge.rig.rig import Rig
from bridge.rig.scenario import POLYTUNNEL, POLYTUNNEL_WITH_DRAIN
from bridge.rig.world import World
from tests.rig.conftest import MakeBench


def test_at_boot_the_valve_is_shut_and_the_first_frame_is_hello_0(make_bench: MakeBench) -> None:
    bench = make_bench(booted=False)
    bench.send(Lease(1, Flow.TO_RESERVOIR, 4000))
    assert bench.world.truth().driven is Flow.SHUT
    bench.wait(1.0)
    hello = bench.heard[0]
    assert isinstance(hello, Hello)
    assert (hello.sequence, hello.boot) == (0, BootReason.POWER)
    assert hello.features == POLYTUNNEL_WITH_DRAIN.fittings.features
    assert bench.world.truth().driven is Flow.SHUT
    assert not any(isinstance(message, Ack | Refusal) for message in bench.heard), (
        "read a command while booting"
    )


def test_it_answers_a_hello_request_with_a_hello(make_bench: MakeBench) -> None:
    bench = make_bench()
    before = sum(isinstance(message, Hello) for message in bench.heard)
    bench.identify()
    assert sum(isinstance(message, Hello) for message in bench.heard) == before + 1


def test_a_lease_opens_the_true_valve_and_is_acknowledged(make_bench: MakeBench) -> None:
    bench = make_bench()
    sequence = bench.lease()
    ack = bench.last(Ack)
    assert (ack.of, ack.path) == (sequence, Flow.TO_RESERVOIR)
    bench.wait(0.3)
    assert bench.reading.path is Flow.TO_RESERVOIR
    assert bench.world.truth().path is Flow.TO_RESERVOIR
    assert bench.world.truth().flow_l_min > 0


def test_a_lease_that_is_not_renewed_shuts_the_true_valve_at_its_end(make_bench: MakeBench) -> None:
    bench = make_bench()
    bench.lease(ms=4000)
    bench.wait(3.99)
    assert bench.world.truth().path is Flow.TO_RESERVOIR
    bench.wait(0.02, step_s=0.02)
    assert bench.world.truth().path is Flow.SHUT
    bench.wait(0.3)
    assert bench.reading.path is Flow.SHUT
    assert bench.reading.faults & LocalFault.LEASE_LAPSED


def test_one_long_step_admits_no_more_water_than_the_lease_allows(make_bench: MakeBench) -> None:
    bench = make_bench()
    before_l = bench.world.truth().inflow_l
    bench.lease(ms=4000)
    bench.wait(3600.0, step_s=3600.0)
    flow_l_s = POLYTUNNEL.fittings.flow_l_min / 60.0
    assert bench.world.truth().inflow_l - before_l == pytest.approx(4.0 * flow_l_s, abs=1e-9)


@pytest.mark.parametrize("speed", [1.0, 60.0])
def test_at_any_speed_a_lease_lasts_its_own_seconds_on_the_line(make_bench: MakeBench, speed: float) -> None:
    bench = make_bench(speed=speed)
    bench.lease(ms=2000)
    bench.wait(1.95)
    assert bench.world.truth().path is Flow.TO_RESERVOIR
    bench.wait(0.1)
    assert bench.world.truth().path is Flow.SHUT


def test_a_renewal_replaces_the_remaining_time(make_bench: MakeBench) -> None:
    bench = make_bench()
    bench.lease(ms=9000)
    bench.lease(ms=1000)
    bench.wait(1.05)
    assert bench.world.truth().path is Flow.SHUT


def test_a_lease_over_the_maximum_is_shortened_to_it(make_bench: MakeBench) -> None:
    bench = make_bench()
    bench.lease(ms=60_000)
    bench.wait(9.9)
    assert bench.world.truth().path is Flow.TO_RESERVOIR
    bench.wait(0.2)
    assert bench.world.truth().path is Flow.SHUT


def test_a_repeated_lease_with_the_same_number_does_not_count_anew(make_bench: MakeBench) -> None:
    bench = make_bench()
    bench.send(Lease(7, Flow.TO_RESERVOIR, 2000))
    bench.wait(1.5)
    bench.send(Lease(7, Flow.TO_RESERVOIR, 2000))
    ack = bench.last(Ack)
    assert (ack.of, ack.path) == (7, Flow.TO_RESERVOIR)
    bench.wait(0.6)
    assert bench.world.truth().path is Flow.SHUT
    bench.send(Lease(7, Flow.TO_RESERVOIR, 2000))
    assert bench.last(Ack).path is Flow.SHUT
    assert bench.world.truth().path is Flow.SHUT


def test_close_shuts_at_once(make_bench: MakeBench) -> None:
    bench = make_bench()
    bench.lease()
    sequence = bench.close()
    assert bench.world.truth().path is Flow.SHUT
    ack = bench.last(Ack)
    assert (ack.of, ack.path) == (sequence, Flow.SHUT)


def test_a_lapsed_lease_is_reported_until_the_next_grant(make_bench: MakeBench) -> None:
    bench = make_bench()
    bench.lease(ms=1000)
    bench.wait(1.5)
    assert bench.reading.faults & LocalFault.LEASE_LAPSED
    bench.close()
    bench.wait(0.3)
    assert bench.reading.faults & LocalFault.LEASE_LAPSED, "a close took the lapse back, unseen"
    bench.lease()
    bench.wait(0.3)
    assert not bench.reading.faults & LocalFault.LEASE_LAPSED


def test_between_fill_and_drain_every_valve_is_shut_for_a_while(make_bench: MakeBench) -> None:
    bench = make_bench()
    bench.lease(Flow.TO_RESERVOIR)
    bench.lease(Flow.TO_DRAIN)
    assert bench.last(Ack).path is Flow.SHUT
    bench.wait(0.19, step_s=0.01)
    assert bench.world.truth().path is Flow.SHUT
    bench.wait(0.82, step_s=0.01)
    assert bench.world.truth().path is Flow.TO_DRAIN
    drained_l = bench.world.truth().drained_l
    bench.wait(1.0)
    assert bench.world.truth().drained_l > drained_l


def test_a_drain_without_a_drain_valve_is_refused_and_every_valve_is_shut(make_bench: MakeBench) -> None:
    bench = make_bench(scenario=POLYTUNNEL)
    bench.lease(Flow.TO_RESERVOIR)
    sequence = bench.lease(Flow.TO_DRAIN)
    refusal = bench.last(Refusal)
    assert (refusal.of, refusal.why) == (sequence, "nodrain")
    assert bench.world.truth().driven is Flow.SHUT


def test_the_rising_overflow_float_shuts_the_valve_during_renewals(make_bench: MakeBench) -> None:
    bench = make_bench(start_fraction=0.955)
    bench.keep_open(120.0)
    truth = bench.world.truth()
    assert truth.overflow_up
    assert truth.driven is Flow.SHUT
    assert truth.spilled_l == 0.0
    refusal = bench.last(Refusal)
    assert refusal.why == "overflow"
    assert bench.reading.faults & LocalFault.OVERFLOW_CUT
    barrel = POLYTUNNEL.barrel
    assert truth.level_fraction == pytest.approx(barrel.overflow_fraction, abs=1e-5)


def test_the_overflow_float_ends_a_running_lease_without_a_command(make_bench: MakeBench) -> None:
    bench = make_bench("overflow-float-up@5")
    bench.lease(ms=10_000)
    bench.wait(3.99)
    assert bench.world.truth().driven is Flow.TO_RESERVOIR
    bench.wait(0.02, step_s=0.02)
    assert bench.world.truth().driven is Flow.SHUT


def test_the_overflow_fault_stands_until_the_float_has_been_down_for_two_seconds(
    make_bench: MakeBench,
) -> None:
    bench = make_bench("overflow-float-up@5+10")
    bench.wait(9.0)
    assert bench.reading.faults & LocalFault.OVERFLOW_CUT
    bench.wait(6.5)
    assert bench.reading.switch_overflow is False
    assert bench.reading.faults & LocalFault.OVERFLOW_CUT
    bench.lease()
    assert bench.last(Refusal).why == "overflow"
    bench.wait(1.5)
    assert not bench.reading.faults & LocalFault.OVERFLOW_CUT
    bench.lease()
    assert bench.world.truth().path is Flow.TO_RESERVOIR


def test_a_reset_shuts_the_valve_and_restarts_the_numbers(make_bench: MakeBench) -> None:
    bench = make_bench("controller-reset@5+2")
    bench.keep_open(3.9)
    assert bench.world.truth().driven is Flow.TO_RESERVOIR
    heard_before = len(bench.heard)
    bench.wait(0.2)
    assert bench.world.truth().driven is Flow.SHUT
    bench.wait(1.8)
    assert not any(isinstance(m, Reading) for m in bench.heard[heard_before + 3 :]), (
        "it spoke while held in reset"
    )
    bench.wait(1.0)
    hello = bench.last(Hello)
    assert (hello.sequence, hello.boot) == (0, BootReason.RESET_PIN)
    assert bench.world.truth().driven is Flow.SHUT


def test_damaged_and_unknown_lines_cause_no_action_and_no_answer(make_bench: MakeBench) -> None:
    bench = make_bench()
    good = encode(Lease(9, Flow.TO_RESERVOIR, 4000))
    answers = [
        bench.rig.receive(good[:10] + b"x" + good[11:]),
        bench.rig.receive(good.replace(b"<", b">")),
        bench.rig.receive(good[:-1]),
        bench.rig.receive(b"\xff\x00<1 3 lease\n\n\n"),
    ]
    assert answers == [b"", b"", b"", b""]
    assert bench.world.truth().driven is Flow.SHUT
    bench.rig.receive(b"<1 2 garbage")
    assert bench.rig.receive(good), "a good lease after garbage was not read"
    assert bench.world.truth().driven is Flow.TO_RESERVOIR


def test_readings_come_at_their_rate_and_at_once_when_the_path_changes(make_bench: MakeBench) -> None:
    bench = make_bench()
    before = len(bench.readings())
    bench.wait(10.0, step_s=0.02)
    assert len(bench.readings()) - before == pytest.approx(50, abs=2)
    before = len(bench.readings())
    bench.lease()
    bench.wait(0.04, step_s=0.02)
    assert [reading.path for reading in bench.readings()[before:]][-1] is Flow.TO_RESERVOIR


def test_flow_pulses_count_from_reset_and_only_while_water_flows(make_bench: MakeBench) -> None:
    bench = make_bench()
    bench.wait(2.0)
    assert bench.reading.pulses == 0
    bench.keep_open(60.0)
    expected = POLYTUNNEL.fittings.flow_l_min * POLYTUNNEL.fittings.pulses_per_l
    assert bench.reading.pulses == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("period_s", "lease_ms"), [(0.001, 1000), (2.0, 1000), (0.1, 0), (0.1, 70_000)])
def test_a_controller_outside_the_protocol_is_refused(period_s: float, lease_ms: int) -> None:
    with pytest.raises(OutOfRangeError):
        Controller(Feature.NONE, reading_period_s=period_s, longest_lease_ms=lease_ms)


_actions = st.one_of(
    st.tuples(st.just("wait"), st.floats(0.01, 6.0)),
    st.tuples(
        st.just("lease"),
        st.tuples(st.sampled_from([Flow.TO_RESERVOIR, Flow.TO_DRAIN]), st.integers(1, 12_000)),
    ),
    st.tuples(st.just("close"), st.none()),
    st.tuples(st.just("identify"), st.none()),
    st.tuples(st.just("noise"), st.binary(max_size=40)),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(_actions, max_size=25))
def test_no_input_keeps_the_valve_open_beyond_the_newest_grant(
    actions: list[tuple[str, Any]],
) -> None:
    rig = Rig(World(POLYTUNNEL_WITH_DRAIN, seed=1))
    rig.advance(1.0)
    open_until_s = 0.0
    for sequence, (action, what) in enumerate(actions):
        if action == "wait":
            rig.advance(rig.line_s + what)
        elif action == "lease":
            path, ms = what
            # A line end first, so that the garbage is not joined to the command.
            rig.receive(b"\n" + encode(Lease(sequence, path, ms)))
            open_until_s = rig.line_s + min(ms, 10_000) / 1000.0
        elif action == "close":
            rig.receive(b"\n" + encode(Close(sequence)))
            open_until_s = rig.line_s
        elif action == "identify":
            rig.receive(b"\n" + encode(Identify(sequence)))
        else:
            rig.receive(what)
        if rig.world.truth().driven is not Flow.SHUT:
            assert rig.line_s < open_until_s
