"""What a station takes in between its readings, and what it hands on after each scan."""

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bridge.estimate.watch import CellWatch
from bridge.guard.alarms import Status
from bridge.guard.commands import (
    Acknowledge,
    CartridgeChanged,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
    Shelve,
)
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, AlarmId, Flow, Trip
from bridge.protocol.frame import Ignored, IgnoreReason
from bridge.protocol.messages import Ack, BootReason, Lease, Refusal
from bridge.protocol.session import DownCause, LinkUp, down
from bridge.station.events import Level
from bridge.station.plan import CalibrationInForce
from bridge.station.station import Away, Condition, FeedSampled, Station
from bridge.station.view import Outlook
from bridge.tank.level import Zone
from bridge.trays.ahead import RoundDay, RoundDue
from tests.station.test_station import DAMAGED, HELLO, PLAN, Bench

DAY_S = 86_400.0
TROUBLE = Advisory.LOG_TROUBLE


def shows(bench: Bench, alarm: AlarmId) -> bool:
    present = (Status.UNACKNOWLEDGED, Status.ACKNOWLEDGED)
    return any(one.alarm is alarm and one.status in present for one in bench.station.state.alarms)


def said(bench: Bench, id_: str) -> list[tuple[Level, str]]:
    return [(event.level, event.sentence) for event in bench.events if event.id == id_]


# ------------------------------------------------------------------ the wire


def test_every_frame_is_counted_once_as_good_or_as_damaged() -> None:
    fresh = Station(PLAN, send=lambda _: True, next_sequence=lambda: 0, now=0.0).view()
    assert (fresh.link_up, fresh.frames_good, fresh.frames_damaged, fresh.controller) == (False, 0, 0, "")
    bench = Bench()
    for what in (HELLO, Ack(1, 0, Flow.SHUT), Refusal(2, 0, "supply"), DAMAGED, DAMAGED):
        bench.station.receive(what, bench.now)
    bench.station.receive(Ignored(IgnoreReason.KIND, b""), bench.now)
    bench.number = 2
    bench.read()
    shown = bench.station.view()
    assert (shown.frames_good, shown.frames_damaged) == (4, 2)


@pytest.mark.parametrize(("damaged", "alarmed", "for_readings"), [(5, False, 0), (6, True, 15)])
def test_damaged_frames_raise_an_alarm_over_a_share_of_five_in_a_hundred(
    damaged: int, alarmed: bool, for_readings: int
) -> None:
    bench = Bench()
    bench.read()
    for _ in range(damaged):
        bench.station.receive(DAMAGED, bench.now)
    # The share is 1 - 0.99^n after n damaged frames, and 0.99 times as much after each good one.
    lasted = 0
    while lasted < 30:
        bench.read()
        if not shows(bench, Advisory.FRAMES_DAMAGED):
            break
        lasted += 1
    assert (lasted > 0) is alarmed
    assert lasted == for_readings


def test_the_line_is_reported_up_and_down_with_its_cause() -> None:
    bench = Bench()
    assert said(bench, "link-up") == [(Level.INFO, "Messages arrive from the controller.")]
    assert bench.station.view().link_up
    lost = down(DownCause.LOST, "port", "the cable is out")
    bench.station.receive(lost, bench.now)
    assert said(bench, "link-down") == [(Level.WARNING, str(lost.error))]
    assert not bench.station.view().link_up


@pytest.mark.parametrize("event", [LinkUp(), down(DownCause.LOST, "port", "the cable is out")])
def test_after_the_line_went_up_or_down_the_next_reading_sends_a_lease(event: object) -> None:
    bench = Bench()
    bench.fill()
    bench.read(seconds=0.125)
    assert bench.read(seconds=0.125) == []
    bench.station.receive(event, bench.now)  # type: ignore[arg-type]
    assert [type(message) for message in bench.read(seconds=0.125)] == [Lease]


def test_a_controller_that_restarted_in_a_long_fill_gets_a_lease_with_the_next_reading() -> None:
    bench = Bench()
    bench.station.receive(HELLO, bench.now)
    bench.fill()
    for number in range(110):
        bench.read(level_sensor=0.3 + 0.001 * number)
    bench.station.receive(HELLO, bench.now)
    bench.number = 0
    assert [type(message) for message in bench.read(level_sensor=0.41)] == [Lease]


