"""The firmware's logic, compiled for this computer and called through a shared library."""

import ctypes
from dataclasses import dataclass
from pathlib import Path as File

from bridge.guard.model import Flow
from bridge.protocol.codec import Damaged, Decoder, Direction, Ignored
from bridge.protocol.messages import FAILED, FromController, Reading, Value

WORDS = {
    1: "damaged cut", 2: "damaged too-long", 3: "damaged bytes", 4: "damaged check", 5: "ignored echo",
    6: "damaged malformed", 7: "ignored version", 8: "ignored kind", 9: "frame",
    20: "lease", 21: "drain", 22: "close", 23: "identify",
}  # fmt: skip
PATHS = (Flow.SHUT, Flow.TO_RESERVOIR, Flow.TO_DRAIN)
WELL_SUPPLIED = 768


class _Event(ctypes.Structure):
    _fields_ = (("word", ctypes.c_int32), ("sequence", ctypes.c_int32), ("ms", ctypes.c_int32))


@dataclass(frozen=True, slots=True)
class Heard:
    """The result of the C receiver for a line; -1 without a number."""

    word: str
    sequence: int = -1
    ms: int = -1


class Library:
    """Wraps ``libcontroller.so``; it holds one receiver and one controller."""

    def __init__(self, path: File) -> None:
        self._c = ctypes.CDLL(str(path))
        self._c.library_feed.argtypes = [
            ctypes.c_char_p, ctypes.c_int32, ctypes.c_char, ctypes.POINTER(_Event), ctypes.c_int32,
        ]  # fmt: skip
        self._c.library_openings.restype = ctypes.c_uint32
        self._events = (_Event * 256)()
        self._out = ctypes.create_string_buffer(65536)
        self._decoder: Decoder[FromController] = Decoder(Direction.TO_BRIDGE)

    def _written(self, length: int) -> bytes:
        return ctypes.string_at(self._out, length)

    # ---------------------------------------------------------------- the codec

    def forget(self) -> None:
        self._c.library_forget()

    def feed(self, data: bytes, start: bytes = b"<") -> list[Heard]:
        count = self._c.library_feed(data, len(data), start, self._events, 256)
        return [Heard(WORDS[e.word], e.sequence, e.ms) for e in self._events[:count]]

    def ack(self, sequence: int, of: int, path: Flow) -> bytes:
        return self._written(self._c.library_ack(sequence, of, PATHS.index(path), self._out))

    def refusal(self, sequence: int, of: int, why: str) -> bytes:
        return self._written(self._c.library_no(sequence, of, why.encode(), self._out))

    def hello(self, sequence: int, identity: str, firmware: str, boot: str, lease_ms: int, fit: int) -> bytes:
        length = self._c.library_hello(
            sequence, identity.encode(), firmware.encode(), boot.encode(), lease_ms, fit, self._out
        )
        return self._written(length)

    def reading(self, reading: Reading) -> bytes:
        values = (
            reading.product_us, reading.product_c, reading.feed_us, reading.feed_c, reading.level_sensor,
        )  # fmt: skip
        flat = [part for value in values for part in decimal(value)]
        states = (reading.switch_low, reading.switch_full, reading.switch_overflow)
        letters = "".join("-" if state is None else "01"[state] for state in states)
        length = self._c.library_reading(
            reading.sequence,
            PATHS.index(reading.path),
            (ctypes.c_int32 * 15)(*flat),
            None if letters == "---" else letters.encode(),
            int(reading.pulses is not None),
            ctypes.c_uint32(reading.pulses or 0),
            int(reading.faults),
            self._out,
        )
        return self._written(length)

    # ---------------------------------------------------------------- a controller

    def start(self, fitted: int = 127, self_test_failed: bool = False, supply: int = WELL_SUPPLIED) -> None:
        self._c.library_start(fitted, int(self_test_failed), supply)
        self._decoder = Decoder(Direction.TO_BRIDGE)

    def hear(self, data: bytes) -> list[FromController | Damaged | Ignored]:
        """Sends bytes; returns the answer of the controller."""
        self._c.library_bytes(data, len(data))
        return self.said()

    def wait(self, ms: int, overflow_up: bool = False) -> None:
        """Runs this many passes of one millisecond."""
        for _ in range(ms):
            self._c.library_pass(1, int(overflow_up))

    def said(self) -> list[FromController | Damaged | Ignored]:
        return self._decoder.feed(self._written(self._c.library_said(self._out, len(self._out))))

    def hear_at_line_rate(self, data: bytes) -> int:
        """Returns the milliseconds until the path was shut, or -1."""
        return int(self._c.library_hear(data, len(data)))

    @property
    def path(self) -> Flow:
        return PATHS[self._c.library_path()]

    @property
    def openings(self) -> int:
        return int(self._c.library_openings())


def decimal(value: Value) -> tuple[int, int, int]:
    """Returns state, number and decimals, the form of a measured value in C."""
    if value is None:
        return (0, 0, 0)
    if value is FAILED:
        return (1, 0, 0)
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    whole, _, part = text.partition(".")
    return (2, int(whole + part), len(part))
