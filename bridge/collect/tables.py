"""The tables and the views of the database, as SQL text for PostgreSQL and for SQLite. Core.

The views are the public face of the database; ``bridge/manual/collect.md`` documents them. Their columns are
those of the views of a bridge's own log, with the bridge as a further column.

==============  =============================================  ========================================
what            PostgreSQL                                     SQLite
==============  =============================================  ========================================
a time          ``timestamptz``                                ISO 8601 text in UTC, as in a bridge's log
yes or no       0 or 1, ``smallint``                           0 or 1
==============  =============================================  ========================================
"""

from collections.abc import Iterator
from dataclasses import dataclass

from bridge.collect.rows import READING
from bridge.history.records import Kind, Series
from bridge.history.senml import entry_facts
from bridge.history.views import ENTRY_COLUMNS, SERIES_COLUMNS
from bridge.water.health import Health

LAYOUT = 1


@dataclass(frozen=True, slots=True)
class Dialect:
    """What differs between the two kinds of SQL."""

    time_type: str
    real_type: str
    number: str
    """The type and the default of a number that the database assigns."""
    minute: str
    """The begin of the minute of ``record.time``."""
    hour: str
    moment: str
    """The time from seconds since 1970, which stand in the place of ``{}``."""


POSTGRESQL = Dialect(
    "timestamptz",
    "double precision",
    "integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY",
    "date_trunc('minute', record.time, 'UTC')",
    "date_trunc('hour', record.time, 'UTC')",
    "to_timestamp({})",
)
SQLITE = Dialect(
    "TEXT",
    "REAL",
    "INTEGER PRIMARY KEY",
    "substr(record.time, 1, 16) || ':00Z'",
    "substr(record.time, 1, 13) || ':00:00Z'",
    "strftime('%Y-%m-%dT%H:%M:%fZ', {}, 'unixepoch')",
)


def tables(dialect: Dialect) -> Iterator[str]:
    """Return the statements that create the tables of an empty database."""
    yield (
        f"CREATE TABLE series (id {dialect.number}, bridge TEXT NOT NULL, reservoir TEXT NOT NULL, "
        "name TEXT NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL, field TEXT NOT NULL, "
        "unit TEXT NOT NULL, UNIQUE (bridge, reservoir, name, unit))"
    )
    # The series stands for bridge, reservoir and name, so that a row of five years costs few bytes.
    yield (
        f"CREATE TABLE record (series integer NOT NULL REFERENCES series (id), "
        f"time {dialect.time_type} NOT NULL, value {dialect.real_type}, text TEXT, flag smallint, "
        "PRIMARY KEY (series, time))"
    )
    yield "CREATE TABLE position (bridge TEXT PRIMARY KEY, last bigint NOT NULL)"
    yield "CREATE TABLE layout (version integer NOT NULL)"


def views(dialect: Dialect) -> Iterator[str]:
    """Return the statements that create the views."""
    yield (
        "CREATE VIEW v_record AS SELECT record.time, series.bridge, series.reservoir, series.name, "
        "series.unit, record.value, record.text, record.flag FROM record "
        "JOIN series ON series.id = record.series"
    )
    yield _readings()
    yield _roll_up("minute", dialect.minute)
    yield _roll_up("hour", dialect.hour)
    for kind in ENTRY_COLUMNS:
        yield _entries(kind, dialect)


def view_names() -> list[str]:
    """Return the names of all views."""
    return ["v_record", "v_reading", "v_minute", "v_hour", *(f"v_{kind.value}" for kind in ENTRY_COLUMNS)]


_FROM = "FROM record JOIN series ON series.id = record.series"


def _field(field: str, column: str) -> str:
    """Return the value of one field where the records of several fields are grouped into one row."""
    return f"CASE WHEN series.field = '{field}' THEN record.{column} END"


def _number(field: str, scale: float) -> str:
    back = f"* {round(1.0 / scale)}" if scale < 1.0 else f"/ {round(scale)}"
    value = f"CASE WHEN series.field = '{field}' THEN record.value {back} END"
    return value if scale != 1.0 else _field(field, "value")


def _readings() -> str:
    columns = [
        f"max({_number(one.facts.senml_name, one.facts.senml_scale)}) AS {SERIES_COLUMNS[one][0]}"
        for one in Series
    ]
    columns += [f"max({_field(name, 'text')}) AS {name}" for name in ("path", "health")]
    return (
        f"CREATE VIEW v_reading AS SELECT record.time, series.bridge, series.reservoir, "
        f"{', '.join(columns)} {_FROM} WHERE series.kind = '{READING}' "
        "GROUP BY record.time, series.bridge, series.reservoir"
    )


def _roll_up(span: str, start: str) -> str:
    columns = []
    for one in Series:
        name, number = SERIES_COLUMNS[one][0], _number(one.facts.senml_name, one.facts.senml_scale)
        columns += [
            f"avg({number}) AS {name}",
            f"min({number}) AS {name}_min",
            f"max({number}) AS {name}_max",
        ]
    rank = " ".join(f"WHEN '{one.word}' THEN {one.value}" for one in Health)
    words = " ".join(f"WHEN {one.value} THEN '{one.word}'" for one in Health)
    worst = f"max(CASE WHEN series.field = 'health' THEN CASE record.text {rank} END END)"
    return (
        f"CREATE VIEW v_{span} AS SELECT {start} AS time, series.bridge, series.reservoir, "
        f"{', '.join(columns)}, count(DISTINCT record.time) AS readings, CASE {worst} {words} END AS health "
        f"{_FROM} WHERE series.kind = '{READING}' GROUP BY {start}, series.bridge, series.reservoir"
    )


def _entries(kind: Kind, dialect: Dialect) -> str:
    columns = [_entry_column(kind, *one, dialect) for one in ENTRY_COLUMNS[kind]]
    return (
        f"CREATE VIEW v_{kind.value} AS SELECT record.time, series.bridge, series.reservoir, "
        f"{', '.join(columns)} {_FROM} WHERE series.kind = '{kind.value}' "
        "GROUP BY record.time, series.bridge, series.reservoir, series.subject"
    )


def _entry_column(kind: Kind, column: str, sort: str, field: str, dialect: Dialect) -> str:
    if field == kind.value and kind in (Kind.ALARM, Kind.EVENT):
        return f"series.subject AS {column}"
    name, _, scale = entry_facts(field)
    if field.endswith("_ms"):
        moment = dialect.moment.format(f"max({_field(name, 'value')})")
        return f"coalesce({moment}, record.time) AS ended" if column == "ended" else f"{moment} AS {column}"
    if sort == "INTEGER":
        return f"max({_field(name, 'flag')}) AS {column}"
    if sort == "TEXT":
        return f"max({_field(name, 'text')}) AS {column}"
    return f"max({_number(name, scale)}) AS {column}"