def test_only_the_first_hello_of_a_controller_says_that_its_counter_began_again() -> None:
    bench = Bench()
    bench.read(pulses=1000)
    bench.number += 1
    bench.station.receive(replace(HELLO, sequence=bench.number), bench.now)
    bench.read(pulses=1045)
    assert PLAN.litres_per_pulse is not None
    assert bench.station.memory.inventory.load.treated_l == pytest.approx(45 * PLAN.litres_per_pulse)
    bench.station.receive(HELLO, bench.now)
    bench.number = 0
    bench.read(pulses=90)
    assert bench.station.memory.inventory.load.treated_l == pytest.approx(135 * PLAN.litres_per_pulse)


@pytest.mark.parametrize("boot", BootReason)
def test_a_hello_is_reported_and_is_a_warning_if_nobody_asked_for_the_start(boot: BootReason) -> None:
    bench = Bench()
    bench.station.receive(replace(HELLO, boot=boot), bench.now)
    usual = boot in (BootReason.POWER, BootReason.SOFTWARE)
    assert said(bench, "controller-hello") == [
        (
            Level.INFO if usual else Level.WARNING,
            f"The controller board 1.0 started because of {boot.value}.",
        )
    ]
    assert bench.station.view().controller == "board 1.0"


def test_a_refusal_is_reported_once_for_each_reason_and_again_after_a_hello() -> None:
    bench = Bench()

    def refuse(*reasons: str) -> int:
        before = len(said(bench, "lease-refused"))
        for why in reasons:
            bench.station.receive(Refusal(bench.number, 0, why), bench.now)
        return len(said(bench, "lease-refused")) - before

    assert refuse("supply", "supply") == 1
    assert refuse("heat", "heat") == 1
    assert said(bench, "lease-refused")[-1] == (Level.WARNING, "The controller refused a command: heat.")
    bench.station.receive(HELLO, bench.now)
    assert refuse("heat") == 1


def test_each_doubt_about_the_numbers_is_reported_once() -> None:
    bench = Bench()
    bench.read()
    for times in (1, 2):
        bench.number += 30_000
        bench.read()
        for _ in range(3):
            bench.read(seconds=2.0)
        found = said(bench, "controller-in-doubt")
        assert [level for level, _ in found] == [Level.WARNING] * times
        bench.number += 1
        bench.station.receive(replace(HELLO, sequence=bench.number), bench.now)


# ------------------------------------------------------------------ notes


@pytest.mark.parametrize("how", ["reading", "tick", "command"])
def test_a_condition_from_outside_counts_in_the_next_scan_until_it_is_gone(how: str) -> None:
    bench = Bench()
    bench.read()
    for present in (True, False):
        bench.station.inform(Condition(TROUBLE, present), Condition(Advisory.FROST, True))
        assert shows(bench, TROUBLE) is not present
        if how == "reading":
            bench.read()
        elif how == "tick":
            bench.station.tick(bench.now)
        else:
            bench.station.command(Hold(bench.now, "hub", True), bench.now)
        assert shows(bench, TROUBLE) is present
        assert shows(bench, Advisory.FROST)


def test_a_sample_of_the_feed_counts_where_no_cell_measures_it() -> None:
    without, with_cell = Bench(replace(PLAN, feed=None)), Bench()
    for bench in (without, with_cell):
        bench.read()
        bench.station.inform(FeedSampled(500.0))
        bench.read()
        assert bench.station.picture is not None
    assert without.station.picture is not None
    assert without.station.picture.feed_ppm == PLAN.identity.factor * 500.0
    assert with_cell.station.picture is not None
    assert with_cell.station.memory.feed_ppm == with_cell.station.picture.feed_ppm != 250.0


def test_a_forecast_and_a_round_are_shown_from_the_next_scan_on() -> None:
    bench = Bench()
    bench.station.inform(Outlook(order_now=True), RoundDue((RoundDay("2026-07-01", 2.5, (), ()),), None, ""))
    bench.read()
    shown = bench.station.view()
    assert (shown.order_now, shown.round_litres) == (True, 2.5)


