"""The codec uses the fast path for the usual reading, and its results equal those of the general reader."""

from collections.abc import Mapping, Sequence
from typing import TypeVar

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from bridge.guard.model import Flow
from bridge.protocol.codec import Decoder, Direction, encode, usual_reading
from bridge.protocol.frame import LONGEST_FRAME, seal
from bridge.protocol.messages import FAILED, FromBridge, FromController, LocalFault, Reading
from tests.narrowing import decoder_of

T = TypeVar("T")

PLAIN = ">1 4710 reading path=fill p=3.271 pt=18.42 f=412.6 ft=17.9 lv=0.6125 sw=100 n=18231"


def general(direction: Direction) -> Decoder[FromController] | Decoder[FromBridge]:
    """Return the events of the codec without its fast path."""
    decoder = decoder_of(direction)
    decoder._usual = lambda data: None
    return decoder


def agree(stream: bytes, direction: Direction = Direction.TO_BRIDGE, cuts: Sequence[int] = ()) -> None:
    short, long = decoder_of(direction), general(direction)
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert [short.feed(piece) for piece in pieces] == [long.feed(piece) for piece in pieces]
    assert short.counts == long.counts
    assert (short._kept, short._skipping) == (long._kept, long._skipping)


NUMBERS = [
    "0", "3", "-0", "-4", "007", "18.42", "-0.5", "1234567", "9999999.99", "9999999.999", "-123456789",
    "12345678901", "?", "", "-", ".5", "5.", "1.2.3", "--1", "+1", "1e3", "nan", "inf", "1_0", "0x1", " 1",
    "3,2",
]  # fmt: skip
WHOLES = [
    "0", "1", "00", "01", "65535", "65536", "99999", "4294967295", "4294967296", "9999999999", "12345678901",
    "-1", "1.0", "?", "",
]  # fmt: skip
VALUES = {
    "path": ["shut", "fill", "drain", "open", "Fill", "", "shut "],
    **dict.fromkeys(("p", "pt", "f", "ft", "lv", "ph"), NUMBERS),
    "sw": ["100", "---", "1-0", "000", "10", "1000", "10x", ""],
    **dict.fromkeys(("n", "err"), WHOLES),
}
USUAL = dict(part.split("=") for part in PLAIN.split(" ")[3:])


def written(
    fields: Mapping[str, str], start: str = ">1 ", number: str = "4710", kind: str = "reading"
) -> bytes:
    return seal(f"{start}{number} {kind}" + "".join(f" {name}={text}" for name, text in fields.items()))


def test_every_odd_value_in_every_place_is_read_alike() -> None:
    frames = [written(USUAL | {name: text}) for name, texts in VALUES.items() for text in texts]
    frames += [written({n: t for n, t in USUAL.items() if n != name}) for name in USUAL]
    frames += [written(USUAL, number=text) for text in WHOLES]
    frames += [written(USUAL, start=start) for start in ("<1 ", ">2 ", ">1  ", ">1", "> ", "")]
    frames += [written(USUAL, kind=kind) for kind in ("ack", "readings", "", "Reading")]
    assert len(frames) > 230
    for frame in frames:
        for direction in Direction:
            agree(frame, direction)
            agree(frame[:-1] + b"\r\n", direction)


def rarely(odd: list[T], usual: T) -> st.SearchStrategy[T]:
    return st.integers(0, 7).flatmap(lambda n: st.sampled_from(odd) if n == 0 else st.just(usual))


@st.composite
def nearly_usual(draw: st.DrawFn) -> bytes:
    """Draw a usual reading with a few changes and a correct CRC."""
    fields = dict(USUAL)
    for name in draw(st.lists(st.sampled_from(sorted(VALUES)), max_size=3)):
        if name in fields and draw(st.booleans()):
            del fields[name]
        else:
            fields[name] = draw(st.sampled_from(VALUES[name]))
    if draw(st.integers(0, 7)) == 0:
        fields = {name: fields[name] for name in draw(st.permutations(list(fields)))}
    frame = written(
        fields,
        draw(rarely(["<1 ", ">2 ", ">1  ", ">1"], ">1 ")),
        draw(rarely(WHOLES, "4710")),
        draw(rarely(["ack", "readings", ""], "reading")),
    )
    return frame + draw(rarely([b"\n", b"x", b">", PLAIN.encode()], b""))


