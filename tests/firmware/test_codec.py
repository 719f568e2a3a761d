"""The firmware's codec on the host, against the vectors and the bridge's codec."""

import random
import re
import zlib
from dataclasses import dataclass, field

import pytest

from bridge.guard.model import Flow
from bridge.protocol.codec import Damaged, Decoder, Direction, Ignored, encode
from bridge.protocol.frame import Frame, unseal
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
from tests.firmware.emulator import SOURCES, Build
from tests.firmware.host import Heard, Library

VECTORS = SOURCES.parent / "protocol-vectors.txt"


def unescaped(text: str) -> bytes:
    plain = re.sub(
        r"\\(?:x([0-9a-f]{2})|(.))",
        lambda m: chr(int(m[1], 16)) if m[1] else {"n": "\n", "r": "\r", "\\": "\\"}[m[2]],
        text,
    )
    return plain.encode("latin-1")


@dataclass
class Vector:
    """One entry of the page of vectors."""

    name: str
    to: str = ""
    same: str = ""
    send: bytes = b""
    want: list[str] = field(default_factory=list)


def vectors() -> list[Vector]:
    found: list[Vector] = []
    for line in VECTORS.read_text("ascii").splitlines():
        if line and not line.startswith("#"):
            word, text = line.split(": ", 1)
            if word == "name":
                found.append(Vector(text))
            elif word == "send":
                found[-1].send += unescaped(text)
            elif word == "want":
                found[-1].want.append(text)
            elif word == "to":
                found[-1].to = text
            elif word == "same":
                found[-1].same = text
    return found


@pytest.fixture(scope="module")
def c(build: Build) -> Library:
    return Library(build.library)


def words(want: list[str], to: str) -> list[str]:
    """Returns the expected result of the C receiver.

    The C receiver does not report noise between frames, since a controller need not do so. It checks only the
    form of frames to the bridge.
    """
    kept = [w for w in want if w not in ("nothing", "damaged no-start")]
    if to == "bridge":
        return ["frame" if not w.startswith(("damaged", "ignored")) else w for w in kept]
    return [w.split(" ")[0] if not w.startswith(("damaged", "ignored")) else w for w in kept]


@pytest.mark.parametrize("vector", [v for v in vectors() if v.to == "controller"], ids=lambda v: v.name)
def test_commands_are_parsed_as_on_the_page(c: Library, vector: Vector) -> None:
    c.forget()
    heard = c.feed(vector.send)
    assert [h.word for h in heard] == words(vector.want, "controller")
    for event, want in zip(heard, vector.want, strict=True):
        fields = dict(part.split("=") for part in want.split(" ")[1:] if "=" in part)
        assert str(event.sequence) == fields.get("seq", "-1")
        assert str(event.ms) == fields.get("ms", "-1")
    c.forget()
    slow = [e for i in range(len(vector.send)) for e in c.feed(vector.send[i : i + 1])]
    assert slow == heard


@pytest.mark.parametrize("vector", [v for v in vectors() if v.to == "bridge"], ids=lambda v: v.name)
def test_frames_to_the_bridge_get_the_same_result_for_their_form(c: Library, vector: Vector) -> None:
    c.forget()
    heard = [event.word for event in c.feed(vector.send, b">")]
    want = words(vector.want, "bridge")
    lines = vector.send.splitlines()
    if "frame" in heard and len(lines) == len(want):
        # The form of this line is right. Only the bridge can find a wrong kind or field value.
        formed = [isinstance(unseal(line, Direction.TO_BRIDGE), Frame) for line in lines]
        judged = zip(heard, want, formed, strict=True)
        want = ["frame" if got == "frame" and ok else word for got, word, ok in judged]
    assert heard == want


def rebuilt(c: Library, message: object) -> bytes:
    """Returns the frame that the C encoder makes of a message."""
    match message:
        case Ack(sequence, of, path):
            return c.ack(sequence, of, path)
        case Refusal(sequence, of, why):
            return c.refusal(sequence, of, why)
        case Hello(sequence, identity, firmware, boot, lease, features):
            return c.hello(sequence, identity, firmware, boot.value, lease, int(features))
        case Reading():
            return c.reading(message)
    raise AssertionError(message)


def test_frames_are_encoded_exactly_as_in_the_vectors(c: Library) -> None:
    done = 0
    for vector in vectors():
        if vector.to == "bridge" and vector.same:
            events = list(Decoder(Direction.TO_BRIDGE).feed(vector.send))
            if any(isinstance(one, Hello) and one.product_step_us is not None for one in events):
                continue  # The cells of this board have no coarse step, so its hello states none.
            assert b"".join(rebuilt(c, event) for event in events) == vector.send, vector.name
            done += 1
    assert done >= 5


# ------------------------------------------------------------------- a hundred thousand random frames

TAILS = (
    "", "", "", " x=1", " ms=1", " ms", " =1", "  a=b", " a=b a=c", " a=b b=a", " z=~!(,)", " z=", " A=1",
    " a*=1", " ms=07", " abc=1 ab=2 a=3", " b=a=b", " ", " a=x\x7f",
)  # fmt: skip


KINDS = ("lease", "drain", "close", "identify", "reading", "leas", "leasex", "Lease", "")
TIMES = ("", " ms=0", " ms=65536", " ms=1.0", " ms=-1", " ms=4294967297", " ms=12", " ms=")
REASONS = ("overflow", "nodrain", "fault", "supply")