def test_the_marks_of_an_absence_hold_from_its_note_until_the_next_one() -> None:
    plain = replace(PLAN.level, low_switch=False, full_switch=False, overflow_switch=False)
    away = replace(plain, refill_fraction=0.85, fill_fraction=0.95)
    bench = Bench(replace(PLAN, level=plain, level_while_away=away))

    def zone() -> Zone | None:
        for _ in range(20):
            bench.read(level_sensor=0.6)
        assert bench.station.picture is not None
        return bench.station.picture.level.zone

    assert zone() is Zone.MIDDLE
    bench.station.inform(Away(True))
    assert zone() is Zone.LOW
    bench.now += 4000.0
    assert zone() is Zone.LOW, "the marks are renewed every hour"
    bench.station.inform(Away(False))
    assert zone() is Zone.MIDDLE
    fixed = Bench()
    fixed.station.inform(Away(True))
    fixed.read()
    assert fixed.station.plan_in_use.level == PLAN.level


# ------------------------------------------------------------------ what depends on age


def test_a_proof_test_that_becomes_due_is_noticed_at_the_next_full_hour_of_running() -> None:
    bench = Bench()
    due_s = 128.0 + 1800.0
    kept = replace(bench.station.memory.inventory, proved_at=due_s - DAY_S * PLAN.limits.proof_test_days)
    bench.station.memory = replace(bench.station.memory, inventory=kept)
    bench.read(seconds=28.0)
    assert not shows(bench, Advisory.PROOF_TEST_DUE)
    bench.read(seconds=3599.875)
    assert not shows(bench, Advisory.PROOF_TEST_DUE)
    bench.read(seconds=0.125)
    assert shows(bench, Advisory.PROOF_TEST_DUE)
    late = Bench()
    late.station.memory = replace(
        late.station.memory, inventory=replace(kept, proved_at=-2.0 * DAY_S * PLAN.limits.proof_test_days)
    )
    late.read()
    assert shows(late, Advisory.PROOF_TEST_DUE)


@pytest.mark.parametrize(("days", "due"), [(367.0, True), (366.0 - 150.0 / DAY_S, False)])
def test_an_old_calibration_is_due_at_the_start_or_after_an_hour(days: float, due: bool) -> None:
    made = CalibrationInForce(datetime(2026, 1, 1, tzinfo=UTC), "84", 0.7, Path("x"), age_s=days * DAY_S)
    bench = Bench(replace(PLAN, product=replace(PLAN.product, calibration=made)))
    bench.read()
    assert shows(bench, Advisory.CALIBRATION_DUE) is due
    bench.read(seconds=3700.0)
    assert shows(bench, Advisory.CALIBRATION_DUE)


def test_a_cell_in_doubt_widens_the_interval_at_once_and_a_sound_one_narrows_it_at_once() -> None:
    bench = Bench()
    for _ in range(3):
        bench.read()
    sound = bench.station.memory.inventory
    doubtful = replace(sound, watch=CellWatch(transients=(math.log(5.0),) * 5, flat_fills=3))
    plain = bench.station.plan_in_use.product.chain.uncertainties.cell_constant_percent
    bench.station.memory = replace(bench.station.memory, inventory=doubtful)
    bench.read()
    assert shows(bench, Advisory.CELL_DOUBTFUL)
    assert bench.station.plan_in_use.product.chain.uncertainties.cell_constant_percent > plain
    assert bench.station.memory.inventory.water.cell_gain_percent[1] > sound.water.cell_gain_percent[1]
    (_, sentence), *_ = said(bench, "cell-doubtful")
    assert "In 3 fills running" in sentence
    bench.station.memory = replace(bench.station.memory, inventory=sound)
    bench.read()
    assert not shows(bench, Advisory.CELL_DOUBTFUL)
    assert bench.station.plan_in_use.product.chain.uncertainties.cell_constant_percent == plain


def test_a_doubt_counts_with_the_sample_that_raised_it() -> None:
    bench = Bench()
    bench.read()
    doubtful = CellWatch(transients=(math.log(5.0),) * 5, flat_fills=3)
    kept = replace(bench.station.memory.inventory, watch=doubtful)
    bench.station.memory = replace(bench.station.memory, inventory=kept)
    assert bench.station.command(ReservoirSample(bench.now, "hub", 12.0), bench.now) is None
    assert shows(bench, Advisory.CELL_DOUBTFUL)


# ------------------------------------------------------------------ what a scan hands on


