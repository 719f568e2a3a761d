"""The gate shows a latched trip only when it is on the disk, and shows everything in order."""

from dataclasses import dataclass, field, replace

from hypothesis import given
from hypothesis import strategies as st

from bridge.clock import VirtualClock
from bridge.daemon.gate import DISK_TIMEOUT_S, NOT_LOGGED, Gate, Ticket
from bridge.demo import HURRIED, station
from bridge.guard.model import Flow, Trip
from bridge.guard.state import AlarmChanged, Decision, Latched, begin
from bridge.rig.scenario import DEMO
from bridge.station import assess
from bridge.station.events import Level, StationEvent
from bridge.station.station import Station, Turn
from bridge.station.view import ActiveAlarm, StationView

PLAN = station(DEMO, "nowhere", HURRIED, 0.5, 0.9)
OVERFLOW = ActiveAlarm("overflow", "unacknowledged", "The overflow float is up.", shelved=False)
PLAIN = Station(PLAN, send=lambda message: True, next_sequence=lambda: 0, now=0.0).view()
TRIPPED = replace(PLAIN, latched_trips=("overflow",), alarms=(OVERFLOW,))
EVENT = StationEvent("barrel", "overflow", Level.ERROR, "The overflow float is up.")


def numbered(number: int, view: StationView = PLAIN) -> StationView:
    return replace(view, frames_good=number)


@dataclass
class People:
    """A gate, and everything that the gate passed on."""

    clock: VirtualClock = field(default_factory=VirtualClock)
    seen: list[StationView | StationEvent | str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.gate = Gate(self.clock, self.seen.append, self.seen.append)

    def tripped(self) -> Ticket:
        state = begin(0.0)
        events = (
            Latched(Trip.OVERFLOW, first_out=True),
            AlarmChanged(Trip.OVERFLOW, "normal", "unacknowledged", shelved=False),
        )
        decision = Decision(Flow.SHUT, 0.0, (), events)
        return self.gate.ticket(Turn(0.0, True, assess.begin(PLAN), None, state, state, decision, None))

    @property
    def sentences(self) -> list[str]:
        """The sentences of the alarms in the views."""
        return [one.sentence for view in self.seen if isinstance(view, StationView) for one in view.alarms]


def test_without_anything_that_latches_everything_leaves_at_once() -> None:
    people = People()
    people.gate.view(numbered(1))
    people.gate.event(EVENT)
    people.gate.answer(lambda: people.seen.append("done"))
    assert people.seen == [numbered(1), EVENT, "done"]


def test_what_latched_and_all_behind_it_wait_for_the_disk_and_leave_in_order() -> None:
    people = People()
    ticket = people.tripped()
    people.gate.view(numbered(1, TRIPPED), ticket)
    people.gate.event(EVENT, ticket)
    people.gate.answer(lambda: people.seen.append("done"), ticket)
    people.gate.view(numbered(2, TRIPPED))
    people.clock.advance_to(0.9)
    assert people.seen == []
    people.gate.logged(ticket)
    assert people.seen == [numbered(1, TRIPPED), EVENT, "done", numbered(2, TRIPPED)]
    people.clock.advance_to(10.0)
    assert len(people.seen) == 4


def test_a_disk_that_does_not_answer_delays_an_alert_by_a_second_and_the_alert_says_so() -> None:
    people = People()
    ticket = people.tripped()
    people.gate.view(TRIPPED, ticket)
    people.gate.event(EVENT, ticket)
    people.clock.advance_to(DISK_TIMEOUT_S)
    assert people.sentences == [OVERFLOW.sentence + NOT_LOGGED]
    assert people.seen[-1] == replace(EVENT, sentence=EVENT.sentence + NOT_LOGGED)
    people.gate.view(numbered(2, TRIPPED))
    assert people.sentences[-1] == OVERFLOW.sentence + NOT_LOGGED, "it is still not in the log"
    people.gate.logged(ticket)
    assert people.sentences[-1] == OVERFLOW.sentence, "now it is, and the alert is put right at once"
    people.gate.view(numbered(3, TRIPPED))
    assert people.sentences[-1] == OVERFLOW.sentence


def test_a_disk_that_refuses_delays_nothing_and_the_alert_says_so_until_the_log_works_again() -> None:
    people = People()
    ticket = people.tripped()
    people.gate.view(TRIPPED, ticket)
    people.gate.give_up(ticket)
    assert people.sentences == [OVERFLOW.sentence + NOT_LOGGED]
    people.gate.caught_up()
    assert people.sentences[-1] == OVERFLOW.sentence


def test_at_the_end_of_the_process_nothing_stays_behind() -> None:
    people = People()
    for number in range(3):
        people.gate.view(numbered(number, TRIPPED), people.tripped())
    people.gate.flush()
    assert [view.frames_good for view in people.seen if isinstance(view, StationView)] == [0, 1, 2]


STEPS: tuple[str, ...] = ("view", "latching view", "disk answers", "disk refuses", "time passes", "event")


@given(st.lists(st.sampled_from(STEPS), max_size=40))
def test_whatever_the_disk_does_no_later_view_overtakes_an_earlier_one_and_all_arrive(
    steps: list[str],
) -> None:
    people = People()
    tickets: list[Ticket] = []
    number = events = 0
    for step in steps:
        match step:
            case "view":
                number += 1
                people.gate.view(numbered(number))
            case "latching view":
                number += 1
                tickets.append(people.tripped())
                people.gate.view(numbered(number, TRIPPED), tickets[-1])
            case "disk answers" if tickets:
                people.gate.logged(tickets.pop(0))
            case "disk refuses" if tickets:
                people.gate.give_up(tickets.pop(0))
            case "time passes":
                people.clock.advance_to(people.clock.monotonic() + 0.4)
            case "event":
                events += 1
                people.gate.event(EVENT)
    people.clock.advance_to(people.clock.monotonic() + 2.0 * DISK_TIMEOUT_S)
    assert people.gate.is_clear
    shown = [view.frames_good for view in people.seen if isinstance(view, StationView)]
    assert shown == sorted(shown)
    assert number == 0 or shown[-1] == number
    assert sum(isinstance(one, StationEvent) for one in people.seen) == events


def test_the_refusal_of_a_malformed_command_waits_for_its_row_and_is_not_held_up_by_a_dead_disk() -> None:
    people = People()
    first, second = people.gate.ticket(), people.gate.ticket()
    people.gate.answer(lambda: people.seen.append("first"), first)
    people.gate.answer(lambda: people.seen.append("second"), second)
    assert people.seen == []
    people.gate.logged(first)
    assert people.seen == ["first"]
    people.clock.advance_to(DISK_TIMEOUT_S)
    assert people.seen == ["first", "second"]
