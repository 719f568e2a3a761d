"""Commands: which are accepted, and which are refused."""

import pytest

from bridge.errors import OutOfRangeError
from bridge.guard.commands import (
    CartridgeChanged,
    GuardCommand,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
    StartFill,
)
from bridge.guard.limits import Limits
from bridge.guard.model import Flow, Trip
from bridge.tank.level import Zone
from tests.guard.world import GuardRun


def _tripped() -> GuardRun:
    run = GuardRun()
    run.fill()
    run.step(product_ppm=150.0)
    assert run.latched == {Trip.PRODUCT_OVER_LIMIT}
    return run


def test_a_product_trip_needs_a_new_cartridge_or_a_passed_retest() -> None:
    for remedy in (CartridgeChanged(0.0, "hub"), Retest(0.0, "hub", 4.0)):
        run = _tripped()
        reply = run.step(Reset(run.now, "hub", None)).replies[0]
        assert not reply.accepted
        assert "cartridge change" in reply.sentence
        run.step(type(remedy)(run.now, "hub", *((4.0,) if isinstance(remedy, Retest) else ())))
        assert run.latched == {Trip.PRODUCT_OVER_LIMIT}
        assert run.step(Reset(run.now, "hub", None)).replies[0].accepted
        assert not run.latched


@pytest.mark.parametrize("ppm", [50.0, 51.0, -1.0, float("nan"), float("inf")])
def test_a_retest_at_or_over_the_limit_does_not_pass(ppm: float) -> None:
    run = _tripped()
    assert not run.step(Retest(run.now, "hub", ppm)).replies[0].accepted
    assert not run.step(Reset(run.now, "hub", None)).replies[0].accepted


def test_a_remedy_counts_only_for_trips_that_came_before_it() -> None:
    run = GuardRun()
    run.step(CartridgeChanged(run.now, "hub"))
    run.fill()
    run.step(product_ppm=150.0)
    assert not run.step(Reset(run.now, "hub", None)).replies[0].accepted


def test_a_reset_resets_only_the_trips_whose_rule_allows_it() -> None:
    run = _tripped()
    run.step(overflow=True)
    run.step(overflow=False)
    reply = run.step(Reset(run.now, "hub", None)).replies[0]
    assert reply.accepted
    assert "product-over-limit cannot be reset yet" in reply.sentence
    assert run.latched == {Trip.PRODUCT_OVER_LIMIT}
    assert run.state.first_out is Trip.PRODUCT_OVER_LIMIT


def test_the_first_out_is_the_first_trip() -> None:
    run = GuardRun()
    run.step(overflow=True)
    run.pass_time(40, zone=None)
    assert run.trips == [Trip.OVERFLOW, Trip.LEVEL_FAILURE]
    assert run.state.first_out is Trip.OVERFLOW


def test_no_command_opens_the_valve_during_a_trip() -> None:
    run = _tripped()
    run.step(zone=Zone.LOW, product_ppm=2.0)
    for command in (StartFill, CartridgeChanged):
        assert run.step(command(run.now, "hub")).flow is Flow.SHUT
    assert run.step(Hold(run.now, "hub", False)).flow is Flow.SHUT
    assert run.step(Retest(run.now, "hub", 1.0)).flow is Flow.SHUT
    assert run.step(Reset(run.now, "hub", Trip.OVERFLOW)).flow is Flow.SHUT


@pytest.mark.parametrize("age_s", [10.5, 3600.0, -1.0])
def test_a_command_that_is_old_or_from_the_future_is_refused_whole(age_s: float) -> None:
    run = GuardRun(zone=Zone.MIDDLE)
    commands: list[GuardCommand] = [
        StartFill(run.now + 1 - age_s, "hub"),
        Hold(run.now + 1 - age_s, "hub", True),
    ]
    decision = run.step(*commands)
    assert [reply.accepted for reply in decision.replies] == [False, False]
    assert not run.state.hold
    assert not run.state.wanted


def test_every_command_gets_its_own_reply_in_order() -> None:
    run = GuardRun(zone=Zone.MIDDLE)
    at = run.now + 1
    decision = run.step(
        Hold(at, "hub", True), StartFill(at, "hub"), ReservoirSample(at, "hub", 12.0), Hold(at, "hub", False)
    )
    assert [(reply.index, reply.accepted) for reply in decision.replies] == [
        (0, True),
        (1, False),
        (2, True),
        (3, True),
    ]


@pytest.mark.parametrize(
    "wrong",
    [
        {"limit_ppm": 0.0},
        {"lease_s": float("nan")},
        {"target_ppm": 60.0},
        {"gross_ppm": 40.0},
        {"rinse_min_s": 200.0},
        {"temperature_low_c": 40.0},
    ],
)
def test_limits_that_contradict_each_other_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(OutOfRangeError):
        Limits(**wrong)  # type: ignore[arg-type]