def test_a_view_is_due_twice_a_second_and_with_each_decision_event_or_command() -> None:
    bench = Bench()
    for _ in range(3):
        bench.read(seconds=1.0, level_sensor=0.8)
    bench.turns.clear()
    for _ in range(8):
        bench.read(seconds=0.25, level_sensor=0.8)
    assert [turn.view is not None for turn in bench.turns] == [False, True] * 4
    bench.station.command(Hold(bench.now, "hub", True), bench.now)
    assert bench.turns[-1].view is not None
    bench.station.command(CartridgeChanged(bench.now, "hub"), bench.now)
    bench.read(seconds=0.125, level_sensor=0.8)
    assert bench.turns[-1].view is not None, "new accounts are shown in the next scan"
    bench.station.inform(Condition(TROUBLE, True))
    bench.read(seconds=0.125, level_sensor=0.8)
    assert bench.turns[-1].view is not None


def test_a_scan_says_whether_it_had_a_reading_and_a_change_of_flow_is_shown_at_once() -> None:
    bench = Bench()
    bench.station.tick(bench.now)
    assert not bench.turns[-1].reading
    bench.fill()
    assert bench.turns[-1].reading
    changes = [turn for turn in bench.turns if turn.decision.flow is not turn.before.flow]
    assert changes
    assert all(turn.view is not None for turn in changes)


def test_a_command_is_reported_with_its_sender_and_its_reply() -> None:
    bench = Bench()
    bench.read()
    assert bench.station.command(Hold(bench.now, "hub", True), bench.now) is None
    refusal = bench.station.command(Reset(bench.now, "page", Trip.OVERFLOW), bench.now)
    ((level, sentence),) = said(bench, "command-obeyed")
    assert level is Level.INFO
    assert sentence.startswith('The command "hold on" from hub: ')
    assert said(bench, "command-refused") == [
        (Level.WARNING, f'The command "reset overflow" from page: {refusal}')
    ]
    assert not any(event.id.startswith("command") for event in bench.turns[0].events)


def test_an_alarm_is_reported_in_each_state_and_explained_when_it_occurs() -> None:
    bench = Bench()
    bench.read()
    bench.station.inform(Condition(TROUBLE, True))
    bench.read()
    bench.station.command(Acknowledge(bench.now, "hub", TROUBLE), bench.now)
    bench.station.command(Shelve(bench.now, "hub", TROUBLE, 5.0), bench.now)
    occurred = f"The alarm log-trouble went from normal to unacknowledged. {FAULTS[TROUBLE].sentence}"
    assert said(bench, "log-trouble") == [
        (Level.WARNING, occurred),
        (Level.WARNING, "The alarm log-trouble went from unacknowledged to acknowledged."),
        (Level.INFO, "The alarm log-trouble is shelved; it is acknowledged."),
    ]
    bench.station.command(Shelve(bench.now, "hub", TROUBLE, 0.0), bench.now)
    (_, _, _, ended) = said(bench, "log-trouble")
    assert ended == (Level.INFO, "The alarm log-trouble is no longer shelved; it is acknowledged.")


def test_a_trip_is_reported_when_it_latches_and_when_it_is_reset() -> None:
    bench = Bench()
    bench.fill()
    bench.read(switch_overflow=True)
    first, alarm = said(bench, "overflow")
    assert first == (Level.ERROR, f"First-out: {FAULTS[Trip.OVERFLOW].sentence}")
    assert alarm == (Level.WARNING, "The alarm overflow went from normal to unacknowledged.")
    for _ in range(40):
        bench.read()
    assert bench.station.command(Reset(bench.now, "hub", None), bench.now) is None
    assert (Level.INFO, "The trip was reset by hub.") in said(bench, "overflow")
    phases = said(bench, "phase")
    assert (Level.INFO, "A trip is latched; the valve stays shut until a reset.") in phases


@pytest.mark.parametrize("ppm", [math.nan, math.inf, -1.0])
def test_an_impossible_retest_is_refused_by_the_guard(ppm: float) -> None:
    bench = Bench()
    bench.read()
    assert bench.station.command(Retest(bench.now, "hub", ppm), bench.now) is not None


@pytest.mark.parametrize("ppm", [0.0, 0.5])
def test_a_retest_without_an_accuracy_gets_that_of_the_meter_in_the_plan(ppm: float) -> None:
    bench = Bench()
    bench.read()
    assert bench.station.command(Retest(bench.now, "hub", ppm), bench.now) is None
    command = bench.turns[-1].command
    assert isinstance(command, Retest)
    assert command.accuracy is not None
    assert command.accuracy.meter == PLAN.meter.ident
