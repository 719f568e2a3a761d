"""Every message survives the line, and the size of the chunks changes nothing."""

import dataclasses
import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.errors import InputError, OutOfRangeError
from bridge.guard.model import Flow
from bridge.protocol.codec import Damaged, Decoder, Direction, encode
from bridge.protocol.fields import Message
from bridge.protocol.frame import seal
from bridge.protocol.messages import (
    FAILED,
    Ack,
    BootReason,
    Close,
    Feature,
    FromBridge,
    FromController,
    Hello,
    Identify,
    Lease,
    LocalFault,
    Reading,
    Refusal,
    Value,
)
from tests.narrowing import of_kind

uint16 = st.integers(0, 0xFFFF)
ms = st.integers(1, 0xFFFF)
ALPHABET = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._+-"


def words(longest: int) -> st.SearchStrategy[str]:
    return st.text(ALPHABET, min_size=1, max_size=longest)


def measured(low: float, high: float) -> st.SearchStrategy[Value]:
    return st.floats(low, high) | st.just(FAILED)


conductance = measured(-999_999, 9_999_999)
temperature = measured(-999, 9999)
switch = st.sampled_from([True, False, None])
readings = st.builds(
    Reading,
    uint16,
    st.sampled_from(Flow),
    conductance,
    temperature,
    st.none() | conductance,
    st.none() | temperature,
    st.none() | measured(-2, 9),
    switch,
    switch,
    switch,
    st.none() | st.integers(0, 2**32 - 1),
    uint16.map(LocalFault),
)
others = st.one_of(
    st.builds(
        Hello,
        uint16,
        words(24),
        words(16),
        st.sampled_from(BootReason),
        ms,
        uint16.map(Feature),
        st.sampled_from([None, FAILED, 0.01, 0.5, 12.25]),
    ),
    st.builds(Ack, uint16, uint16, st.sampled_from(Flow)),
    st.builds(Refusal, uint16, uint16, words(16)),
)
commands = st.one_of(
    st.builds(Lease, uint16, st.sampled_from([Flow.TO_RESERVOIR, Flow.TO_DRAIN]), ms),
    st.builds(Close, uint16),
    st.builds(Identify, uint16),
)


def received(frame: bytes) -> object:
    """Return the one event of a frame that a controller sent."""
    (event,) = Decoder(Direction.TO_BRIDGE).feed(frame)
    return event


@given(others)
def test_what_a_controller_says_arrives_unchanged(message: FromController | FromBridge) -> None:
    assert received(encode(message)) == message


@given(commands)
def test_a_command_arrives_unchanged(message: FromController | FromBridge) -> None:
    assert Decoder(Direction.TO_CONTROLLER).feed(encode(message)) == [message]


WIDTHS = {"product_us": 8, "product_c": 6, "feed_us": 8, "feed_c": 6, "level_sensor": 6}


@settings(max_examples=400)
@given(readings)
@example(Reading(0, Flow.SHUT, 9.9999996, -0.0001, 999999.96, 99.9996, 0.99996))
@example(Reading(65535, Flow.TO_DRAIN, 9_999_999, 9999, 9_999_999, 9999, 9.0, True, True, True, 2**32 - 1,
                 LocalFault(65535)))  # fmt: skip
def test_a_reading_arrives_as_exact_as_its_width_allows(reading: Reading) -> None:
    frame = encode(reading)
    assert len(frame) <= 119
    got = of_kind(Reading, received(frame))
    for name, width in WIDTHS.items():
        sent, came = getattr(reading, name), getattr(got, name)
        if isinstance(sent, float | int):
            whole = len(f"{abs(sent):.0f}") + (sent < 0)
            assert math.isclose(
                came, sent, rel_tol=0.0, abs_tol=0.5000001 * 10.0 ** -max(0, width - whole - 1)
            )
        else:
            assert came is sent
    # All other fields stay the same, and a rounded value is not rounded again.
    assert dataclasses.replace(got, **{n: getattr(reading, n) for n in WIDTHS}) == reading
    assert encode(got) == frame


@given(st.lists(readings | others | commands, max_size=6), st.binary(max_size=150), st.data())
def test_chunks_make_no_difference(messages: list[Message], garbage: bytes, data: st.DataObject) -> None:
    stream = b"".join(encode(m) for m in messages)
    at = data.draw(st.integers(0, len(stream)))
    stream = stream[:at] + garbage + stream[at:]
    whole = Decoder(Direction.TO_BRIDGE)
    events = whole.feed(stream)

    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=12)))
    parts = Decoder(Direction.TO_BRIDGE)
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert [event for piece in pieces for event in parts.feed(piece)] == events
    assert parts.counts == whole.counts


