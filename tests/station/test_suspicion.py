"""A station doubts a controller that restarts at openings, ignores leases, repeats itself or is new."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from bridge.demo import station
from bridge.guard.alarms import Status
from bridge.guard.commands import Reset, StartFill
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, AlarmId, Flow, Permissive, Phase, Trip
from bridge.protocol.messages import (
    Ack,
    BootReason,
    Close,
    Feature,
    FromBridge,
    Hello,
    Identify,
    Lease,
    Reading,
)
from bridge.protocol.session import DownCause, LinkUp, down
from bridge.rig.scenario import POLYTUNNEL_WITH_DRAIN
from bridge.station.events import StationEvent
from bridge.station.inventory import Inventory, unmeasured
from bridge.station.plan import StationPlan
from bridge.station.station import Station

PLAN = replace(
    station(POLYTUNNEL_WITH_DRAIN, "nowhere", Limits(no_rise_after_s=1e5), 0.5, 0.9), litres_per_pulse=None
)
HELLO = Hello(0, "board-1", "1.0.0", BootReason.BROWNOUT, 10_000, Feature.NONE)


class Board:
    """A controller that obeys every lease, unless the test makes it do something else."""

    def __init__(self, plan: StationPlan = PLAN, known: Inventory | None = None) -> None:
        self.now = 100.0
        self.number = 0
        self.path = Flow.SHUT
        self.sent: list[FromBridge] = []
        self.events: list[StationEvent] = []
        self.obeys: Callable[[Lease], Flow] = lambda lease: lease.path
        self.identity = "board-1"
        self.answers = True
        self.openings = 0
        self.station = Station(
            plan, send=self._send, next_sequence=lambda: 0, now=self.now, on_event=self.events.append,
            on_turn=lambda turn: self.events.extend(turn.events), accounts=known,
        )  # fmt: skip
        self.station.receive(LinkUp(), self.now)

    def _send(self, message: FromBridge) -> bool:
        self.sent.append(message)
        return True

    def hello(self, number: int | None = None, identity: str | None = None) -> None:
        self.number = self.number + 1 if number is None else number
        self.station.receive(
            replace(HELLO, sequence=self.number, identity=identity or self.identity), self.now
        )

    def second(self) -> None:
        """Carry out what was sent, and send one reading."""
        self.now += 1.0
        sent, self.sent = self.sent, []
        for message in sent:
            if isinstance(message, Close):
                self.path = Flow.SHUT
            elif isinstance(message, Lease):
                before, self.path = self.path, self.obeys(message)
                self.openings += before is Flow.SHUT and self.path is not Flow.SHUT
            elif isinstance(message, Identify) and self.answers:
                self.hello()
        self.number += 1
        self.read(self.number)

    def read(self, number: int) -> None:
        self.station.receive(
            Reading(
                number, self.path, product_us=40.0 + 0.01 * (self.now % 7), product_c=15.0, feed_us=600.0,
                feed_c=15.0, level_sensor=0.5, switch_low=True, switch_full=False, switch_overflow=False,
            ),
            self.now,
        )  # fmt: skip

    def fill(self) -> None:
        for _ in range(5):
            self.second()
        self.station.command(StartFill(self.now, "test"), self.now)
        for _ in range(60):
            self.second()
            if self.station.state.phase is Phase.FILL:
                return
        raise AssertionError("no fill began")

    def leases(self, seconds: int) -> int:
        """Return how many leases are sent in this time."""
        count = 0
        for _ in range(seconds):
            self.second()
            count += sum(isinstance(message, Lease) for message in self.sent)
        return count

    def shows(self, alarm: AlarmId) -> bool:
        return any(
            one.alarm is alarm and one.status is not Status.NORMAL for one in self.station.state.alarms
        )

    @property
    def latched(self) -> list[Trip]:
        return [latch.trip for latch in self.station.state.latches]


def missing_of(board: Board) -> tuple[Permissive, ...]:
    assert board.station.decision is not None
    return board.station.decision.missing


@pytest.fixture
def board() -> Board:
    return Board()


# --- a supply that sags when the valve opens ---------------------------------------------------


def _sag(board: Board, seconds: int) -> None:
    for _ in range(seconds):
        board.second()
        if board.path is not Flow.SHUT:
            board.path = Flow.SHUT
            board.hello(0)


def test_a_controller_that_restarts_at_each_opening_opens_a_few_times_and_trips(board: Board) -> None:
    board.fill()
    board.openings = 0
    _sag(board, 90)
    assert board.openings <= 3
    _sag(board, 1800)
    assert board.openings <= 5
    assert board.latched == [Trip.CONTROLLER_RESTARTS]
    told = [event for event in board.events if event.id == Trip.CONTROLLER_RESTARTS.value]
    assert "restarts each time the valve opens" in told[0].sentence
    # A reset gives it as many tries again, and no more.
    assert board.station.command(Reset(board.now, "test", Trip.CONTROLLER_RESTARTS), board.now) is None
    board.openings = 0
    board.station.command(StartFill(board.now, "test"), board.now)
    _sag(board, 3600)
    assert board.openings <= 5
    assert board.latched == [Trip.CONTROLLER_RESTARTS]


def test_a_restart_in_the_middle_of_a_long_opening_is_no_step_towards_a_trip(board: Board) -> None:
    board.fill()
    for _ in range(20):
        for _ in range(60):
            board.second()
        board.path = Flow.SHUT
        board.hello(0)
    board.second()
    board.second()
    assert board.latched == []
    assert board.station.state.phase is Phase.FILL


# --- a controller that does not follow -----------------------------------------------------------


@pytest.mark.parametrize("reported", [Flow.SHUT, Flow.TO_DRAIN])
def test_a_path_that_is_not_the_commanded_one_raises_an_alarm_and_stops_the_leases(
    board: Board, reported: Flow
) -> None:
    board.fill()
    board.obeys = lambda lease: reported
    board.path = reported
    at = board.now
    while not board.shows(Advisory.CONTROLLER_FAULT):
        board.second()
        assert board.now - at <= 30.0, "no alarm within 30 s"
    # It is tried again less and less often, and the alarm stays.
    assert board.leases(600) < 60
    assert board.shows(Advisory.CONTROLLER_FAULT)
    board.obeys = lambda lease: lease.path
    for _ in range(1300):
        board.second()
    assert board.station.state.phase is Phase.FILL
    assert board.leases(60) > 20


# --- numbers that jump back ------------------------------------------------------------------------


def test_readings_that_begin_again_without_a_hello_stop_the_leases_until_the_board_answers(
    board: Board,
) -> None:
    board.fill()
    board.answers = False
    for _ in range(100):
        board.second()
    back = board.number - 60
    board.sent.clear()
    board.now += 0.1
    board.read(back)
    kinds = [type(message) for message in board.sent]
    assert kinds == [Close, Identify], "shut first, then ask"
    board.number = back
    assert board.leases(60) == 0, "a loop of old readings is no life"
    assert Permissive.CONTROLLER_SOUND in missing_of(board)
    assert board.shows(Advisory.CONTROLLER_FAULT)
    assert len([event for event in board.events if event.id == "controller-in-doubt"]) == 1
    board.answers = True
    for _ in range(60):
        board.second()
    assert board.station.state.phase in (Phase.RINSE, Phase.FILL)
    assert board.shows(Advisory.CONTROLLER_RESTARTED)


def test_the_question_for_the_identity_is_repeated_until_it_is_answered(board: Board) -> None:
    for _ in range(200):
        board.second()
    board.answers = False
    asked = 0
    board.number = 3
    for _ in range(20):
        board.second()
        asked += sum(isinstance(message, Identify) for message in board.sent)
    assert 8 <= asked <= 11
    board.hello()
    assert board.leases(5) >= 0
    assert not any(isinstance(message, Identify) for message in board.sent)


def test_a_number_that_wraps_is_no_jump(board: Board) -> None:
    board.number = 65_533
    for number in (65_534, 65_535, 0, 1):
        board.now += 1.0
        board.read(number)
    assert not any(isinstance(message, Identify) for message in board.sent)


# --- another board -----------------------------------------------------------------------------------


def test_another_board_on_the_same_port_raises_an_alarm(board: Board) -> None:
    board.hello()
    board.second()
    assert not board.shows(Advisory.CONTROLLER_EXCHANGED)
    board.hello(identity="board-2")
    board.second()
    assert board.shows(Advisory.CONTROLLER_EXCHANGED)
    told = [event.sentence for event in board.events if event.id == "controller-exchanged"]
    assert "board-2" in told[0]
    assert "board-1" in told[0]


def test_another_board_than_before_the_restart_of_the_bridge_raises_an_alarm() -> None:
    board = Board(known=replace(unmeasured(6.0), controller="board-0"))
    board.hello()
    board.second()
    assert board.shows(Advisory.CONTROLLER_EXCHANGED)
    assert board.station.memory.controller == "board-1"


def test_only_the_board_that_the_configuration_names_may_fill() -> None:
    board = Board(replace(PLAN, controller_id="board-1"))
    board.answers = False
    for _ in range(5):
        board.second()
    board.station.command(StartFill(board.now, "test"), board.now)
    assert board.leases(60) == 0, "it has not identified itself"
    board.hello(identity="board-2")
    assert board.leases(60) == 0
    assert board.shows(Advisory.CONTROLLER_EXCHANGED)
    board.hello()
    assert board.leases(60) > 0
    # After the line was down, it must identify itself again.
    board.station.receive(down(DownCause.LOST, "port", "the cable is out"), board.now)
    board.station.receive(LinkUp(), board.now)
    board.number += 1
    board.station.receive(Ack(board.number, 0, Flow.SHUT), board.now)
    assert board.leases(30) == 0
    board.hello()
    assert board.leases(60) > 0


def test_a_steady_cell_of_a_board_that_states_a_coarse_step_keeps_filling(board: Board) -> None:
    def steady(seconds: int) -> None:
        for _ in range(seconds):
            board.now += 1.0
            board.number += 1
            board.station.receive(
                Reading(
                    board.number, Flow.TO_DRAIN, product_us=40.0, product_c=15.0, feed_us=600.0, feed_c=15.0,
                    level_sensor=0.5, switch_low=True, switch_full=False, switch_overflow=False,
                ),
                board.now,
            )  # fmt: skip

    board.station.receive(replace(HELLO, product_step_us=1.0), board.now)
    steady(1000)
    assert board.station.view().product_health == "good"
    board.number += 1
    board.station.receive(replace(HELLO, sequence=board.number), board.now)
    steady(1000)
    assert board.station.view().product_health == "failure"
