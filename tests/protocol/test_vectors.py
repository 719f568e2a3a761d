"""Both receivers of the codec read the test vectors and the examples of the protocol page."""

import re
import zlib
from dataclasses import dataclass, field
from pathlib import Path as File

import pytest

from bridge.guard.model import Flow
from bridge.protocol.codec import Damaged, Decoder, Direction, Ignored, encode
from bridge.protocol.messages import (
    FAILED,
    Ack,
    Close,
    Hello,
    Identify,
    Lease,
    Reading,
    Refusal,
    Value,
)
from tests.narrowing import decoder_of

NOTES = File(__file__).parents[2] / "firmware_notes"


@dataclass
class Vector:
    name: str
    to: str = ""
    send: bytes = b""
    want: list[str] = field(default_factory=list)
    same: bool = False


def unescape(text: str) -> bytes:
    letters = {"n": "\n", "r": "\r", "\\": "\\"}
    plain = re.sub(r"\\(x[0-9a-f]{2}|.)", lambda m: letters.get(m[1]) or chr(int(m[1][1:], 16)), text)
    return plain.encode("latin-1")


def vectors() -> list[Vector]:
    found: list[Vector] = []
    for line in (NOTES / "protocol-vectors.txt").read_text("ascii").splitlines():
        if not line or line.startswith("#"):
            continue
        word, text = line.split(": ", 1)
        match word:
            case "name":
                found.append(Vector(text))
            case "to":
                found[-1].to = text
            case "send":
                found[-1].send += unescape(text)
            case "want":
                found[-1].want.append(text)
            case "same":
                found[-1].same = text == "yes"
            case _:
                raise ValueError(f"unknown word in the vectors: {line}")
    return found


def value(v: Value) -> object:
    return "-" if v is None else "?" if v is FAILED else v


def switch(v: bool | None) -> str:
    return "-" if v is None else "01"[v]


def described(event: object) -> list[object]:
    """Return an event in the terms of the protocol page, without the tables of the codec."""
    match event:
        case Damaged():
            return ["damaged", event.reason.value]
        case Ignored():
            return ["ignored", event.reason.value]
        case Hello():
            named = {"id": event.identity, "fw": event.firmware, "boot": event.boot.value}
            numbers = {"lease": event.longest_lease_ms, "fit": int(event.features)}
            step = {} if event.product_step_us is None else {"ps": value(event.product_step_us)}
            return ["hello", {"seq": event.sequence} | named | numbers | step]
        case Reading():
            sw = switch(event.switch_low) + switch(event.switch_full) + switch(event.switch_overflow)
            return ["reading", {"seq": event.sequence, "path": event.path.value,
                    "p": value(event.product_us), "pt": value(event.product_c),
                    "f": value(event.feed_us), "ft": value(event.feed_c), "lv": value(event.level_sensor),
                    "sw": sw, "n": value(event.pulses), "err": int(event.faults)}]  # fmt: skip
        case Ack():
            return ["ack", {"seq": event.sequence, "of": event.of, "path": event.path.value}]
        case Refusal():
            return ["no", {"seq": event.sequence, "of": event.of, "why": event.why}]
        case Lease():
            kind = {Flow.TO_RESERVOIR: "lease", Flow.TO_DRAIN: "drain"}[event.path]
            return [kind, {"seq": event.sequence, "ms": event.duration_ms}]
        case Close():
            return ["close", {"seq": event.sequence}]
        case Identify():
            return ["identify", {"seq": event.sequence}]
    raise AssertionError(event)


TEXT_FIELDS = {"id", "fw", "boot", "path", "sw", "why"}


def wanted(line: str) -> list[object]:
    kind, *rest = line.split(" ")
    if kind in ("damaged", "ignored"):
        return [kind, *rest]
    fields = dict(part.split("=") for part in rest)
    return [kind, {n: v if n in TEXT_FIELDS or v in ("?", "-") else float(v) for n, v in fields.items()}]


DIRECTIONS = {"bridge": Direction.TO_BRIDGE, "controller": Direction.TO_CONTROLLER}


@pytest.mark.parametrize("vector", vectors(), ids=lambda v: v.name)
def test_receiver_reads_the_vector_as_the_page_says(vector: Vector) -> None:
    want = [wanted(line) for line in vector.want if line != "nothing"]
    whole = decoder_of(DIRECTIONS[vector.to])
    events = whole.feed(vector.send)
    assert [described(event) for event in events] == want

    slow = decoder_of(DIRECTIONS[vector.to])
    assert [e for i in range(len(vector.send)) for e in slow.feed(vector.send[i : i + 1])] == events
    assert whole.counts == slow.counts
    if vector.same:
        sent = [event for event in events if not isinstance(event, Damaged | Ignored)]
        assert b"".join(encode(message) for message in sent) == vector.send


def test_vectors_cover_every_kind_and_every_word() -> None:
    seen = {" ".join(line.split(" ")[: 2 if line[:7] in ("damaged", "ignored") else 1])
            for vector in vectors() for line in vector.want}  # fmt: skip
    assert seen == {
        "hello", "reading", "ack", "no", "lease", "drain", "close", "identify", "nothing",
        "damaged no-start", "damaged cut", "damaged too-long", "damaged bytes", "damaged check",
        "damaged malformed", "ignored echo", "ignored version", "ignored kind",
    }  # fmt: skip


def test_every_frame_shown_on_the_page_is_genuine() -> None:
    page = (NOTES / "protocol.md").read_text("utf-8")
    frames = re.findall(r"^    ([<>]1 .*\*[0-9A-F]{8})$", page, re.MULTILINE)
    assert len(frames) > 20
    for frame in frames:
        decoder = Decoder(Direction.TO_BRIDGE if frame[0] == ">" else Direction.TO_CONTROLLER)
        (event,) = decoder.feed(frame.encode() + b"\n")
        assert not isinstance(event, Damaged | Ignored), frame


def test_check_is_the_published_crc_32_iso_hdlc() -> None:
    # Check value 0xCBF43926: Catalogue of parametrised CRC algorithms (G. Cook), CRC-32/ISO-HDLC.
    assert zlib.crc32(b"123456789") == 0xCBF43926
    # The bitwise routine from the page computes the CRC of a frame from the codec.
    frame = encode(Lease(88, Flow.TO_RESERVOIR, 4000))
    crc = 0xFFFFFFFF
    for byte in frame[:-10]:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xEDB88320 if crc & 1 else crc >> 1
    assert frame[-10:] == b"*%08X\n" % (crc ^ 0xFFFFFFFF)


def test_longest_reading_has_the_length_the_page_states_and_room_for_a_carriage_return() -> None:
    (stated_text,) = re.findall(r"a reading is then (\d+) bytes", (NOTES / "protocol.md").read_text("utf-8"))
    stated = int(stated_text)
    (longest,) = (v for v in vectors() if v.name.startswith("the longest reading, "))
    assert len(longest.send) == stated
    assert stated + 1 <= 120
