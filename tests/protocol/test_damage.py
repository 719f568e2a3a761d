"""The codec reads no wrong message from a damaged line, and always reads the next frame."""

import random
import zlib
from collections.abc import Callable

from bridge.guard.model import Flow
from bridge.protocol.codec import Damaged, Decoder, Direction, Ignored, encode
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
from tests.narrowing import decoder_of

SEED = 20240607


def measured(rng: random.Random, low: float, high: float, digits: int, *instead: Value) -> Value:
    return rng.choice([*instead, FAILED, round(rng.uniform(low, high), digits)])


def from_controller(rng: random.Random) -> FromController:
    kind = rng.randrange(6)
    number = rng.randrange(65536)
    if kind == 0:
        return Ack(number, rng.randrange(65536), rng.choice(list(Flow)))
    if kind == 1:
        return Refusal(number, rng.randrange(65536), rng.choice(["overflow", "nodrain", "fault"]))
    if kind == 2:
        return Hello(
            number, "tunnel-1", "1.0.2", rng.choice(list(BootReason)), 10000, Feature(rng.randrange(128))
        )
    return Reading(
        number,
        rng.choice(list(Flow)),
        measured(rng, 0, 2000, 3),
        measured(rng, -5, 45, 2),
        measured(rng, 0, 2000, 3, None),
        measured(rng, -5, 45, 2, None),
        measured(rng, 0, 1, 4, None),
        rng.choice([True, False, None]),
        rng.choice([True, False, None]),
        rng.choice([True, False, None]),
        rng.choice([None, rng.randrange(2**32)]),
        LocalFault(rng.randrange(512)),
    )


def from_bridge(rng: random.Random) -> FromBridge:
    number = rng.randrange(65536)
    kind = rng.randrange(4)
    if kind == 0:
        return Close(number)
    if kind == 1:
        return Identify(number)
    return Lease(number, rng.choice([Flow.TO_RESERVOIR, Flow.TO_DRAIN]), rng.randrange(1, 65536))


def flip(rng: random.Random, frame: bytes, other: bytes) -> bytes:
    data = bytearray(frame)
    for _ in range(rng.choice([1, 1, 2, 3, 8])):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    return bytes(data)


def cut(rng: random.Random, frame: bytes, other: bytes) -> bytes:
    a, b = sorted((rng.randrange(len(frame) + 1), rng.randrange(len(frame) + 1)))
    return frame[:a] + frame[b:]


def join(rng: random.Random, frame: bytes, other: bytes) -> bytes:
    return frame[: rng.randrange(len(frame) + 1)] + other[rng.randrange(len(other) + 1) :]


def insert(rng: random.Random, frame: bytes, other: bytes) -> bytes:
    at = rng.randrange(len(frame) + 1)
    some = rng.choice(
        [rng.randbytes(rng.randrange(1, 12)), bytes([rng.choice(b" *=<>\n\r0123456789.-")]), other]
    )
    return frame[:at] + some + frame[at:]


def exchange(rng: random.Random, frame: bytes, other: bytes) -> bytes:
    a, b = rng.randrange(len(frame)), rng.randrange(len(frame))
    data = bytearray(frame)
    data[a], data[b] = data[b], data[a]
    return bytes(data)


DAMAGES = [flip, cut, join, insert, exchange]


def campaign(
    direction: Direction, make: Callable[[random.Random], FromController | FromBridge], number: int
) -> tuple[int, int]:
    """Damage many frames. Returns the number of changed frames and of events that rejected one."""
    rng = random.Random(f"{SEED} {direction.name}")
    pool = [(encode(m), m) for m in (make(rng) for _ in range(1500))]
    decoder = decoder_of(direction)
    changed = rejected = 0
    for _ in range(number):
        (frame, message), (other, other_message) = rng.choice(pool), rng.choice(pool)
        damage = rng.choice(DAMAGES)
        damaged = damage(rng, frame, other)
        changed += damaged != frame
        next_frame, next_message = rng.choice(pool)
        # The damaged bytes may end inside an apparent frame. The frame after them is whole.
        events = decoder.feed(damaged + next_frame)
        assert events[-1] == next_message, f"the frame after {damaged!r} was not read"
        for event in events[:-1]:
            if isinstance(event, Damaged | Ignored):
                rejected += 1
            else:
                assert event in (message, other_message), f"{damaged!r} was taken for {event}"
    return changed, rejected


def test_100_000_damaged_frames_give_no_wrong_value_and_never_hide_the_next() -> None:
    for direction, make in ((Direction.TO_BRIDGE, from_controller), (Direction.TO_CONTROLLER, from_bridge)):
        changed, rejected = campaign(direction, make, 50_000)
        # The damage was real: nearly every frame was changed, and most changed frames were rejected.
        assert changed > 48_000
        assert rejected > 40_000


def receive_as_the_page_says(stream: bytes, start: bytes) -> list[bytes]:
    """Receive byte by byte by sections 7 and 2 of the page, as a small controller does."""
    lines, buffer, collecting = [], bytearray(), False
    for byte in stream:
        if byte in b"<>":
            buffer, collecting = bytearray([byte]), True
        elif byte == 0x0A:
            if collecting:
                lines.append(bytes(buffer[:-1] if buffer.endswith(b"\r") else buffer))
            collecting = False
        elif collecting:
            buffer.append(byte)
            if len(buffer) == 120:
                collecting = False
    return [
        line
        for line in lines
        if all(0x20 <= b <= 0x7E for b in line)
        and line[-9:] == b"*%08X" % zlib.crc32(line[:-9])
        and line[:2] == start + b"1"
    ]


def test_a_receiver_written_from_the_page_takes_the_same_lines() -> None:
    rng = random.Random(SEED)
    pool = [encode(from_controller(rng)) for _ in range(300)]
    taken = 0
    for _ in range(300):
        stream = b"".join(rng.choice(DAMAGES)(rng, rng.choice(pool), rng.choice(pool)) for _ in range(20))
        decoder = Decoder(Direction.TO_BRIDGE)
        messages = [e for e in decoder.feed(stream) if not isinstance(e, Damaged | Ignored)]
        lines = receive_as_the_page_says(stream, b">")
        assert [encode(m) for m in messages] == [line + b"\n" for line in lines]
        taken += len(lines)
    assert taken > 300


def test_a_random_megabyte_gives_no_message() -> None:
    rng = random.Random(SEED)
    decoder = Decoder(Direction.TO_CONTROLLER)
    for _ in range(256):
        assert all(isinstance(event, Damaged | Ignored) for event in decoder.feed(rng.randbytes(4096)))
    assert decoder.counts.good == 0
    assert decoder.counts.damaged_total > 1000
