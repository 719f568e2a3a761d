"""The fields of each message, and the text form of their values, for reading and for writing.

A table has one row for each kind of frame. Its reader makes the message from the sequence number and the
fields. It raises :class:`MalformedError` if a field is missing or malformed. A measured field is different: a
value that is not a number becomes FAILED, so that the rest of the reading is used and the guard gets no
value. The widths of the values ensure that a reading with the longest value in every field fits into a frame.
"""

import math
import re
from collections.abc import Callable
from itertools import product

from bridge.errors import InputError, OutOfRangeError
from bridge.guard.model import Flow
from bridge.protocol.frame import Counts, Direction, Frame, MalformedError, seal
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

CONDUCTANCE_WIDTH = 8
TEMPERATURE_WIDTH = 6
FRACTION_WIDTH = 6
NUMBER_WIDTH = 10
"""The width that a receiver accepts. A sender uses the narrower widths above."""
IDENTITY_WIDTH = 24
WORD_WIDTH = 16

UINT16 = 0xFFFF
UINT32 = 0xFFFFFFFF

_NUMBER = re.compile(r"-?[0-9]+(?:\.[0-9]+)?").fullmatch
_WHOLE = re.compile(r"0|[1-9][0-9]{0,9}").fullmatch
_TOKEN = re.compile(r"[A-Za-z0-9._+-]+").fullmatch

PATHS = {path.value: path for path in Flow}

Switches = tuple[bool | None, bool | None, bool | None]
_SWITCH = {"1": True, "0": False, "-": None}
_SWITCH_WORD = {state: letter for letter, state in _SWITCH.items()}
SWITCHES: dict[str, Switches] = {
    a + b + c: (_SWITCH[a], _SWITCH[b], _SWITCH[c]) for a, b, c in product(_SWITCH, repeat=3)
}


def read_measured(fields: dict[str, str], name: str, counts: Counts) -> Value:
    """Return a measured value: None if absent, FAILED for ``?`` or, with a count, for any other text."""
    text = fields.get(name)
    if text is None:
        return None
    if _NUMBER(text) and len(text) <= NUMBER_WIDTH:
        return float(text)
    if text != "?":
        counts.unreadable_values += 1
    return FAILED


def read_whole(fields: dict[str, str], name: str, least: int, most: int) -> int:
    """Return a required whole number, from ``least`` to ``most``.

    Raises:
        MalformedError: If it is missing or malformed. This holds for every required field.
    """
    text = fields.get(name, "")
    if _WHOLE(text) and least <= (number := int(text)) <= most:
        return number
    raise MalformedError(name)


def read_token(fields: dict[str, str], name: str, width: int) -> str:
    """Return a required word of letters, digits and ``. _ + -``, of at most ``width`` characters."""
    text = fields.get(name, "")
    if _TOKEN(text) and len(text) <= width:
        return text
    raise MalformedError(name)


def read_path(fields: dict[str, str]) -> Flow:
    """Return the required path."""
    path = PATHS.get(fields.get("path", ""))
    if path is None:
        raise MalformedError("path")
    return path


def read_switches(fields: dict[str, str]) -> Switches:
    """Return low, full and overflow. A malformed field raises: it must not count as not fitted."""
    text = fields.get("sw")
    if text is None:
        return (None, None, None)
    switches = SWITCHES.get(text)
    if switches is None:
        raise MalformedError("sw")
    return switches


def write_number(value: float, width: int, what: str) -> str:
    """Return the most exact decimal text of ``value`` in at most ``width`` characters.

    Raises:
        OutOfRangeError: If the value is not finite, or its whole part is too wide.
    """
    if math.isfinite(value):
        for decimals in range(max(0, width - 2), -1, -1):
            text = f"{value:.{decimals}f}"
            if "." in text:
                text = text.rstrip("0").rstrip(".")
            if len(text) <= width:
                return "0" if text == "-0" else text
    raise OutOfRangeError(
        f"{what} {value!r} cannot be sent: it must be a number of at most {width} characters."
    )


