"""The entries of the log in sentences, for the list of events and for the marks in the charts. Core."""

from collections.abc import Iterable
from enum import Enum
from typing import TypedDict

from bridge.guard.faults import FAULTS
from bridge.guard.model import Trip
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CalibrationRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    EventRow,
    FillRow,
    ForecastRow,
    Kind,
    LitresRow,
    SampleRow,
    UndoRow,
    when_ms,
)
from bridge.units import DisplayUnits


class Filter(Enum):
    """The kinds of entry that people choose between."""

    TRIP = "trip"
    ALARM = "alarm"
    FILL = "fill"
    CARTRIDGE = "cartridge"
    SAMPLE = "sample"
    CALIBRATION = "calibration"
    COMMAND = "command"
    EVENT = "event"


READ: dict[Filter, tuple[Kind, ...]] = {
    Filter.TRIP: (Kind.ALARM,),
    Filter.ALARM: (Kind.ALARM,),
    Filter.FILL: (Kind.FILL,),
    Filter.CARTRIDGE: (Kind.CARTRIDGE,),
    Filter.SAMPLE: (Kind.SAMPLE,),
    Filter.CALIBRATION: (Kind.CALIBRATION,),
    Filter.COMMAND: (Kind.COMMAND,),
    Filter.EVENT: (Kind.EVENT, Kind.LITRES, Kind.UNDO),
}
"""The tables in which the entries of each kind are."""
_CHANGES = {
    AlarmChange.RAISED: "raised",
    AlarmChange.ACKNOWLEDGED: "acknowledged",
    AlarmChange.CLEARED_UNACKNOWLEDGED: "its cause is gone",
    AlarmChange.RESET: "reset",
    AlarmChange.CLEARED: "back to normal",
    AlarmChange.SHELVED: "shelved",
    AlarmChange.UNSHELVED: "no longer shelved",
}


class Entry(TypedDict):
    """One entry as the page shows it."""

    at: int
    """UTC seconds."""
    time: str
    kind: str
    sentence: str


def kind_of(row: EntryRow) -> Filter | None:
    """Return the kind under which people find a row. None if they do not look for it."""
    match row:
        case AlarmRow(alarm=alarm, change=change):
            is_trip = isinstance(alarm, Trip) and change in (AlarmChange.RAISED, AlarmChange.RESET)
            return Filter.TRIP if is_trip else Filter.ALARM
        case FillRow():
            return Filter.FILL
        case CartridgeRow():
            return Filter.CARTRIDGE
        case SampleRow():
            return Filter.SAMPLE
        case CalibrationRow():
            return Filter.CALIBRATION
        case CommandRow():
            # A command that enters a sample has a row of its own for the sample, which can be taken back.
            return Filter.COMMAND
        case EventRow() | LitresRow() | UndoRow():
            return Filter.EVENT
        case ForecastRow():
            return None


def entries_of(rows: Iterable[EntryRow], kinds: frozenset[Filter], units: DisplayUnits) -> list[Entry]:
    """Return the rows of these kinds, the newest first.

    Args:
        rows: the rows.
        kinds: the kinds that are wanted.
        units: the display units.
    """
    found = [(when_ms(row), kind, row) for row in rows if (kind := kind_of(row)) in kinds]
    found.sort(key=lambda one: one[0], reverse=True)
    return [
        Entry(
            at=at_ms // 1000,
            time=units.local(at_ms / 1000.0).strftime("%Y-%m-%d %H:%M"),
            kind=kind.value,
            sentence=_sentence(row, units),
        )
        for at_ms, kind, row in found
        if kind is not None
    ]


def _sentence(row: EntryRow, units: DisplayUnits) -> str:
    match row:
        case AlarmRow(alarm=alarm, change=change, sender=sender, first_out=first_out):
            first = ", the first one" if first_out and change is AlarmChange.RAISED else ""
            by = f" by {sender}" if sender else ""
            return f"{FAULTS[alarm].what.rstrip('.')}: {_CHANGES[change]}{by}{first}."
        case FillRow():
            minutes = max(0, round((when_ms(row) - row.started_ms) / 60_000))
            made = "A fill" if row.volume_l is None else f"{units.litres(row.volume_l).text}"
            mean = "" if row.mean_ppm is None else f", on average {row.mean_ppm:.3g} ppm"
            return f"{made} in {minutes} min{mean}; it ended: {row.end}."
        case CartridgeRow():
            old = []
            if row.treated_l is not None:
                old.append(f"made {units.litres(row.treated_l).text}")
            if row.load_g is not None:
                old.append(f"took up {row.load_g:.3g} g")
            end = f" The old one {' and '.join(old)}." if old else ""
            return f"New cartridge{f' {row.name}' if row.name else ''}.{end}"
        case SampleRow():
            note = f" {row.note}" if row.note else ""
            ppm = units.ppm(row.dissolved_solids_ppm, row.factor).text
            return f"Sample of {row.of}: {ppm}.{note}"
        case CalibrationRow():
            return (
                f"{row.cell.capitalize()} cell calibrated: {row.cell_constant_per_cm:.4g} per cm, in a "
                f"standard of {row.standard_us_cm:g} µS/cm."
            )
        case CommandRow(what=what, sender=sender, accepted=accepted, refusal=refusal):
            done = f"{what[:1].upper()}{what[1:]}, by {sender}"
            return f"{done}." if accepted else f"{done}: refused. {refusal}"
        case LitresRow():
            return f"{units.litres(row.litres).text} {row.what.value}."
        case UndoRow(kind=kind, undone_ms=undone_ms):
            entered = units.local(undone_ms / 1000.0).strftime("%Y-%m-%d %H:%M")
            return f"The {kind} entered at {entered} was taken back.{f' {row.note}' if row.note else ''}"
        case EventRow(sentence=sentence):
            return sentence
        case ForecastRow():
            return row.rests_on