@settings(max_examples=400)
@given(st.lists(nearly_usual(), min_size=1, max_size=2), st.data())
def test_the_short_cut_and_the_general_reader_agree(frames: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(frames)
    match data.draw(st.integers(0, 9)):
        case 0:
            stream = stream.replace(b"\n", b"\r\n")
        case 1:
            at = data.draw(st.integers(0, len(stream) - 1))
            stream = stream[:at] + data.draw(st.binary(min_size=1, max_size=1)) + stream[at + 1 :]
        case 2:
            stream = b"\x55" * data.draw(st.integers(100, 140)) + stream
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=2)))
    agree(stream, data.draw(st.sampled_from(Direction)), cuts)


conductance = st.decimals(-999, 9999, places=3).map(float)
celsius = st.decimals(-99, 999, places=2).map(float)
usual = st.builds(
    Reading,
    st.integers(0, 0xFFFF),
    st.sampled_from(Flow),
    conductance,
    celsius,
    st.none() | conductance,
    st.none() | celsius,
    st.none() | st.decimals(0, 1, places=4).map(float),
    st.sampled_from([True, False, None]),
    st.sampled_from([True, False, None]),
    st.sampled_from([True, False, None]),
    st.none() | st.integers(0, 2**32 - 1),
)


@given(usual)
@example(Reading(0, Flow.SHUT, 0.0, 0.0))
@example(
    Reading(65535, Flow.TO_DRAIN, 9999999.0, 9999.0, 9999999.0, 9999.0, 1.0, True, True, True, 2**32 - 1)
)
def test_a_reading_in_which_everything_is_well_takes_the_short_cut(reading: Reading) -> None:
    frame = encode(reading)
    assert usual_reading(frame) == usual_reading(frame[:-1] + b"\r\n") == reading
    assert usual_reading(frame[:-1]) is None
    assert usual_reading(frame + frame) is None


LONG = (
    ">1 65535 reading path=drain p=1234567.01 pt=-1234.0001 f=12345.0001 ft=-1.0101 lv=0.%s sw=101"
    " n=4294967295"
)


@pytest.mark.parametrize("beyond", [-1, 0, 1, 2])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_the_longest_frame_is_as_long_for_both(beyond: int, end: bytes) -> None:
    digits = LONGEST_FRAME + beyond - len(end) - len(LONG % "" + "*00000000")
    assert 1 <= digits <= 8
    frame = seal(LONG % ("1" * digits))[:-1] + end
    assert len(frame) == LONGEST_FRAME + beyond
    agree(frame)
    assert (usual_reading(frame) is not None) == (beyond <= 0)


@pytest.mark.parametrize(
    "line",
    [
        PLAIN.replace("p=3.271", "p=?"),
        PLAIN + " err=0",
        PLAIN.replace(" sw=100", " sw=1x0"),
        PLAIN.replace("18231", "4294967296"),
        PLAIN.replace(">1 4710", ">1 65536"),
        PLAIN.replace("f=412.6 ft=17.9", "ft=17.9 f=412.6"),
    ],
)
def test_anything_unusual_is_left_to_the_general_reader(line: str) -> None:
    assert usual_reading(seal(line)) is None
    agree(seal(line))


def test_a_wrong_or_lower_case_check_takes_no_short_cut() -> None:
    frame = seal(PLAIN)
    assert usual_reading(frame) is not None
    for wrong in (frame.replace(b"3.271", b"3.272"), frame[:-9] + frame[-9:].lower()):
        assert wrong != frame
        assert usual_reading(wrong) is None
        agree(wrong)


def test_a_reading_that_ends_noise_too_long_to_keep_is_passed_over_all_the_same() -> None:
    agree(b"\x55" * 200 + seal(PLAIN)[1:] + seal(PLAIN), cuts=(200,))
    agree(b"\x55" * 200 + seal(PLAIN), cuts=(200,))


def test_a_fault_or_a_failed_input_arrives_by_the_long_way() -> None:
    told = Reading(1, Flow.SHUT, FAILED, 18.0, faults=LocalFault.CELL_RANGE)
    assert usual_reading(encode(told)) is None
    assert Decoder(Direction.TO_BRIDGE).feed(encode(told)) == [told]
