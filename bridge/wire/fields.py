"""The text form of single values, in both directions, and the width each may take.

The widths are chosen so that a reading with every field at its longest still fits into a frame.
"""

import math
import re
from itertools import product

from bridge.errors import InputError, OutOfRangeError
from bridge.wire.frame import Counts, MalformedError
from bridge.wire.messages import FAILED, Path, Value

CONDUCTANCE_WIDTH = 8
TEMPERATURE_WIDTH = 6
FRACTION_WIDTH = 6
NUMBER_WIDTH = 10
"""What a receiver takes; a sender keeps to the narrower widths."""
IDENTITY_WIDTH = 24
WORD_WIDTH = 16

UINT16 = 0xFFFF
UINT32 = 0xFFFFFFFF

_NUMBER = re.compile(r"-?[0-9]+(?:\.[0-9]+)?").fullmatch
_WHOLE = re.compile(r"0|[1-9][0-9]{0,9}").fullmatch
_TOKEN = re.compile(r"[A-Za-z0-9._+-]+").fullmatch

PATHS = {path.value: path for path in Path}

Switches = tuple[bool | None, bool | None, bool | None]
_SWITCH = {"1": True, "0": False, "-": None}
_SWITCH_WORD = {state: letter for letter, state in _SWITCH.items()}
SWITCHES: dict[str, Switches] = {
    a + b + c: (_SWITCH[a], _SWITCH[b], _SWITCH[c]) for a, b, c in product(_SWITCH, repeat=3)
}


def read_measured(fields: dict[str, str], name: str, counts: Counts) -> Value:
    """A measured value: None when absent, FAILED when it is ``?`` or no number (which is counted)."""
    text = fields.get(name)
    if text is None:
        return None
    if _NUMBER(text) and len(text) <= NUMBER_WIDTH:
        return float(text)
    if text != "?":
        counts.unreadable_values += 1
    return FAILED


def read_whole(fields: dict[str, str], name: str, least: int, most: int) -> int:
    """A whole number that must be there, from ``least`` to ``most``."""
    text = fields.get(name, "")
    if _WHOLE(text) and least <= (number := int(text)) <= most:
        return number
    raise MalformedError(name)


def read_token(fields: dict[str, str], name: str, width: int) -> str:
    """A word that must be there, of letters, digits and ``. _ + -``."""
    text = fields.get(name, "")
    if _TOKEN(text) and len(text) <= width:
        return text
    raise MalformedError(name)


def read_path(fields: dict[str, str]) -> Path:
    """The path, which must be there."""
    path = PATHS.get(fields.get("path", ""))
    if path is None:
        raise MalformedError("path")
    return path


def read_switches(fields: dict[str, str]) -> Switches:
    """Low, full, overflow. A malformed one must not become "not fitted", so it spoils the frame."""
    text = fields.get("sw")
    if text is None:
        return (None, None, None)
    switches = SWITCHES.get(text)
    if switches is None:
        raise MalformedError("sw")
    return switches


def write_number(value: float, width: int, what: str) -> str:
    """The decimal text of ``value`` in at most ``width`` characters, as exact as these allow.

    Raises :class:`OutOfRangeError` when the value is not finite or its whole part is wider.
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
    """One measured field with its leading space; nothing for an input that is not fitted."""
    if value is None:
        return ""
    if value is FAILED:
        return f" {name}=?"
    assert isinstance(value, float | int)
    return f" {name}={write_number(value, width, name)}"


def write_whole(value: int, least: int, most: int, what: str) -> str:
    """A whole number; :class:`OutOfRangeError` outside ``least`` to ``most``."""
    if least <= value <= most:
        return str(int(value))
    raise OutOfRangeError(f"{what} {value} cannot be sent: it must be from {least} to {most}.")


def write_token(text: str, width: int, what: str) -> str:
    """A word; :class:`InputError` when it is empty, too long or has other characters than the page allows."""
    if _TOKEN(text) and len(text) <= width:
        return text
    raise InputError(
        f"{what} {text!r} cannot be sent: it must be 1 to {width} of the characters A-Z a-z 0-9 . _ + -"
    )


def write_switches(switches: Switches) -> str:
    """The field with its leading space; nothing when no switch is fitted."""
    if switches == (None, None, None):
        return ""
    return " sw=" + "".join(_SWITCH_WORD[state] for state in switches)