@given(
    st.lists(st.sampled_from([b"<", b">", b"\n", b"\r", b"x", b"y" * 119, b"*", b">1 1 ack"]), max_size=30)
)
def test_awkward_bytes_give_the_same_events_one_by_one(pieces: list[bytes]) -> None:
    stream = b"".join(pieces)
    whole, slow = Decoder(Direction.TO_BRIDGE), Decoder(Direction.TO_BRIDGE)
    assert [e for i in range(len(stream)) for e in slow.feed(stream[i : i + 1])] == whole.feed(stream)


def test_endless_noise_is_one_event_and_takes_no_room() -> None:
    decoder = Decoder(Direction.TO_BRIDGE)
    events = [event for _ in range(2000) for event in decoder.feed(b"\x55" * 500)]
    assert len(events) == 1
    assert isinstance(events[0], Damaged)
    assert len(events[0].excerpt) <= 48
    assert decoder._kept == b""
    assert decoder.feed(encode(Ack(1, 2, Flow.TO_RESERVOIR))) == [Ack(1, 2, Flow.TO_RESERVOIR)]


def test_counts_tell_what_was_passed_over() -> None:
    decoder = Decoder(Direction.TO_BRIDGE)
    decoder.feed(
        encode(Ack(1, 2, Flow.TO_RESERVOIR))
        + b"chatter\n"
        + encode(Close(1))
        + b">1 5 ack of=2 path=fill*00000000\n"
    )
    assert decoder.counts.good == 1
    assert decoder.counts.damaged_total == 2
    assert {reason.value: n for reason, n in decoder.counts.damaged.items() if n} == {
        "no-start": 1,
        "check": 1,
    }
    assert {reason.value: n for reason, n in decoder.counts.ignored.items() if n} == {"echo": 1}


def test_values_that_are_no_numbers_and_fields_nobody_knows_are_counted() -> None:
    decoder = Decoder(Direction.TO_BRIDGE)
    (event,) = decoder.feed(seal(">1 5 reading path=shut p=3e2 pt=? f=x ph=7.1 orp=200"))
    reading = of_kind(Reading, event)
    assert (reading.product_us, reading.product_c, reading.feed_us, reading.feed_c) == (
        FAILED,
        FAILED,
        FAILED,
        None,
    )
    # The controller sends a question mark on purpose, so it is no fault of the line.
    assert decoder.counts.unreadable_values == 2
    assert decoder.counts.unknown_fields == 2
    assert decoder.counts.damaged_total == 0


def test_restart_forgets_half_a_frame() -> None:
    decoder = Decoder(Direction.TO_BRIDGE)
    frame = encode(Ack(1, 2, Flow.TO_RESERVOIR))
    assert decoder.feed(frame[:10]) == []
    decoder.restart()
    assert [type(event) for event in decoder.feed(frame[10:])] == [Damaged]


@pytest.mark.parametrize(
    "message",
    [
        Lease(1, Flow.TO_RESERVOIR, 0),
        Lease(1, Flow.TO_RESERVOIR, 65536),
        Close(65536),
        Close(-1),
        Ack(1, 70000, Flow.SHUT),
        Reading(1, Flow.SHUT, math.nan, 20.0),
        Reading(1, Flow.SHUT, math.inf, 20.0),
        Reading(1, Flow.SHUT, 3.0, 12345678.0),
        Reading(1, Flow.SHUT, 3.0, 20.0, pulses=2**32),
    ],
)
def test_a_number_that_has_no_place_on_the_line_is_refused_with_its_range(
    message: FromController | FromBridge,
) -> None:
    with pytest.raises(OutOfRangeError, match="cannot be sent: it must be"):
        encode(message)


@pytest.mark.parametrize(
    "message",
    [
        Lease(1, Flow.SHUT, 1000),
        Refusal(1, 2, ""),
        Refusal(1, 2, "two words"),
        Refusal(1, 2, "x=y"),
        Hello(1, "a" * 25, "1", BootReason.POWER, 1000, Feature.NONE),
        Hello(1, "a\n>1", "1", BootReason.POWER, 1000, Feature.NONE),
        Reading(1, Flow.SHUT),
        Reading(1, Flow.SHUT, product_us=1.0),
        Reading(1, Flow.SHUT, product_c=20.0),
    ],
)
def test_text_that_has_no_place_on_the_line_is_refused(message: FromController | FromBridge) -> None:
    with pytest.raises(InputError, match="cannot be sent"):
        encode(message)
