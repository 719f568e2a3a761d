"""Commands: which are accepted, and which are refused."""

from dataclasses import fields

import pytest

from bridge.errors import OutOfRangeError
from bridge.guard.commands import (
    Acknowledge,
    CartridgeChanged,
    GuardCommand,
    HandAccuracy,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
    Shelve,
    StartFill,
    WeatherQuantity,
    WeatherReport,
    words_of,
)
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, Flow, Trip
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


def test_limits_may_be_equal_and_frost_may_be_allowed() -> None:
    even = Limits(
        target_ppm=50.0,
        gross_ppm=50.0,
        in_spec_s=60.0,
        rinse_min_s=60.0,
        rinse_max_s=60.0,
        stale_after_s=60.0,
        temperature_low_c=-2.0,
        temperature_high_c=-2.0,
        rise_closed_l=None,
        has_drain=True,
    )
    assert even.temperature_low_c == even.temperature_high_c == -2.0


@pytest.mark.parametrize(
    "name",
    [
        field.name
        for field in fields(Limits)
        if not field.name.startswith("temperature") and field.name not in ("has_drain", "has_overflow_float")
    ],
)
def test_a_bound_that_is_not_above_zero_or_has_no_end_is_refused_by_name(name: str) -> None:
    for wrong in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(OutOfRangeError, match=f"the bound {name} is {wrong}"):
            Limits(**{name: wrong})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (Hold(0.0, "hub", True), "hold on"),
        (Hold(0.0, "hub", False), "hold off"),
        (StartFill(0.0, "hub"), "start fill"),
        (Acknowledge(0.0, "hub", None), "acknowledge all"),
        (Acknowledge(0.0, "hub", Trip.OVERFLOW), "acknowledge overflow"),
        (Reset(0.0, "hub", None), "reset all"),
        (Reset(0.0, "hub", Trip.LINK_LOST), "reset link-lost"),
        (Shelve(0.0, "hub", Trip.OVERFLOW, 30.0), "shelve overflow for 30 min"),
        (CartridgeChanged(0.0, "hub"), "cartridge changed"),
        (Retest(0.0, "hub", 4.5), "retest of 4.5 ppm"),
        (ReservoirSample(0.0, "hub", 12.0), "reservoir sample of 12 ppm"),
        (WeatherReport(0.0, "hub", WeatherQuantity.RAIN, 3.0), "weather rain 3 mm"),
    ],
)
def test_a_command_has_a_few_words_for_people(command: GuardCommand, words: str) -> None:
    assert words_of(command) == words


@pytest.mark.parametrize("age_s", [0.0, 10.0])
def test_a_command_counts_from_the_moment_of_its_receipt_to_its_greatest_age(age_s: float) -> None:
    run = GuardRun(zone=Zone.MIDDLE)
    run.step(Hold(run.now + 1 - age_s, "hub", True))
    assert run.state.hold


def test_a_hand_measurement_may_be_zero_and_a_reservoir_may_be_over_its_limit() -> None:
    run = GuardRun(zone=Zone.MIDDLE)
    at = run.now + 1
    for ppm, accepted in ((0.0, True), (500.0, True), (-0.1, False), (float("inf"), False)):
        (reply,) = run.step(ReservoirSample(at, "hub", ppm)).replies
        assert reply.accepted is accepted
        at = run.now + 1
    assert run.step(Retest(at, "hub", 0.0)).replies[0].accepted


def test_a_retest_passes_only_with_the_whole_interval_of_its_meter_under_the_limit() -> None:
    run = _tripped()
    assert run.step(Retest(run.now + 1, "hub", 49.9)).replies[0].accepted, "nothing is known of the meter"
    # The interval has half a width of 2 · √(3² + 4²) = 10 ppm.
    accuracy = HandAccuracy("pen", 3.0, 4.0)
    for ppm, passes in ((39.9, True), (40.0, False), (49.9, False)):
        run = _tripped()
        (reply,) = run.step(Retest(run.now + 1, "hub", ppm, accuracy)).replies
        assert reply.accepted is passes
        assert passes or "± 10 ppm" in reply.sentence
        assert run.state.latches[0].remedied is passes


def test_a_fill_is_refused_with_the_reason() -> None:
    tripped = _tripped()
    held = GuardRun(zone=Zone.MIDDLE)
    held.step(Hold(held.now + 1, "hub", True))
    running = GuardRun()
    running.fill()
    for run, why in (
        (tripped, "product-over-limit is latched"),
        (held, "on hold"),
        (running, "already running"),
        (GuardRun(zone=Zone.FULL), "at the fill mark"),
    ):
        pending = run.state.wanted
        (reply,) = run.step(StartFill(run.now + 1, "hub")).replies
        assert not reply.accepted
        assert why in reply.sentence
        assert run.state.wanted is pending


def test_replies_name_the_alarms_and_trips_that_they_concern() -> None:
    def reply(run: GuardRun, command: GuardCommand) -> tuple[bool, str]:
        (one,) = run.step(command).replies
        return one.accepted, one.sentence

    run = GuardRun()
    assert reply(run, Reset(run.now + 1, "hub", None)) == (False, "no trip is latched.")
    assert reply(run, Reset(run.now + 1, "hub", Trip.OVERFLOW)) == (False, "overflow is not latched.")
    assert reply(run, Acknowledge(run.now + 1, "hub", None)) == (False, "no alarm waits to be acknowledged.")
    none = (False, "overflow is not an alarm that waits to be acknowledged.")
    assert reply(run, Acknowledge(run.now + 1, "hub", Trip.OVERFLOW)) == none
    assert reply(run, Hold(run.now + 1, "hub", True)) == (True, "filling is on hold.")
    assert reply(run, Hold(run.now + 1, "hub", False)) == (True, "filling is no longer on hold.")
    run.step(overflow=True)
    run.pass_time(40, zone=None)
    assert reply(run, Shelve(run.now + 1, "hub", Trip.OVERFLOW, 1440.0))[1] == (
        "overflow is shelved for 1440 minutes."
    )
    assert run.state.alarms[0].shelved_until == run.now + 86_400.0
    assert reply(run, Shelve(run.now + 1, "hub", Trip.OVERFLOW, 0.0)) == (
        True,
        "overflow is no longer shelved.",
    )
    assert reply(run, Acknowledge(run.now + 1, "hub", Trip.OVERFLOW)) == (True, "1 alarm is acknowledged.")
    run.step(overflow=False, advisories=frozenset({Advisory.PROBE_MAINTENANCE}))
    assert reply(run, Acknowledge(run.now + 1, "hub", None)) == (True, "2 alarms are acknowledged.")
    assert reply(run, Reset(run.now + 1, "hub", None)) == (
        True,
        "reset: overflow. level-failure cannot be reset: the level is still not known.",
    )
    run.step(zone=Zone.MIDDLE)
    assert reply(run, Reset(run.now + 1, "hub", Trip.LEVEL_FAILURE)) == (True, "reset: level-failure.")
    assert run.state.first_out is None