def random_command(rng: random.Random) -> bytes:
    match rng.randrange(8):
        case 0 | 1 | 2:
            path = rng.choice((Flow.TO_RESERVOIR, Flow.TO_DRAIN))
            return encode(Lease(rng.randrange(65536), path, rng.randint(1, 65535)))
        case 3:
            return encode(rng.choice((Close, Identify))(rng.randrange(65536)))
        case _:
            kind = rng.choice(KINDS)
            ms = rng.choice(TIMES)
            sequence = rng.choice((str(rng.randrange(65536)), "65536", "007", "-1", "", "99999999999"))
            version = rng.choice("11111129x")
            body = f"{rng.choice('<<<<<>')}{version} {sequence} {kind}{ms}{rng.choice(TAILS)}".encode("ascii")
            body = body[: rng.choice((len(body), len(body), rng.randint(1, len(body))))]
            return b"%b*%08X\n" % (body, zlib.crc32(body))


def damaged(rng: random.Random, frame: bytes) -> bytes:
    match rng.randrange(12):
        case 0:
            at = rng.randrange(len(frame))
            return frame[:at] + bytes([frame[at] ^ 1 << rng.randrange(8)]) + frame[at + 1 :]
        case 1:
            return frame[: rng.randrange(len(frame))]
        case 2:
            return frame[:-1] + rng.choice((b"\r\n", b"\r\r\n", b"\n\r", b" \n"))
        case 3:
            body = frame[:-10] + b" y=" + b"y" * rng.randint(60, 110)
            return b"%b*%08X\n" % (body, zlib.crc32(body))
        case 4:
            return rng.randbytes(rng.randrange(130)) + frame
    return frame


def in_words(event: object) -> Heard:
    match event:
        case Damaged():
            return Heard(f"damaged {event.reason.value}")
        case Ignored():
            return Heard(f"ignored {event.reason.value}")
        case Lease(sequence, path, ms):
            return Heard("lease" if path is Flow.TO_RESERVOIR else "drain", sequence, ms)
        case Close(sequence):
            return Heard("close", sequence)
        case Identify(sequence):
            return Heard("identify", sequence)
    raise AssertionError(event)


def test_both_codecs_decode_fifty_thousand_frames_to_the_controller_alike(c: Library) -> None:
    rng = random.Random(20)
    c.forget()
    python: Decoder[FromBridge] = Decoder(Direction.TO_CONTROLLER)
    seen: dict[str, int] = {}
    for number in range(50_000):
        data = damaged(rng, random_command(rng))
        by_python = [in_words(event) for event in python.feed(data)]
        by_c = c.feed(data)
        assert by_c == [h for h in by_python if h.word != "damaged no-start"], (number, data)
        for heard in by_c:
            seen[heard.word] = seen.get(heard.word, 0) + 1
    # Every result of the page occurred more than once.
    assert len(seen) == 12
    assert min(seen.values()) > 20, seen


def random_value(rng: random.Random, whole: int, places: int, failing: bool) -> Value:
    if failing and rng.randrange(6) == 0:
        return rng.choice((None, FAILED))
    number = rng.randrange(10 ** rng.randint(1, whole + places))
    sign = 1 if places == 4 and failing else rng.choice((1, 1, -1))
    return float(sign * number / 10.0**places)


def random_message(rng: random.Random) -> FromController:
    sequence = rng.randrange(65536)
    match rng.randrange(6):
        case 0:
            return Ack(sequence, rng.randrange(65536), rng.choice(list(Flow)))
        case 1:
            return Refusal(sequence, rng.randrange(65536), rng.choice(REASONS))
        case 2:
            letters = "abcXYZ019._+-"
            identity = "".join(rng.choices(letters, k=rng.randint(1, 24)))
            firmware = "".join(rng.choices(letters, k=rng.randint(1, 16)))
            boot = rng.choice(list(BootReason))
            lease, fit = rng.randint(1, 65535), Feature(rng.randrange(128))
            return Hello(sequence, identity, firmware, boot, lease, fit)
    low, full, overflow = (rng.choice((True, False, None)) for _ in range(3))
    return Reading(
        sequence,
        rng.choice(list(Flow)),
        random_value(rng, 3, 3, True) if rng.randrange(9) else FAILED,
        random_value(rng, 2, 2, False) if rng.randrange(9) else FAILED,
        random_value(rng, 3, 2, True),
        random_value(rng, 2, 1, True),
        random_value(rng, 0, 4, True),
        low,
        full,
        overflow,
        rng.choice((None, rng.randrange(2**32))),
        LocalFault(rng.randrange(512)),
    )


def test_both_codecs_encode_fifty_thousand_frames_to_the_bridge_alike(c: Library) -> None:
    rng = random.Random(21)
    python: Decoder[FromController] = Decoder(Direction.TO_BRIDGE)
    for number in range(50_000):
        message = random_message(rng)
        if isinstance(message, Reading) and None in (message.product_us, message.product_c):
            message = Ack(number % 65536, 1, Flow.SHUT)
        frame = rebuilt(c, message)
        assert frame == encode(message), number
        assert python.feed(frame) == [message], number
