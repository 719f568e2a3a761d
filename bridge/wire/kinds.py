"""The kinds of frame: which fields each message has, both ways.

A kind is a row in a table: its reader takes a frame's number and fields and gives the message, or raises
:class:`MalformedError` when a field that is not a measured one is missing or has no value of its form. A
measured one never spoils a frame: what is no number becomes FAILED, so the guard sees that it is blind.
"""

from collections.abc import Callable

from bridge.errors import InputError
from bridge.wire import fields as f
from bridge.wire.frame import Counts, Direction, Frame, MalformedError, seal
from bridge.wire.messages import (
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
    Path,
    Reading,
    Refusal,
)

_BOOTS = {boot.value: boot for boot in BootReason}

Message = FromController | FromBridge
Reader = Callable[[int, dict[str, str], Counts], Message]


def _hello(sequence: int, fields: dict[str, str], counts: Counts) -> Hello:
    return Hello(
        sequence,
        f.read_token(fields, "id", f.IDENTITY_WIDTH),
        f.read_token(fields, "fw", f.WORD_WIDTH),
        _BOOTS.get(f.read_token(fields, "boot", f.WORD_WIDTH), BootReason.UNKNOWN),
        f.read_whole(fields, "lease", 1, f.UINT16),
        Feature(f.read_whole(fields, "fit", 0, f.UINT16)),
    )


def _reading(sequence: int, fields: dict[str, str], counts: Counts) -> Reading:
    if "p" not in fields or "pt" not in fields:
        raise MalformedError("p")
    low, full, overflow = f.read_switches(fields)
    return Reading(
        sequence,
        f.read_path(fields),
        f.read_measured(fields, "p", counts),
        f.read_measured(fields, "pt", counts),
        f.read_measured(fields, "f", counts),
        f.read_measured(fields, "ft", counts),
        f.read_measured(fields, "lv", counts),
        low,
        full,
        overflow,
        f.read_whole(fields, "n", 0, f.UINT32) if "n" in fields else None,
        LocalFault(f.read_whole(fields, "err", 0, f.UINT16)) if "err" in fields else LocalFault.NONE,
    )


def _ack(sequence: int, fields: dict[str, str], counts: Counts) -> Ack:
    return Ack(sequence, f.read_whole(fields, "of", 0, f.UINT16), f.read_path(fields))


def _refusal(sequence: int, fields: dict[str, str], counts: Counts) -> Refusal:
    of = f.read_whole(fields, "of", 0, f.UINT16)
    return Refusal(sequence, of, f.read_token(fields, "why", f.WORD_WIDTH))


def _lease(sequence: int, fields: dict[str, str], counts: Counts) -> Lease:
    return Lease(sequence, Path.FILL, f.read_whole(fields, "ms", 1, f.UINT16))


def _drain(sequence: int, fields: dict[str, str], counts: Counts) -> Lease:
    return Lease(sequence, Path.DRAIN, f.read_whole(fields, "ms", 1, f.UINT16))


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
        "hello": (_hello, frozenset({"id", "fw", "boot", "lease", "fit"})),
    },
    Direction.TO_CONTROLLER: {
        "lease": (_lease, frozenset({"ms"})),
        "drain": (_drain, frozenset({"ms"})),
        "close": (_close, frozenset()),
        "identify": (_identify, frozenset()),
    },
}


def read(frame: Frame, direction: Direction, counts: Counts) -> Message | None:
    """The message in a frame; None for an unknown kind.

    Raises :class:`MalformedError` when the frame cannot be used. Counts what it passed over.
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
        f"hello id={f.write_token(m.identity, f.IDENTITY_WIDTH, 'The identity')}"
        f" fw={f.write_token(m.firmware, f.WORD_WIDTH, 'The firmware version')}"
        f" boot={m.boot.value}"
        f" lease={f.write_whole(m.longest_lease_ms, 1, f.UINT16, 'The longest lease in ms')}"
        f" fit={f.write_whole(m.features, 0, f.UINT16, 'The features')}"
    )


def _write_reading(m: Reading) -> str:
    if m.product_us is None or m.product_c is None:
        raise InputError(
            "A reading without product conductance or temperature cannot be sent: "
            "an input that gave no value is FAILED."
        )
    n = "" if m.pulses is None else f" n={f.write_whole(m.pulses, 0, f.UINT32, 'The pulse count')}"
    err = f" err={f.write_whole(m.faults, 0, f.UINT16, 'The local faults')}" if m.faults else ""
    return (
        f"reading path={m.path.value}"
        f"{f.write_measured('p', m.product_us, f.CONDUCTANCE_WIDTH)}"
        f"{f.write_measured('pt', m.product_c, f.TEMPERATURE_WIDTH)}"
        f"{f.write_measured('f', m.feed_us, f.CONDUCTANCE_WIDTH)}"
        f"{f.write_measured('ft', m.feed_c, f.TEMPERATURE_WIDTH)}"
        f"{f.write_measured('lv', m.sender, f.FRACTION_WIDTH)}"
        f"{f.write_switches((m.switch_low, m.switch_full, m.switch_overflow))}"
        f"{n}{err}"
    )


def _write_lease(m: Lease) -> str:
    kind = {Path.FILL: "lease", Path.DRAIN: "drain"}.get(m.path)
    if kind is None:
        raise InputError("A lease cannot be sent for the path 'shut': send a close instead.")
    return f"{kind} ms={f.write_whole(m.duration_ms, 1, f.UINT16, 'The lease in ms')}"


def encode(message: Message) -> bytes:
    """The bytes of one frame, line end included.

    Measured numbers are rounded to what their width holds; reading the frame back and writing it again
    gives the same bytes. Raises :class:`InputError` (mostly :class:`OutOfRangeError`) for a value that
    has no text form.
    """
    match message:
        case Reading():
            start, text = ">", _write_reading(message)
        case Ack():
            of = f.write_whole(message.of, 0, f.UINT16, "The command's number")
            start, text = ">", f"ack of={of} path={message.path.value}"
        case Refusal():
            of = f.write_whole(message.of, 0, f.UINT16, "The command's number")
            start, text = ">", f"no of={of} why={f.write_token(message.why, f.WORD_WIDTH, 'The reason')}"
        case Hello():
            start, text = ">", _write_hello(message)
        case Lease():
            start, text = "<", _write_lease(message)
        case Close():
            start, text = "<", "close"
        case Identify():
            start, text = "<", "identify"
    sequence = f.write_whole(message.sequence, 0, f.UINT16, "The sequence number")
    return seal(f"{start}1 {sequence} {text}")
