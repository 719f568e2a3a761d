"""The tables and views of the log: their columns as SQL text, and rows from and to their columns. Core.

The views are what other programs read; ``bridge/manual/log.md`` documents them. Minutes and hours are
stored as integers in thousandths of the unit of the view (nS for µS, ppb for ppm, ml for l), because five
years of floating-point values would exceed the size budget. A least or greatest value that equals the mean is
NULL.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields
from datetime import UTC, datetime
from enum import Enum
from typing import Any

from bridge.errors import LogError
from bridge.guard.model import Flow
from bridge.history.records import (
    CLASSES,
    AlarmChange,
    AlarmRow,
    Cell,
    EntryRow,
    Kind,
    Litres,
    LitresRow,
    ReadingRow,
    Series,
    Stamp,
    alarm_from,
    reading_of,
)
from bridge.water.health import Health

HEALTH_BY_WORD = {one.word: one for one in Health}
_FLOW = {one.value: one for one in Flow}
_BOOLEANS = {"first_out", "accepted", "exhausted", "order_now", "below_resolution"}

SERIES_COLUMNS: dict[Series, tuple[str, str]] = {
    Series.CONDUCTANCE: ("conductance_us", "conductance_ns"),
    Series.TEMPERATURE: ("temperature_c", "temperature_mc"),
    Series.CONDUCTIVITY_25: ("conductivity_25_us_cm", "conductivity_25_ns_cm"),
    Series.PRODUCT_PPM: ("product_ppm", "product_ppb"),
    Series.UNCERTAINTY: ("product_uncertainty_ppm", "product_uncertainty_ppb"),
    Series.FEED_PPM: ("feed_ppm", "feed_ppb"),
    Series.VOLUME: ("volume_l", "volume_ml"),
    Series.RESERVOIR_PPM: ("reservoir_ppm", "reservoir_ppb"),
    Series.THROUGHPUT: ("throughput_l", "throughput_ml"),
}
"""For each series, the column of readings and views, and the column of minutes and hours in thousandths."""

ENTRY_COLUMNS: dict[Kind, tuple[tuple[str, str, str], ...]] = {
    Kind.EVENT: (("event", "TEXT", "event"), ("sentence", "TEXT", "sentence")),
    Kind.ALARM: (
        ("alarm", "TEXT", "alarm"),
        ("change", "TEXT", "change"),
        ("sentence", "TEXT", "sentence"),
        ("sender", "TEXT", "sender"),
        ("first_out", "INTEGER", "first_out"),
    ),
    Kind.COMMAND: (
        ("command", "TEXT", "what"),
        ("sender", "TEXT", "sender"),
        ("accepted", "INTEGER", "accepted"),
        ("refusal", "TEXT", "refusal"),
    ),
    Kind.CARTRIDGE: (
        ("name", "TEXT", "name"),
        ("treated_l", "REAL", "treated_l"),
        ("load_g", "REAL", "load_g"),
        ("sender", "TEXT", "sender"),
        ("exhausted", "INTEGER", "exhausted"),
        ("happened", "TEXT", "at_ms"),
    ),
    Kind.CALIBRATION: (
        ("cell", "TEXT", "cell"),
        ("cell_constant_per_cm", "REAL", "cell_constant_per_cm"),
        ("offset_us", "REAL", "offset_us"),
        ("standard_us_cm", "REAL", "standard_us_cm"),
        ("temperature_c", "REAL", "temperature_c"),
        ("uncertainty_percent", "REAL", "uncertainty_percent"),
        ("note", "TEXT", "note"),
    ),
    Kind.SAMPLE: (
        ("water", "TEXT", "of"),
        ("conductivity_25_us_cm", "REAL", "conductivity_25_us_cm"),
        ("dissolved_solids_ppm", "REAL", "dissolved_solids_ppm"),
        ("uncertainty_ppm", "REAL", "uncertainty_ppm"),
        ("factor", "REAL", "factor"),
        ("temperature_c", "REAL", "temperature_c"),
        ("method", "TEXT", "method"),
        ("verdict", "TEXT", "verdict"),
        ("note", "TEXT", "note"),
        ("happened", "TEXT", "at_ms"),
        ("meter", "TEXT", "meter"),
        ("meter_uncertainty_ppm", "REAL", "meter_uncertainty_ppm"),
        ("below_resolution", "INTEGER", "below_resolution"),
    ),
    Kind.LITRES: (
        ("what", "TEXT", "what"),
        ("volume_l", "REAL", "litres"),
        ("note", "TEXT", "note"),
        ("happened", "TEXT", "at_ms"),
    ),
    Kind.FILL: (
        ("started", "TEXT", "started_ms"),
        ("ended", "TEXT", "ended_ms"),
        ("volume_l", "REAL", "volume_l"),
        ("rinse_l", "REAL", "rinse_l"),
        ("mean_ppm", "REAL", "mean_ppm"),
        ("ended_by", "TEXT", "end"),
    ),
    Kind.FORECAST: (
        ("left_l", "REAL", "left_l"),
        ("left_low_l", "REAL", "left_low_l"),
        ("left_high_l", "REAL", "left_high_l"),
        ("left_days", "REAL", "left_days"),
        ("left_low_days", "REAL", "left_low_days"),
        ("left_high_days", "REAL", "left_high_days"),
        ("order_now", "INTEGER", "order_now"),
        ("cover_days", "REAL", "cover_days"),
        ("rests_on", "TEXT", "rests_on"),
    ),
    Kind.UNDO: (("kind", "TEXT", "kind"), ("undone", "TEXT", "undone_ms"), ("note", "TEXT", "note")),
}
"""The columns of each kind of entry: name, type, and field of the row. Fields that end in ``_ms`` are
stored as times."""


def tables() -> str:
    """Return the statements that create the tables of an empty log."""
    series = ", ".join(f"{column} REAL" for column, _ in SERIES_COLUMNS.values())
    small = ", ".join(
        f"{column}{part} INTEGER"
        for _, column in SERIES_COLUMNS.values()
        for part in ("", "_min", "_max", "_count")
    )
    made = [
        "CREATE TABLE reading (id INTEGER PRIMARY KEY, time TEXT NOT NULL, reservoir TEXT NOT NULL, "
        f"{series}, path TEXT NOT NULL, health TEXT NOT NULL, session INTEGER NOT NULL, "
        "sequence INTEGER NOT NULL)",
        "CREATE TABLE state (key TEXT PRIMARY KEY, version INTEGER NOT NULL, value TEXT NOT NULL, "
        "checksum INTEGER NOT NULL)",
    ]
    made += [
        f"CREATE TABLE {span} (time TEXT NOT NULL, reservoir TEXT NOT NULL, readings INTEGER NOT NULL, "
        f"health TEXT NOT NULL, {small}, PRIMARY KEY (time, reservoir)) WITHOUT ROWID"
        for span in ("minute", "hour")
    ]
    for kind in ENTRY_COLUMNS:
        made.append(entry_table(kind))
    return "; ".join(made) + ";"


def entry_table(kind: Kind) -> str:
    """Return the statement that creates the table of one kind of entry."""
    own = ", ".join(f"{name} {sort}" for name, sort, _ in ENTRY_COLUMNS[kind])
    return (
        f"CREATE TABLE {kind.value} (id INTEGER PRIMARY KEY, time TEXT NOT NULL, "
        f"reservoir TEXT NOT NULL, {own}, session INTEGER NOT NULL, sequence INTEGER NOT NULL)"
    )


_FIRST = (Series.PRODUCT_PPM, Series.UNCERTAINTY, Series.TEMPERATURE, Series.VOLUME)
"""The series that a view shows first. The others follow in their order."""


def views() -> str:
    """Return the statements that create the views."""
    order = [*_FIRST, *(one for one in Series if one not in _FIRST)]
    shown = ", ".join(SERIES_COLUMNS[one][0] for one in order)
    made = [f"CREATE VIEW v_reading AS SELECT time, reservoir, {shown}, path, health FROM reading"]
    parts = []
    for name, small in (SERIES_COLUMNS[one] for one in order):
        parts.append(f"{small} / 1000.0 AS {name}")
        parts += [f"coalesce({small}_{part}, {small}) / 1000.0 AS {name}_{part}" for part in ("min", "max")]
    made += [
        f"CREATE VIEW v_{span} AS SELECT time, reservoir, {', '.join(parts)}, readings, health FROM {span}"
        for span in ("minute", "hour")
    ]
    for kind, columns in ENTRY_COLUMNS.items():
        own = ", ".join(
            "coalesce(ended, time) AS ended" if (kind, name) == (Kind.FILL, "ended") else name
            for name, _, _ in columns
        )
        made.append(f"CREATE VIEW v_{kind.value} AS SELECT time, reservoir, {own} FROM {kind.value}")
    return "; ".join(made) + ";"


LAST_MS = 253_402_300_799_999
"""The end of the year 9999. A later time has no text in this format."""


def utc_text(utc_ms: int) -> str:
    """Format a time as ISO 8601 in UTC with milliseconds: ``2025-06-15T14:00:00.000Z``."""
    utc_ms = min(utc_ms, LAST_MS)
    moment = datetime.fromtimestamp(utc_ms // 1000, UTC)
    return f"{moment.isoformat()[:19]}.{utc_ms % 1000:03d}Z"


def span_text(start_ms: int) -> str:
    """Format the start of a minute or an hour: ``2025-06-15T14:00:00Z``."""
    start_ms = min(start_ms, LAST_MS)
    return f"{datetime.fromtimestamp(start_ms // 1000, UTC).isoformat()[:19]}Z"


def utc_ms_of(text: str) -> int:
    """Return a time of the file in UTC milliseconds."""
    moment = datetime.fromisoformat(text)
    return int(moment.timestamp()) * 1000 + moment.microsecond // 1000


def first_id(utc_ms: int) -> int:
    """Return the smallest id of a row with this time.

    An id is the milliseconds times 256, or the last id plus 1 if that is greater.
    """
    return utc_ms << 8


def entry(kind: Kind, stamp: Stamp, reservoir: str, given: Mapping[str, Any]) -> EntryRow:
    """Make an entry from plain values.

    Args:
        kind: the kind of entry.
        stamp: its stamp.
        reservoir: its reservoir.
        given: the values by the names of their fields.

    Raises:
        LogError: a value is missing or wrong.
    """
    row_class = CLASSES[kind]
    try:
        known = {f.name: _typed(f.name, given[f.name]) for f in fields(row_class) if f.name in given}
        if row_class is AlarmRow:
            known["alarm"] = alarm_from(known["alarm"])
            known["change"] = AlarmChange(known["change"])
        if row_class is LitresRow:
            known["what"] = Litres(known["what"])
        return row_class(stamp=stamp, reservoir=reservoir, **known)
    except (ValueError, TypeError, KeyError) as error:
        raise LogError(f"An entry of kind {kind.value!r} in the log cannot be read: {error}.") from error


def reading_from(stored: Sequence[Any]) -> tuple[int, ReadingRow]:
    """Make a reading from its columns. Returns it with its id."""
    key, time, name, path, health, session, sequence, *values = stored
    stamp = Stamp(session, sequence, utc_ms_of(time))
    return key, reading_of(stamp, name, values, _FLOW[path], HEALTH_BY_WORD[health])


def columns_of(kind: Kind) -> str:
    """Return the columns of a kind of entry, in the order in which :func:`entry_from` takes them."""
    return "".join(
        ["id, time, reservoir, session, sequence", *(f", {one}" for one, _, _ in ENTRY_COLUMNS[kind])]
    )


def entry_from(kind: Kind, stored: Sequence[Any]) -> tuple[int, EntryRow]:
    """Make an entry from its columns. Returns it with its id."""
    key, time, name, session, sequence, *values = stored
    given = dict(zip((field for _, _, field in ENTRY_COLUMNS[kind]), values, strict=True))
    return key, entry(kind, Stamp(session, sequence, utc_ms_of(time)), name, given)


def _typed(field: str, value: Any) -> Any:
    if value is not None and field in _BOOLEANS:
        return bool(value)
    return utc_ms_of(value) if field.endswith("_ms") and isinstance(value, str) else value


def plain_value(field: str, value: Any) -> Any:
    """Return the value that a column holds for the field of an entry."""
    if value is None:
        return None
    if isinstance(value, Enum):
        return value.value
    if field.endswith("_ms"):
        return utc_text(value)
    if isinstance(value, bool):
        return int(value)
    if not isinstance(value, str):
        return value
    # Text from outside can hold characters that UTF-8 cannot encode, or NUL, which ends a text in C.
    return value.encode("utf-8", "backslashreplace").decode().replace("\x00", "\\x00")


def rounded(value: float | None) -> float | None:
    """Return a number with the digits that the log keeps; None if it is not finite."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.7g}")


def cell_from(
    mean: int | None, least: int | None, greatest: int | None, count: int | None, readings: int
) -> Cell | None:
    """Make a cell from the columns of a minute or an hour, in thousandths, with the count of its readings."""
    if mean is None:
        return None
    return Cell(
        (mean if least is None else least) / 1000,
        mean / 1000,
        (mean if greatest is None else greatest) / 1000,
        readings if count is None else count,
    )
