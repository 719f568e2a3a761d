"""The keeper handles the results of a scan in order, and reports a fault of the program."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from bridge.clock import VirtualClock
from bridge.daemon.keeper import FIRST_WAIT_S, LONGEST_WAIT_S, Keeper
from bridge.daemon.log_policy import LogPolicy, Restored
from bridge.demo import HURRIED, station
from bridge.forecast.learner import Learner
from bridge.guard.commands import Hold, Reset
from bridge.guard.model import Flow, Phase, Trip
from bridge.guard.state import GuardState
from bridge.protocol.messages import Close, FromBridge, Lease, Reading
from bridge.protocol.session import DownCause, LinkUp, down
from bridge.rig.scenario import DEMO
from bridge.station.events import StationEvent
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.station import Turn
from bridge.station.view import StationView

PLAN = station(DEMO, "nowhere", HURRIED, 0.5, 0.9)


@dataclass
class Room:
    """A keeper with lists for its wire, its log and its people. The test decides when the disk answers."""

    plan: StationPlan = PLAN
    clock: VirtualClock = field(default_factory=lambda: VirtualClock(100.0, 1_760_000_100.0))
    happened: list[str] = field(default_factory=list)
    sent: list[FromBridge] = field(default_factory=list)
    faults: list[Exception] = field(default_factory=list)
    disk: list[Callable[[bool], None]] = field(default_factory=list)
    views: list[StationView] = field(default_factory=list)
    number: int = 0

    def __post_init__(self) -> None:
        self.policy = LogPolicy((self.plan,))
        self.keeper = Keeper(
            self.plan,
            self.clock,
            self,
            self.shows,
            lambda event: self.happened.append(f"shown {event.id}"),
            self.faults.append,
            self,
            forecasts=False,
        )
        self.keeper.received(LinkUp())

    def shows(self, view: StationView) -> None:
        self.views.append(view)
        self.happened.append(f"view {view.phase}")

    # The wire.

    def next_sequence(self) -> int:
        return 0

    def send(self, message: FromBridge) -> bool:
        self.sent.append(message)
        self.happened.append(type(message).__name__.lower())
        return True

    # The log.

    def restored(self, plan: StationPlan) -> Restored:
        return self.policy.restored(plan, self.clock.monotonic(), self.clock.wall())

    def feed_sampled(self, reservoir: str) -> float | None:
        return None

    def learner(self, plan: StationPlan, accounts: Inventory) -> Learner:
        raise AssertionError("nothing is forecast here")

    def turn(self, reservoir: str, turn: Turn, on_disk: Callable[[bool], None] | None = None) -> None:
        self.happened.append(f"log {turn.state.phase.value}")
        if on_disk is not None:
            self.disk.append(on_disk)

    def event(self, event: StationEvent) -> None:
        self.happened.append(f"log {event.id}")

    def accounts(self, reservoir: str, state: GuardState, inventory: Inventory) -> None:
        self.happened.append("log counters")

    def learned(self, learner: Learner) -> None:
        raise AssertionError("nothing is forecast here")

    # The controller.

    def read(self, product_us: float = 20.0, after_s: float = 0.25) -> None:
        self.clock.advance_to(self.clock.monotonic() + after_s)
        self.number += 1
        path = self.keeper.station.state.flow
        self.keeper.received(
            Reading(
                self.number, path, product_us=product_us, product_c=15.0 + 0.001 * self.number, feed_us=600.0,
                feed_c=15.0, level_sensor=0.3, switch_low=True, switch_full=False, switch_overflow=False,
                pulses=self.number,
            )
        )  # fmt: skip

    def fill(self) -> None:
        for _ in range(200):
            self.read()
            if self.keeper.station.state.phase is Phase.FILL:
                self.clock.advance_to(self.clock.monotonic() + 0.1)
                return
        raise AssertionError("no fill began")


def test_a_trip_is_on_the_wire_then_in_the_log_and_shown_when_it_is_on_disk() -> None:
    room = Room()
    room.fill()
    room.happened.clear()
    room.read(product_us=8000.0)
    followed = room.happened[room.happened.index("close") :]
    assert followed == ["close", "log tripped"]
    room.happened.clear()
    room.disk.pop()(True)
    shown = room.happened
    assert shown[0] == "view tripped"
    assert "shown product-over-limit" in shown


def test_scans_of_a_fast_controller_are_written_together_and_before_what_follows_them() -> None:
    room = Room()
    room.fill()
    room.read()
    room.happened.clear()
    for _ in range(3):
        room.read(after_s=0.02)
    assert "log fill" not in room.happened
    room.read(product_us=8000.0, after_s=0.02)
    assert [one for one in room.happened if one.startswith("log")] == ["log fill"] * 3 + ["log tripped"]
    assert room.happened.index("close") < room.happened.index("log fill")


def test_a_view_and_a_saved_counter_follow_the_scans_before_them() -> None:
    room = Room()
    room.fill()
    room.read()
    room.happened.clear()
    room.read(after_s=0.02)
    room.keeper.save_accounts()
    assert room.happened == ["log fill", "log counters"]
    room.happened.clear()
    while "view fill" not in room.happened:
        room.read(after_s=0.02)
    assert room.happened[-2:] == ["log fill", "view fill"]
    assert len(room.happened) == room.happened.count("log fill") + 1


def test_a_log_that_fails_with_each_scan_ends_the_session_and_not_the_keeper(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def broken(*_: Any) -> None:
        raise ArithmeticError("a fault of the log")

    room = Room()
    room.fill()
    room.read()
    for _ in range(3):
        room.read(after_s=0.02)
    with monkeypatch.context() as patch:
        patch.setattr(room, "turn", broken)
        room.read()
        (error,) = room.faults
        assert room.keeper.failed(error) == FIRST_WAIT_S
    assert "shown station-failed" in room.happened
    room.keeper.begin_again()
    room.happened.clear()
    room.read()
    assert any(one.startswith("log ") for one in room.happened)


def test_a_change_of_phase_waits_for_the_wire_and_not_for_the_disk() -> None:
    room = Room()
    room.fill()
    assert not room.disk, "the disk was asked for what does not latch"
    assert "shown phase" in room.happened
    assert room.happened.index("lease") < room.happened.index("log rinse") < room.happened.index("view rinse")


def test_a_command_is_answered_when_it_is_on_disk() -> None:
    room = Room()
    room.fill()
    answers: list[str | None] = []
    now = room.clock.monotonic()
    assert room.keeper.command(Hold(now, "hub", True), answers.append) is None
    assert isinstance(room.sent[-1], Close)
    assert answers == []
    room.disk.pop()(True)
    assert answers == [None]
    refusal = room.keeper.command(Reset(now, "hub", Trip.OVERFLOW), answers.append)
    assert refusal == "overflow is not latched."
    assert answers == [None], "a refusal is in the log, too, before it is given"
    room.disk.pop()(True)
    assert answers == [None, refusal]


def test_after_close_now_nothing_is_decided_and_a_command_is_refused() -> None:
    room = Room()
    room.fill()
    room.keeper.close_now()
    room.happened.clear()
    for _ in range(20):
        room.read()
    assert room.happened == []
    answers: list[str | None] = []
    room.keeper.command(Hold(room.clock.monotonic(), "hub", True), answers.append)
    assert answers == ["the bridge is stopping."]


def test_without_readings_the_station_is_ticked_and_the_lease_is_not_renewed() -> None:
    room = Room()
    room.fill()
    sent = len(room.sent)
    room.clock.advance_to(room.clock.monotonic() + 2.0 * PLAN.limits.stale_after_s)
    assert not any(isinstance(message, Lease) for message in room.sent[sent + 1 :])
    assert isinstance(room.sent[-1], Close)
    assert room.keeper.station.state.flow is Flow.SHUT


def test_a_fault_in_a_timer_is_reported_and_not_swallowed(monkeypatch: pytest.MonkeyPatch) -> None:
    room = Room()

    def broken(*_: Any) -> None:
        raise ArithmeticError("a fault of the station")

    monkeypatch.setattr(room.keeper.station, "tick", broken)
    room.clock.advance_to(room.clock.monotonic() + 10.0)
    assert [str(error) for error in room.faults] == ["a fault of the station"]


def test_a_session_that_failed_begins_anew_with_its_trips_and_waits_ever_longer() -> None:
    room = Room()
    room.fill()
    room.read(product_us=8000.0)
    waits = []
    for _ in range(8):
        waits.append(room.keeper.failed(ArithmeticError("a fault")))
        room.keeper.begin_again()
    assert waits == [min(FIRST_WAIT_S * 2.0**number, LONGEST_WAIT_S) for number in range(8)]
    assert [latch.trip for latch in room.keeper.station.state.latches] == [Trip.PRODUCT_OVER_LIMIT]
    room.clock.advance_to(room.clock.monotonic() + LONGEST_WAIT_S + 1.0)
    assert room.keeper.failed(ArithmeticError("a fault")) == FIRST_WAIT_S
    assert "log station-failed" in room.happened


def test_what_was_latched_holds_filling_when_it_is_not_known() -> None:
    class Lost(Room):
        def restored(self, plan: StationPlan) -> Restored:
            return LogPolicy((PLAN,), complete=False).restored(
                plan, self.clock.monotonic(), self.clock.wall()
            )

    lost = Lost()
    assert lost.keeper.station.state.hold
    assert "log state-lost" in lost.happened


def test_a_session_that_begins_again_counts_the_flow_pulses_on_and_each_litre_once() -> None:
    room = Room()
    room.fill()
    each = PLAN.litres_per_pulse or 0.0
    for _ in range(50):
        room.read()
    before = room.number
    treated_l = room.keeper.station.memory.inventory.load.treated_l
    state = room.keeper.station.state
    day_l = state.day_l + state.fill.volume_l
    room.keeper.begin_again()
    room.number += 40
    for _ in range(5):
        room.read()
    more_l = (room.number - before) * each
    state = room.keeper.station.state
    assert room.keeper.station.memory.inventory.load.treated_l == pytest.approx(treated_l + more_l)
    assert state.day_l + state.fill.volume_l == pytest.approx(day_l + more_l)


def test_without_a_link_the_values_are_blank_and_the_time_of_the_last_reading_is_shown() -> None:
    room = Room()
    for _ in range(4):
        room.read()
    assert room.views[-1].product_ppm is not None
    assert room.views[-1].last_reading is None
    room.keeper.received(down(DownCause.SILENT, "port", "3 s"))
    room.clock.advance_to(room.clock.monotonic() + 10.0)
    # The fourth reading came one second after 2025-10-09 08:55:00 UTC.
    assert room.views[-1].last_reading == "2025-10-09T08:55:01Z"
    assert room.views[-1].product_ppm is None
    room.keeper.received(LinkUp())
    room.read()
    room.clock.advance_to(room.clock.monotonic() + 0.1)
    assert room.views[-1].last_reading is None