def write_measured(name: str, value: Value, width: int) -> str:
    """Return one measured field with its leading space, or an empty text for an input that is not fitted."""
    if value is None:
        return ""
    if value is FAILED:
        return f" {name}=?"
    assert isinstance(value, float | int)
    return f" {name}={write_number(value, width, name)}"


def write_whole(value: int, least: int, most: int, what: str) -> str:
    """Return the text of a whole number.

    Raises:
        OutOfRangeError: If it is outside ``least`` to ``most``.
    """
    if least <= value <= most:
        return str(int(value))
    raise OutOfRangeError(f"{what} {value} cannot be sent: it must be from {least} to {most}.")


def write_token(text: str, width: int, what: str) -> str:
    """Return a word.

    Raises:
        InputError: If it is empty, too long, or has characters that the protocol does not allow.
    """
    if _TOKEN(text) and len(text) <= width:
        return text
    raise InputError(
        f"{what} {text!r} cannot be sent: it must be 1 to {width} of the characters A-Z a-z 0-9 . _ + -"
    )


def write_switches(switches: Switches) -> str:
    """Return the field with its leading space, or an empty text if no switch is fitted."""
    if switches == (None, None, None):
        return ""
    return " sw=" + "".join(_SWITCH_WORD[state] for state in switches)


_BOOTS = {boot.value: boot for boot in BootReason}

Message = FromController | FromBridge
Reader = Callable[[int, dict[str, str], Counts], Message]


def _hello(sequence: int, fields: dict[str, str], counts: Counts) -> Hello:
    return Hello(
        sequence,
        read_token(fields, "id", IDENTITY_WIDTH),
        read_token(fields, "fw", WORD_WIDTH),
        _BOOTS.get(read_token(fields, "boot", WORD_WIDTH), BootReason.UNKNOWN),
        read_whole(fields, "lease", 1, UINT16),
        Feature(read_whole(fields, "fit", 0, UINT16)),
        read_measured(fields, "ps", counts),
    )


def _reading(sequence: int, fields: dict[str, str], counts: Counts) -> Reading:
    if "p" not in fields or "pt" not in fields:
        raise MalformedError("p")
    low, full, overflow = read_switches(fields)
    return Reading(
        sequence,
        read_path(fields),
        read_measured(fields, "p", counts),
        read_measured(fields, "pt", counts),
        read_measured(fields, "f", counts),
        read_measured(fields, "ft", counts),
        read_measured(fields, "lv", counts),
        low,
        full,
        overflow,
        read_whole(fields, "n", 0, UINT32) if "n" in fields else None,
        LocalFault(read_whole(fields, "err", 0, UINT16)) if "err" in fields else LocalFault.NONE,
    )


def _ack(sequence: int, fields: dict[str, str], counts: Counts) -> Ack:
    return Ack(sequence, read_whole(fields, "of", 0, UINT16), read_path(fields))


def _refusal(sequence: int, fields: dict[str, str], counts: Counts) -> Refusal:
    of = read_whole(fields, "of", 0, UINT16)
    return Refusal(sequence, of, read_token(fields, "why", WORD_WIDTH))


def _lease(sequence: int, fields: dict[str, str], counts: Counts) -> Lease:
    return Lease(sequence, Flow.TO_RESERVOIR, read_whole(fields, "ms", 1, UINT16))


def _drain(sequence: int, fields: dict[str, str], counts: Counts) -> Lease:
    return Lease(sequence, Flow.TO_DRAIN, read_whole(fields, "ms", 1, UINT16))


def _close(sequence: int, fields: dict[str, str], counts: Counts) -> Close:
    return Close(sequence)


def _identify(sequence: int, fields: dict[str, str], counts: Counts) -> Identify:
    return Identify(sequence)


_READING_FIELDS = frozenset({"path", "p", "pt", "f", "ft", "lv", "sw", "n", "err"})

