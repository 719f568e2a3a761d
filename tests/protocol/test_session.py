"""A session of the line keeps its guarantees for any input in any order."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.clock import Backoff
from bridge.guard.model import Flow
from bridge.protocol.codec import Decoder
from bridge.protocol.fields import encode
from bridge.protocol.frame import Damaged, Direction
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
from bridge.protocol.sequence import MODULUS
from bridge.protocol.session import (
    ClosePort,
    DownCause,
    LinkDown,
    LinkSession,
    LinkUp,
    OpenPort,
    Output,
    State,
    Write,
    down,
)

SILENCE_S = 3.0
FIRST_S, LONGEST_S = 0.3, 7.0
"""Not the waits of a session that is given none."""


class Port:
    """Carries out the outputs of a session, and checks the rules of every port."""

    def __init__(self) -> None:
        self.now = 50.0
        self.session = LinkSession("port", self.now, SILENCE_S, Backoff(FIRST_S, LONGEST_S))
        self.number = 0
        self.is_open = False
        self.asked_at: list[float] = []
        self.news: list[LinkUp | LinkDown] = []
        self.frames: list[list[FromBridge]] = []
        """The frames that were written during each opening of the port."""
        self._opening = False

    def do(self, outputs: list[Output]) -> None:
        for output in outputs:
            match output:
                case OpenPort():
                    assert not self.is_open, "a port was opened twice"
                    self._opening = True
                    self.asked_at.append(self.now)
                case ClosePort():
                    assert self.is_open
                    assert isinstance(self.frames[-1][-1], Close), "a port was closed without a close"
                    self.is_open = False
                case Write():
                    self.write(output)
                case _:
                    self.news.append(output)

    def write(self, write: Write) -> None:
        assert self.is_open, "a frame was written to a port that is not open"
        (message,) = Decoder(Direction.TO_CONTROLLER).feed(write.frame)
        assert isinstance(message, Close | Lease | Identify)
        assert write.urgent is isinstance(message, Close)
        self.frames[-1].append(message)

    # --- events of the port; an event that cannot happen now does nothing -----------------------

    def tick(self) -> None:
        self.do(self.session.tick(self.now))

    def wait(self, seconds: float) -> None:
        self.now += seconds
        self.tick()

    def opens(self) -> None:
        if self._opening:
            self._opening, self.is_open = False, True
            self.frames.append([])
            self.do(self.session.opened(self.now))

    def opens_not(self, cause: DownCause = DownCause.NO_DEVICE) -> None:
        if self._opening:
            self._opening = False
            self.do(self.session.open_failed(down(cause, "port"), self.now))

    def reads(self) -> None:
        if self.session.is_open:
            self.number = (self.number + 1) % MODULUS
            self.take(encode(Reading(self.number, Flow.SHUT, 1.0, 20.0)))

    def take(self, data: bytes) -> None:
        for received in self.session.bytes(data, self.now):
            if isinstance(received, LinkUp):
                self.news.append(received)

    def breaks(self) -> None:
        self.do(self.session.failed(down(DownCause.LOST, "port", "gone")))

    def hangs_up(self) -> None:
        self.session.closed(self.now)

    def leases(self) -> None:
        write = self.session.send(Lease(self.session.next_sequence(), Flow.TO_RESERVOIR, 4000))
        if write is not None:
            self.write(write)

    def finishes(self) -> None:
        self.do(self.session.finish())

    def begins(self) -> None:
        if self.session.state is State.FINISHED:
            self.session.begin(self.now)
            # A session that begins again has reported nothing yet.
            self.news.clear()


STEPS: tuple[Callable[[Port], None], ...] = (
    Port.tick, Port.opens, Port.opens_not, Port.reads, Port.breaks, Port.hangs_up, Port.leases, Port.finishes,
    Port.begins, lambda port: port.wait(0.5), lambda port: port.wait(SILENCE_S),
)  # fmt: skip


@given(st.lists(st.sampled_from(STEPS), max_size=60))
def test_every_opening_begins_with_close_and_identify_and_ends_with_a_close(
    steps: list[Callable[[Port], None]],
) -> None:
    port = Port()
    for step in steps:
        step(port)
        assert port.is_open or port.session.send(Close(0)) is None
    port.finishes()
    port.opens()
    assert port.session.state is State.FINISHED
    assert not port.is_open
    for written in port.frames:
        assert isinstance(written[-1], Close), "the last frame is no close"
        assert isinstance(written[0], Close), "something went out before the close that starts a session"
        if len(written) > 1:
            assert isinstance(written[1], Identify)
        numbers = [message.sequence for message in written]
        assert numbers == sorted(set(numbers))


@given(st.lists(st.sampled_from(STEPS), max_size=60))
def test_after_finish_nothing_is_opened_or_written(steps: list[Callable[[Port], None]]) -> None:
    port = Port()
    for step in steps:
        step(port)
    port.finishes()
    port.opens()
    written, asked = [list(one) for one in port.frames], list(port.asked_at)
    for step in steps:
        if step is not Port.begins:
            step(port)
    assert (port.frames, port.asked_at) == (written, asked)


@given(st.lists(st.sampled_from(STEPS), max_size=60))
def test_the_link_is_reported_up_and_down_in_turn_and_each_cause_once(
    steps: list[Callable[[Port], None]],
) -> None:
    port = Port()
    for step in steps:
        step(port)
    for before, after in zip(port.news, port.news[1:], strict=False):
        assert before != after
        assert not (isinstance(before, LinkUp) and isinstance(after, LinkUp))


@given(st.integers(1, 12), st.booleans())
def test_waits_double_up_to_their_bound_until_a_fresh_message_arrives(failures: int, after_up: bool) -> None:
    port = Port()
    if after_up:
        port.tick()
        port.opens()
        port.reads()
        port.breaks()
        port.hangs_up()
        assert port.session.next_due == port.now + FIRST_S
        port.now = port.session.next_due
    waits = []
    for _ in range(failures):
        port.tick()
        port.opens_not()
        waits.append(port.session.next_due - port.now)
        port.now = port.session.next_due
    first = 1 if after_up else 0
    assert waits == pytest.approx(
        [min(FIRST_S * 2.0**n, LONGEST_S) for n in range(first, first + failures)], abs=1e-6
    )
    port.tick()
    port.opens()
    assert port.session.wait_s > FIRST_S, "an open port alone is no success"
    port.reads()
    assert port.session.wait_s == FIRST_S


MESSAGES = b"".join(encode(Reading(number, Flow.SHUT, 1.0, 20.0)) for number in range(1, 6))
STALE = encode(Reading(5, Flow.SHUT, 1.0, 20.0)) + b"noise\n" + encode(Reading(3, Flow.SHUT, 1.0, 20.0))


@given(st.data())
def test_silence_is_found_at_the_same_moment_whatever_the_pieces_of_the_bytes(data: st.DataObject) -> None:
    port = Port()
    port.tick()
    port.opens()
    stream = MESSAGES + STALE
    cuts = data.draw(st.lists(st.integers(0, len(stream)), max_size=12).map(sorted))
    last_at = port.now
    # Each chunk arrives a little later. The silence counts from the end of the last fresh message.
    for begin, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        port.now += 0.01
        if begin < len(MESSAGES) <= end:
            last_at = port.now
        port.take(stream[begin:end])
    assert port.session.track.newest == 5
    assert port.session.next_due == pytest.approx(last_at + SILENCE_S)
    port.now = port.session.next_due - 1e-6
    port.tick()
    assert port.is_open
    port.now += 2e-6
    port.tick()
    assert not port.is_open
    assert [type(one) for one in port.news] == [LinkUp, LinkDown]
    assert isinstance(port.news[-1], LinkDown)
    assert port.news[-1].cause is DownCause.SILENT


def test_a_controller_that_answers_and_sends_no_reading_is_silent() -> None:
    port = Port()
    port.tick()
    port.opens()
    port.take(encode(Hello(0, "board", "1.0", BootReason.POWER, 10_000, Feature.NONE)))
    assert port.news == [], "a hello alone is no link"
    port.take(encode(Reading(1, Flow.SHUT, 1.0, 20.0)))
    read_at = port.now
    for number in range(2, 6):
        port.wait(0.8)
        if port.is_open:
            port.take(encode(Ack(number, number, Flow.SHUT)))
    assert [type(one) for one in port.news] == [LinkUp, LinkDown]
    assert not port.is_open
    assert port.now - read_at == pytest.approx(SILENCE_S, abs=0.81)


def test_the_frames_of_a_session_begin_with_the_number_that_it_was_given() -> None:
    session = LinkSession("port", 0.0, first_sequence=65_535)
    assert [session.next_sequence() for _ in range(3)] == [65_535, 0, 1]


def test_a_stale_message_is_not_handed_on_and_a_damaged_line_is() -> None:
    port = Port()
    port.tick()
    port.opens()
    frame = encode(Reading(7, Flow.SHUT, 1.0, 20.0))
    received = port.session.bytes(frame + b"noise\n" + frame, port.now)
    assert [type(one) for one in received] == [LinkUp, Reading, Damaged]
    assert port.session.track.counted.duplicates == 1
    assert port.session.counts.damaged_total == 1


def test_after_an_interruption_any_number_is_fresh_and_the_counts_go_on() -> None:
    port = Port()
    port.tick()
    port.opens()
    port.take(encode(Reading(9000, Flow.SHUT, 1.0, 20.0)))
    port.breaks()
    port.hangs_up()
    port.wait(FIRST_S)
    port.opens()
    received = port.session.bytes(encode(Hello(3, "a", "b", BootReason.POWER, 5000, Feature.NONE)), port.now)
    assert [type(one) for one in received] == [Hello]
    received = port.session.bytes(encode(Reading(4, Flow.SHUT, 1.0, 20.0)), port.now)
    assert [type(one) for one in received] == [LinkUp, Reading]
    assert port.session.counts.good == 3


def test_half_a_frame_before_an_interruption_damages_no_frame_after_it() -> None:
    port = Port()
    port.tick()
    port.opens()
    frame = encode(Reading(7, Flow.SHUT, 1.0, 20.0))
    port.take(frame[: len(frame) // 2])
    port.breaks()
    port.hangs_up()
    port.wait(FIRST_S)
    port.opens()
    assert [type(one) for one in port.session.bytes(frame, port.now)] == [LinkUp, Reading]
    assert port.session.counts.damaged_total == 0


def test_finish_while_the_port_is_being_opened_closes_it_with_a_close() -> None:
    port = Port()
    port.tick()
    port.finishes()
    assert port.frames == []
    port.opens()
    assert port.frames == [[Close(0)]]
    assert port.session.state is State.FINISHED


def test_a_failure_is_reported_once_until_it_changes_or_the_link_was_up() -> None:
    port = Port()

    def fails(cause: DownCause) -> None:
        port.now = max(port.now, port.session.next_due)
        port.tick()
        port.opens_not(cause)

    absent, lost = DownCause.NO_DEVICE, DownCause.LOST
    for cause in (absent, absent, lost, lost, absent):
        fails(cause)
    causes = [one.cause for one in port.news if isinstance(one, LinkDown)]
    assert causes == [absent, lost, absent]
    port.now = port.session.next_due
    port.tick()
    port.opens()
    port.reads()
    assert port.session.is_up
    port.breaks()
    assert not port.session.is_up, "not only when the port is closed"
    port.hangs_up()
    fails(absent)
    assert [type(one) for one in port.news[-3:]] == [LinkUp, LinkDown, LinkDown]


def test_a_session_that_begins_again_stays_open_however_it_was_finished() -> None:
    for opened in (True, False):
        port = Port()
        port.tick()
        port.finishes()
        if opened:
            port.opens()
        else:
            port.opens_not()
        assert port.session.state is State.FINISHED
        assert port.session.next_due == float("inf")
        port.begins()
        port.tick()
        port.opens()
        assert port.session.is_open
        port.reads()
        assert port.session.is_up
