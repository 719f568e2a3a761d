"""The form of a frame: start, version, sequence, kind, fields, check.

Its meaning is in :mod:`bridge.protocol.fields`.

A frame is one line, ``>1 4711 ack of=88 path=fill*16DD549E``. The start character gives the direction and
occurs nowhere else. The eight hex digits are CRC-32/ISO-HDLC (the CRC of ``zlib.crc32``) of everything before
the ``*``. ``firmware_notes/protocol.md`` has the complete rule, with the order of the checks below.
"""

import re
import zlib
from dataclasses import dataclass, field
from enum import Enum

VERSION = "1"
LONGEST_FRAME = 120
"""In bytes, with start character and line end."""
CHECK_LENGTH = 9
"""The ``*`` and eight hex digits."""
EXCERPT_LENGTH = 48
"""Length of the excerpt of an unused line for the log, in bytes."""


class Direction(Enum):
    """The direction of a frame. The value is the start character."""

    TO_BRIDGE = ">"
    TO_CONTROLLER = "<"


class DamageReason(Enum):
    """The reason why a line is not a valid frame."""

    NO_START = "no-start"
    """Bytes outside a frame."""
    CUT = "cut"
    """Another frame started before the end of this one."""
    TOO_LONG = "too-long"
    BYTES = "bytes"
    """There are other bytes than printable ASCII."""
    CHECK = "check"
    """The check is missing or wrong."""
    MALFORMED = "malformed"
    """The check is right, but the protocol does not allow this frame: the sender has an error."""


class IgnoreReason(Enum):
    """The reason why an undamaged frame is not used."""

    ECHO = "echo"
    """It is for the other side: the line returned our own frame."""
    VERSION = "version"
    KIND = "kind"


@dataclass(frozen=True, slots=True)
class Damaged:
    """Bytes without a valid message, and their beginning for the log."""

    reason: DamageReason
    excerpt: bytes


@dataclass(frozen=True, slots=True)
class Ignored:
    """An undamaged frame that is not used, and its beginning for the log."""

    reason: IgnoreReason
    excerpt: bytes


@dataclass(slots=True)
class Counts:
    """The counts of a decoder since its start."""

    good: int = 0
    damaged: dict[DamageReason, int] = field(default_factory=lambda: dict.fromkeys(DamageReason, 0))
    ignored: dict[IgnoreReason, int] = field(default_factory=lambda: dict.fromkeys(IgnoreReason, 0))
    unknown_fields: int = 0
    unreadable_values: int = 0
    """Number of measured fields whose value is neither a number nor ``?``."""

    @property
    def damaged_total(self) -> int:
        """The number of damaged lines, for all reasons together."""
        return sum(self.damaged.values())


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame with a right check and a right form."""

    sequence: int
    kind: str
    fields: dict[str, str]


class MalformedError(ValueError):
    """A part of a frame does not have the form that the protocol requires. Not raised outside this room."""


_BODY = re.compile(r"[<>]1 (0|[1-9][0-9]{0,4}) ([a-z]+)((?: [a-z][a-z0-9]*=[^ =*<>]*)*)").fullmatch


def seal(body: str) -> bytes:
    """Return the bytes of a frame: its text from the start character on, with check and line end added."""
    data = body.encode("ascii")
    return b"%b*%08X\n" % (data, zlib.crc32(data))


def unseal(line: bytes, direction: Direction) -> Frame | Damaged | Ignored:
    """Check one line that begins with a start character, without its line end."""
    try:
        text = line.decode("ascii")
    except UnicodeDecodeError:
        return Damaged(DamageReason.BYTES, line[:EXCERPT_LENGTH])
    if not text.isprintable():
        return Damaged(DamageReason.BYTES, line[:EXCERPT_LENGTH])
    data = line[:-CHECK_LENGTH]
    # The computed check is formatted, and the received one is not parsed, so that only one spelling is valid.
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