_KINDS: dict[Direction, dict[str, tuple[Reader, frozenset[str]]]] = {
    Direction.TO_BRIDGE: {
        "reading": (_reading, _READING_FIELDS),
        "ack": (_ack, frozenset({"of", "path"})),
        "no": (_refusal, frozenset({"of", "why"})),
        "hello": (_hello, frozenset({"id", "fw", "boot", "lease", "fit", "ps"})),
    },
    Direction.TO_CONTROLLER: {
        "lease": (_lease, frozenset({"ms"})),
        "drain": (_drain, frozenset({"ms"})),
        "close": (_close, frozenset()),
        "identify": (_identify, frozenset()),
    },
}


def read(frame: Frame, direction: Direction, counts: Counts) -> Message | None:
    """Return the message in a frame, or None for an unknown kind.

    Counts unknown fields and unreadable values.

    Raises:
        MalformedError: If a required field is missing or malformed.
    """
    kind = _KINDS[direction].get(frame.kind)
    if kind is None:
        return None
    reader, known = kind
    message = reader(frame.sequence, frame.fields, counts)
    if not known.issuperset(frame.fields):
        counts.unknown_fields += len(frame.fields.keys() - known)
    return message


def _write_hello(m: Hello) -> str:
    return (
        f"hello id={write_token(m.identity, IDENTITY_WIDTH, 'The identity')}"
        f" fw={write_token(m.firmware, WORD_WIDTH, 'The firmware version')}"
        f" boot={m.boot.value}"
        f" lease={write_whole(m.longest_lease_ms, 1, UINT16, 'The longest lease in ms')}"
        f" fit={write_whole(m.features, 0, UINT16, 'The features')}"
        f"{write_measured('ps', m.product_step_us, CONDUCTANCE_WIDTH)}"
    )


def _write_reading(m: Reading) -> str:
    if m.product_us is None or m.product_c is None:
        raise InputError(
            "A reading without product conductance or temperature cannot be sent: "
            "an input that gave no value is FAILED."
        )
    n = "" if m.pulses is None else f" n={write_whole(m.pulses, 0, UINT32, 'The pulse count')}"
    err = f" err={write_whole(m.faults, 0, UINT16, 'The local faults')}" if m.faults else ""
    return (
        f"reading path={m.path.value}"
        f"{write_measured('p', m.product_us, CONDUCTANCE_WIDTH)}"
        f"{write_measured('pt', m.product_c, TEMPERATURE_WIDTH)}"
        f"{write_measured('f', m.feed_us, CONDUCTANCE_WIDTH)}"
        f"{write_measured('ft', m.feed_c, TEMPERATURE_WIDTH)}"
        f"{write_measured('lv', m.level_sensor, FRACTION_WIDTH)}"
        f"{write_switches((m.switch_low, m.switch_full, m.switch_overflow))}"
        f"{n}{err}"
    )


def _write_lease(m: Lease) -> str:
    kind = {Flow.TO_RESERVOIR: "lease", Flow.TO_DRAIN: "drain"}.get(m.path)
    if kind is None:
        raise InputError("A lease cannot be sent for the path 'shut': send a close instead.")
    return f"{kind} ms={write_whole(m.duration_ms, 1, UINT16, 'The lease in ms')}"


def encode(message: Message) -> bytes:
    """Return the bytes of one frame, with its line end.

    Measured numbers are rounded to their width. A frame that is read and written again gives the same bytes.

    Raises:
        InputError: If a value has no text form; mostly as :class:`OutOfRangeError`.
    """
    match message:
        case Reading():
            start, text = ">", _write_reading(message)
        case Ack():
            of = write_whole(message.of, 0, UINT16, "The command's number")
            start, text = ">", f"ack of={of} path={message.path.value}"
        case Refusal():
            of = write_whole(message.of, 0, UINT16, "The command's number")
            start, text = ">", f"no of={of} why={write_token(message.why, WORD_WIDTH, 'The reason')}"
        case Hello():
            start, text = ">", _write_hello(message)
        case Lease():
            start, text = "<", _write_lease(message)
        case Close():
            start, text = "<", "close"
        case Identify():
            start, text = "<", "identify"
    sequence = write_whole(message.sequence, 0, UINT16, "The sequence number")
    return seal(f"{start}1 {sequence} {text}")
