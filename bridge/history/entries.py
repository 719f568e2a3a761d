"""Everything but readings, as text for the file and back."""

import json
from dataclasses import fields
from enum import Enum
from typing import Any

from bridge.errors import LogError
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CalibrationRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    EventRow,
    FillRow,
    Litres,
    LitresRow,
    SampleRow,
    Stamp,
)


class Kind(Enum):
    """The kinds of entry; the value is on disk and in exports."""

    EVENT = "event"
    ALARM = "alarm"
    COMMAND = "command"
    CARTRIDGE = "cartridge"
    CALIBRATION = "calibration"
    SAMPLE = "sample"
    LITRES = "litres"
    FILL = "fill"


CLASSES: dict[Kind, type[EntryRow]] = {
    Kind.EVENT: EventRow,
    Kind.ALARM: AlarmRow,
    Kind.COMMAND: CommandRow,
    Kind.CARTRIDGE: CartridgeRow,
    Kind.CALIBRATION: CalibrationRow,
    Kind.SAMPLE: SampleRow,
    Kind.LITRES: LitresRow,
    Kind.FILL: FillRow,
}
KINDS = {row_class: kind for kind, row_class in CLASSES.items()}

LAZY = {Kind.EVENT, Kind.FILL}
"""These may wait up to a minute for a commit; all others are committed at once."""


def alarm_from(word: str) -> AlarmId:
    """The trip or advisory with this id; ``ValueError`` for any other word."""
    try:
        return Trip(word)
    except ValueError:
        return Advisory(word)


def details(row: EntryRow) -> dict[str, Any]:
    """The fields of an entry without its stamp and reservoir, as plain JSON values."""
    out: dict[str, Any] = {}
    for field in fields(row):
        if field.name in ("stamp", "reservoir"):
            continue
        value = getattr(row, field.name)
        out[field.name] = value.value if isinstance(value, Enum) else value
    return out


def to_text(row: EntryRow) -> str:
    """The details as compact JSON in plain ASCII: what a stranger sent may hold what UTF-8 cannot."""
    return json.dumps(details(row), separators=(",", ":"))


def from_text(kind: str, reservoir: str, stamp: Stamp, body: str) -> EntryRow:
    """An entry out of the file. Fields this program does not know are left out, so that an older one can
    still read a newer file; :class:`LogError` when the text makes no such entry."""
    try:
        row_class = CLASSES[Kind(kind)]
        given = json.loads(body)
        known = {f.name: given[f.name] for f in fields(row_class) if f.name in given}
        if row_class is AlarmRow:
            known["alarm"] = alarm_from(known["alarm"])
            known["change"] = AlarmChange(known["change"])
        if row_class is LitresRow:
            known["what"] = Litres(known["what"])
        return row_class(stamp=stamp, reservoir=reservoir, **known)
    except (ValueError, TypeError, KeyError) as error:
        raise LogError(f"An entry of kind {kind!r} in the log cannot be read: {error}.") from error
