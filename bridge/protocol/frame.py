"""The form of one frame: start, version, sequence, kind, fields, check. No meaning yet.

A frame is one line, ``>1 4711 ack of=88 path=fill*16DD549E``: the start character tells the direction and
occurs nowhere else, the eight hex digits are CRC-32/ISO-HDLC (the CRC of ``zlib.crc32``) of everything
before the ``*``. The whole rule, with the order of the checks below, is in ``firmware_notes/protocol.md``.
"""

import re
import zlib
from dataclasses import dataclass, field
from enum import Enum

VERSION = "1"
LONGEST_FRAME = 120
"""Bytes, start character and line end included."""
CHECK_LENGTH = 9
"""The ``*`` and eight hex digits."""
EXCERPT_LENGTH = 48
"""How much of a line that was not used is kept for the log, in bytes."""


class Direction(Enum):
    """Who is spoken to; the value is the start character."""

    TO_BRIDGE = ">"
    TO_CONTROLLER = "<"


class DamageReason(Enum):
    """Why a line is no frame."""

    NO_START = "no-start"
    """Bytes that belong to no frame."""
    CUT = "cut"
    """Another frame began before this one ended."""
    TOO_LONG = "too-long"
    BYTES = "bytes"
    """Something else than printable ASCII."""
    CHECK = "check"
    """The check is missing or does not agree."""
    MALFORMED = "malformed"
    """The check agrees, but this is not what the protocol page allows: the level sensor is at fault."""


class IgnoreReason(Enum):
    """Why an undamaged frame is not used."""

    ECHO = "echo"
    """It is for the other side: our own line came back."""
    VERSION = "version"
    KIND = "kind"


@dataclass(frozen=True, slots=True)
class Damaged:
    """A stretch of bytes that gave no message, and its beginning for the log."""

    reason: DamageReason
    excerpt: bytes


@dataclass(frozen=True, slots=True)
class Ignored:
    """A sound frame that is not for us, and its beginning for the log."""

    reason: IgnoreReason
    excerpt: bytes


@dataclass(slots=True)
class Counts:
    """What a decoder has seen since it was made."""

    good: int = 0
    damaged: dict[DamageReason, int] = field(default_factory=lambda: dict.fromkeys(DamageReason, 0))
    ignored: dict[IgnoreReason, int] = field(default_factory=lambda: dict.fromkeys(IgnoreReason, 0))
    unknown_fields: int = 0
    unreadable_values: int = 0
    """Measured fields whose value was neither a number nor ``?``."""

    @property
    def damaged_total(self) -> int:
        return sum(self.damaged.values())


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame whose check agrees and whose form is right."""

    sequence: int
    kind: str
    fields: dict[str, str]


class MalformedError(ValueError):
    """A part of a frame is not of the form the protocol page gives it. Never leaves this room."""


_BODY = re.compile(r"[<>]1 (0|[1-9][0-9]{0,4}) ([a-z]+)((?: [a-z][a-z0-9]*=[^ =*<>]*)*)").fullmatch


def seal(body: str) -> bytes:
    """Add check and line end to the text of a frame, start character included."""
    data = body.encode("ascii")
    return b"%b*%08X\n" % (data, zlib.crc32(data))


def unseal(line: bytes, direction: Direction) -> Frame | Damaged | Ignored:
    """Judge one line, without its line end, that begins with a start character."""
    try:
        text = line.decode("ascii")
    except UnicodeDecodeError:
        return Damaged(DamageReason.BYTES, line[:EXCERPT_LENGTH])
    if not text.isprintable():
        return Damaged(DamageReason.BYTES, line[:EXCERPT_LENGTH])
    data = line[:-CHECK_LENGTH]
    # Formatting the computed check, instead of reading the received one, leaves it exactly one spelling.
    if line[-CHECK_LENGTH:] != b"*%08X" % zlib.crc32(data):
        return Damaged(DamageReason.CHECK, line[:EXCERPT_LENGTH])
    if text[0] != direction.value:
        return Ignored(IgnoreReason.ECHO, line[:EXCERPT_LENGTH])
    body = text[:-CHECK_LENGTH]
    form = _BODY(body)
    if form is None:
        if body[1:2].isdigit() and body[1] != VERSION and body[2:3] == " ":
            return Ignored(IgnoreReason.VERSION, line[:EXCERPT_LENGTH])
        return Damaged(DamageReason.MALFORMED, line[:EXCERPT_LENGTH])
    number, kind, rest = form.groups()
    sequence = int(number)
    pairs = [part.split("=") for part in rest.split(" ")[1:]]
    fields = dict(pairs)
    if sequence > 0xFFFF or len(fields) != len(pairs):
        return Damaged(DamageReason.MALFORMED, line[:EXCERPT_LENGTH])
    return Frame(sequence, kind, fields)
