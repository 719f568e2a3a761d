"""What people may ask for, and what is refused."""

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
from tests.guard.world import Told


def _tripped() -> Told:
    told = Told()
    told.fill()
    told.step(product_ppm=150.0)
    assert told.latched == {Trip.PRODUCT_OVER_LIMIT}
    return told


def test_a_product_trip_needs_a_new_cartridge_or_a_passed_retest() -> None:
    for remedy in (CartridgeChanged(0.0, "hub"), Retest(0.0, "hub", 4.0)):
        told = _tripped()
        reply = told.step(Reset(told.now, "hub", None)).replies[0]
        assert not reply.accepted
        assert "cartridge change" in reply.sentence
        told.step(type(remedy)(told.now, "hub", *((4.0,) if isinstance(remedy, Retest) else ())))
        assert told.latched == {Trip.PRODUCT_OVER_LIMIT}
        assert told.step(Reset(told.now, "hub", None)).replies[0].accepted
        assert not told.latched


@pytest.mark.parametrize("ppm", [50.0, 51.0, -1.0, float("nan"), float("inf")])
def test_a_retest_at_or_over_the_limit_is_not_passed(ppm: float) -> None:
    told = _tripped()
    assert not told.step(Retest(told.now, "hub", ppm)).replies[0].accepted
    assert not told.step(Reset(told.now, "hub", None)).replies[0].accepted


def test_a_remedy_counts_only_for_trips_that_came_before_it() -> None:
    told = Told()
    told.step(CartridgeChanged(told.now, "hub"))
    told.fill()
    told.step(product_ppm=150.0)
    assert not told.step(Reset(told.now, "hub", None)).replies[0].accepted


def test_a_reset_takes_back_only_what_its_own_rule_allows() -> None:
    told = _tripped()
    told.step(overflow=True)
    told.step(overflow=False)
    reply = told.step(Reset(told.now, "hub", None)).replies[0]
    assert reply.accepted
    assert "product-over-limit cannot be reset yet" in reply.sentence
    assert told.latched == {Trip.PRODUCT_OVER_LIMIT}
    assert told.state.first_out is Trip.PRODUCT_OVER_LIMIT


def test_the_first_out_is_the_trip_that_came_first() -> None:
    told = Told()
    told.step(overflow=True)
    told.pass_time(40, zone=None)
    assert told.trips == [Trip.OVERFLOW, Trip.LEVEL_FAILURE]
    assert told.state.first_out is Trip.OVERFLOW


def test_nobody_can_open_the_valve_against_a_trip() -> None:
    told = _tripped()
    told.step(zone=Zone.LOW, product_ppm=2.0)
    for order in (StartFill, CartridgeChanged):
        assert told.step(order(told.now, "hub")).flow is Flow.SHUT
    assert told.step(Hold(told.now, "hub", False)).flow is Flow.SHUT
    assert told.step(Retest(told.now, "hub", 1.0)).flow is Flow.SHUT
    assert told.step(Reset(told.now, "hub", Trip.OVERFLOW)).flow is Flow.SHUT


@pytest.mark.parametrize("age_s", [10.5, 3600.0, -1.0])
def test_a_command_that_is_old_or_from_the_future_is_refused_whole(age_s: float) -> None:
    told = Told(zone=Zone.MIDDLE)
    orders: list[GuardCommand] = [
        StartFill(told.now + 1 - age_s, "hub"),
        Hold(told.now + 1 - age_s, "hub", True),
    ]
    decision = told.step(*orders)
    assert [reply.accepted for reply in decision.replies] == [False, False]
    assert not told.state.hold
    assert not told.state.wanted


def test_every_command_gets_its_own_answer_in_order() -> None:
    told = Told(zone=Zone.MIDDLE)
    at = told.now + 1
    decision = told.step(
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
