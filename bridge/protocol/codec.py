"""The receiving end of the line, for either side: takes bytes and returns events. Core.

A start character never occurs inside a frame. So the receiver has three states, and two kinds of byte change
the state:

    state     | start character         | line end              | any other byte
    ----------+-------------------------+-----------------------+-----------------------------------------
    between   | -> inside               | -> between            | keep it as noise
    inside    | damaged: cut, -> inside | judge it, -> between  | keep it; too many: damaged, -> skipping
    skipping  | -> inside               | -> between            | drop it

Noise is reported at the byte that ends it, or that fills the length of a frame; a CR alone is no noise. Each
event depends on a byte and never on the end of a chunk, so the same bytes give the same events however they
are split. A whole frame is always read, whatever came before it. At most one frame's bytes are kept.

Most chunks are one usual reading and nothing else: its fields are in the order of the protocol page, every
fitted input gave a number, and there is no local fault. One regular expression matches such a frame from the
start to the line end. It matches nothing that the general reader would refuse or read otherwise; every other
chunk goes to the general reader.
"""

import re
from collections.abc import Callable
from typing import Generic, Literal, TypeVar, cast, overload
from zlib import crc32

from bridge.guard.model import Flow
from bridge.protocol import fields as kinds
from bridge.protocol.fields import PATHS, SWITCHES, UINT16, UINT32, Message, Switches, encode
from bridge.protocol.frame import (
    EXCERPT_LENGTH,
    LONGEST_FRAME,
    Counts,
    Damaged,
    DamageReason,
    Direction,
    Ignored,
    IgnoreReason,
    MalformedError,
    unseal,
)
from bridge.protocol.messages import FromBridge, FromController, LocalFault, Reading

_NUMBER = rb"(?=[^ *]{1,10}[ *])(-?[0-9]+(?:\.[0-9]+)?)"
_READING = re.compile(
    rb"(>1 (0|[1-9][0-9]{0,4}) reading path=(shut|fill|drain) p=%(number)b pt=%(number)b"
    rb"(?: f=%(number)b)?(?: ft=%(number)b)?(?: lv=%(number)b)?(?: sw=([01-]{3}))?"
    rb"(?: n=(0|[1-9][0-9]{0,9}))?)\*([0-9A-F]{8})\r?\n" % {b"number": _NUMBER}
).fullmatch

_PATHS: dict[bytes, Flow] = {word.encode(): path for word, path in PATHS.items()}
_SWITCHES: dict[bytes | None, Switches] = {word.encode(): states for word, states in SWITCHES.items()}
_SWITCHES[None] = (None, None, None)
_NO_FAULT = LocalFault.NONE


def usual_reading(data: bytes) -> Reading | None:
    """Return the reading if the bytes are one usual reading and nothing else."""
    if len(data) > LONGEST_FRAME:
        return None
    form = _READING(data)
    if form is None:
        return None
    body, number, path, product_us, product_c, feed_us, feed_c, sender, switches, count, check = form.groups()
    sequence = int(number)
    pulses = None if count is None else int(count)
    if crc32(body) != int(check, 16) or sequence > UINT16 or (pulses is not None and pulses > UINT32):
        return None
    low, full, overflow = _SWITCHES[switches]
    return Reading(
        sequence,
        _PATHS[path],
        float(product_us),
        float(product_c),
        None if feed_us is None else float(feed_us),
        None if feed_c is None else float(feed_c),
        None if sender is None else float(sender),
        low,
        full,
        overflow,
        pulses,
        _NO_FAULT,
    )


__all__ = ["Counts", "DamageReason", "Damaged", "Decoder", "Direction", "IgnoreReason", "Ignored", "encode"]

M = TypeVar("M", FromController, FromBridge)

_TURN = re.compile(rb"[<>\n]").search
_STARTS = (ord("<"), ord(">"))
_LINE_END = ord("\n")


class Decoder(Generic[M]):
    """Decodes the bytes of one direction into messages, and counts the results in ``counts``; mutable.

    ``Decoder(Direction.TO_BRIDGE)`` reads what controllers send, ``TO_CONTROLLER`` what the bridge sends.
    """

    @overload
    def __init__(self: "Decoder[FromController]", direction: Literal[Direction.TO_BRIDGE]) -> None: ...
    @overload
    def __init__(self: "Decoder[FromBridge]", direction: Literal[Direction.TO_CONTROLLER]) -> None: ...
    def __init__(self, direction: Direction) -> None:
        self.counts = Counts()
        self._direction = direction
        usual = usual_reading if direction is Direction.TO_BRIDGE else _nothing_usual
        self._usual: Callable[[bytes], M | None] = cast("Callable[[bytes], M | None]", usual)
        self._kept = b""
        self._skipping = False

    def restart(self) -> None:
        """Forget an incomplete frame, because the line was opened again. The counts are kept."""
        self._kept = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[M | Damaged | Ignored]:
        """Take bytes. Returns the events that they complete, in order. No bytes raise an exception."""
        if self._kept:
            data = self._kept + data
        if not self._skipping and (usual := self._usual(data)) is not None:
            self._kept = b""
            self.counts.good += 1
            return [usual]
        events: list[M | Damaged | Ignored] = []
        begin = 0
        # The byte at ``begin`` may be a start character that is known already: search behind it.
        search_from = len(self._kept)
        while (turn := _TURN(data, search_from)) is not None:
            at = turn.start()
            ends = data[at] == _LINE_END
            line = data[begin:at]
            if not self._skipping and (line.strip(b"\r") or len(line) >= LONGEST_FRAME):
                events.append(self._finish(line, ends))
            self._skipping = False
            begin = at + 1 if ends else at
            search_from = at + 1
        rest = data[begin:]
        if len(rest) >= LONGEST_FRAME and not self._skipping:
            events.append(self._damaged(_overlong(rest), rest))
            self._skipping = True
        self._kept = b"" if self._skipping else rest
        return events

    def _finish(self, line: bytes, ends: bool) -> M | Damaged | Ignored:
        if line[0] not in _STARTS:
            return self._damaged(DamageReason.NO_START, line)
        if len(line) >= LONGEST_FRAME:
            return self._damaged(DamageReason.TOO_LONG, line)
        if not ends:
            return self._damaged(DamageReason.CUT, line)
        return self._judge(line.removesuffix(b"\r"))

    def _judge(self, line: bytes) -> M | Damaged | Ignored:
        frame = unseal(line, self._direction)
        if isinstance(frame, Damaged):
            return self._damaged(frame.reason, line)
        if isinstance(frame, Ignored):
            return self._ignored(frame.reason, line)
        try:
            message: Message | None = kinds.read(frame, self._direction, self.counts)
        except MalformedError:
            return self._damaged(DamageReason.MALFORMED, line)
        if message is None:
            return self._ignored(IgnoreReason.KIND, line)
        self.counts.good += 1
        return cast(M, message)

    def _damaged(self, reason: DamageReason, line: bytes) -> Damaged:
        self.counts.damaged[reason] += 1
        return Damaged(reason, line[:EXCERPT_LENGTH])

    def _ignored(self, reason: IgnoreReason, line: bytes) -> Ignored:
        self.counts.ignored[reason] += 1
        return Ignored(reason, line[:EXCERPT_LENGTH])


def _nothing_usual(data: bytes) -> None:
    """Return None: commands are rare and need no short cut."""


def _overlong(line: bytes) -> DamageReason:
    return DamageReason.TOO_LONG if line[0] in _STARTS else DamageReason.NO_START
