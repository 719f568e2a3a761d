"""The database's tables and views as SQL text, and the typed rows that a SenML pack becomes. Core.

A SenML name such as ``garden/barrel/alarm/overflow/change`` becomes a :class:`Series`: the bridge, the
reservoir, and a name that is divided into kind, subject and field. Bridge, series and time identify a row.

The views are the public face of the database; ``bridge/manual/collect.md`` documents them. Their columns are
those of the views of a bridge's own log, with the bridge as a further column.

==============  =============================================  ========================================
what            PostgreSQL                                     SQLite
==============  =============================================  ========================================
a time          ``timestamptz``                                ISO 8601 text in UTC, as in a bridge's log
yes or no       0 or 1, ``smallint``                           0 or 1
==============  =============================================  ========================================
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from bridge.errors import InputError
from bridge.history import records, senml
from bridge.history.records import Kind
from bridge.history.records import Series as Quantity
from bridge.history.senml import entry_facts
from bridge.history.views import ENTRY_COLUMNS, LAST_MS, SERIES_COLUMNS
from bridge.water.health import Health

READING = "reading"
"""The kind of every series that belongs to a reading: the measured values, the path and the health."""
OTHER = "other"
"""The kind of a series that this version does not know."""
WHOLE_BRIDGE = "bridge"
"""Stands in a SenML name for the reservoir if the row concerns the whole bridge."""
_KINDS = frozenset(kind.value for kind in Kind)
_READING_NAMES = frozenset({"path", "health", *(one.facts.senml_name for one in Quantity)})
_WITH_SUBJECT = frozenset({Kind.ALARM.value, Kind.EVENT.value})
_SURROGATE = re.compile(r"[\ud800-\udfff]")
"""A lone surrogate, which JSON can escape and UTF-8 cannot encode."""
_ROW_ID = re.compile(r"[0-9]{1,18}", re.ASCII)
_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*", re.ASCII)


@dataclass(frozen=True, slots=True)
class Series:
    """One value of one reservoir over time."""

    bridge: str
    reservoir: str
    """Empty for the whole bridge."""
    name: str
    """The SenML name after bridge and reservoir."""
    unit: str
    """The SenML unit; empty if there is none."""

    @property
    def kind(self) -> str:
        """``reading``, the value of a :class:`bridge.history.records.Kind`, or ``other``."""
        first, _, rest = self.name.partition("/")
        if first in _KINDS and (first not in _WITH_SUBJECT or "/" in rest):
            return first
        return READING if self.name in _READING_NAMES else OTHER

    @property
    def subject(self) -> str:
        """The id of the alarm or of the event; empty for other kinds."""
        return self.name.split("/")[1] if self.kind in _WITH_SUBJECT else ""

    @property
    def field(self) -> str:
        """The name without kind and subject."""
        if self.kind in (READING, OTHER):
            return self.name
        return "/".join(self.name.split("/")[2 if self.kind in _WITH_SUBJECT else 1 :])


@dataclass(frozen=True, slots=True)
class Row:
    """One value at one time."""

    series: Series
    time_ms: int
    """Milliseconds since 1970, UTC."""
    value: float | None = None
    text: str | None = None
    flag: bool | None = None

    @property
    def time(self) -> datetime:
        """The time with its zone, UTC."""
        return datetime.fromtimestamp(self.time_ms // 1000, UTC).replace(
            microsecond=self.time_ms % 1000 * 1000
        )


def topic_filter(root: str) -> str:
    """Return the MQTT topic filter of the records of all bridges.

    Raises:
        InputError: The root is not the beginning of a topic.
    """
    if not root or set(root) & set("+#$\0") or not root.isprintable() or root != root.strip("/"):
        raise InputError(
            f"--topic-root {root!r} is not the beginning of a topic; use words without '+', '#' and '$', "
            "such as 'clearwell'"
        )
    return f"{root}/+/records"


def bridge_of(topic: str, root: str) -> str:
    """Return the id of the bridge that sends on a topic.

    Raises:
        InputError: This is no topic of records.
    """
    ident = topic.removeprefix(f"{root}/").removesuffix("/records")
    if f"{root}/{ident}/records" != topic or not _ID.fullmatch(ident):
        raise InputError(f"The topic {topic!r} is not one of a bridge's records.")
    return ident


@dataclass(frozen=True, slots=True)
class Span:
    """The rows of a bridge's log that a message covers, by their ids."""

    after: int
    """The id of the last row of the message before it."""
    last: int


def span_of(properties: Mapping[str, str]) -> Span | None:
    """Read from the user properties which rows a message covers; None without them, as on MQTT 3.1.1."""
    after, last = properties.get("after", ""), properties.get("last", "")
    if _ROW_ID.fullmatch(after) and _ROW_ID.fullmatch(last):
        return Span(int(after), int(last))
    return None


def advanced(position: int, span: Span) -> int | None:
    """Return the position after a message.

    Args:
        position: The id up to which every row is stored; 0 at first.
        span: The rows that the message covers.

    Returns:
        The new position; None if rows between the position and the message are missing.
    """
    return max(position, span.last) if span.after <= position else None


def again_topic(bridge: str, root: str) -> str:
    """Return the topic on which a bridge is asked to send its rows after a position again."""
    return f"{root}/{bridge}/records/again"


def rows_of(bridge: str, payload: bytes) -> list[Row]:
    """Turn a pack into rows, in the order of time.

    Args:
        bridge: The bridge that sent the pack.
        payload: The pack.

    Raises:
        InputError: The pack breaks a rule of RFC 8428, or is not a pack of this bridge's records.
    """
    try:
        records = senml.parse(payload.decode("utf-8"))
    except (UnicodeDecodeError, RecursionError, OverflowError) as error:
        raise InputError(f"This is not a SenML pack: {error}.") from error
    return [_row(record, bridge) for record in records]


def _row(record: senml.SenmlRecord, bridge: str) -> Row:
    first, _, rest = record.name.partition("/")
    reservoir, _, name = rest.partition("/")
    if first != bridge:
        raise InputError(f"The record {record.name!r} is not one of the bridge {bridge!r}.")
    series = Series(bridge, "" if reservoir == WHOLE_BRIDGE else reservoir, name, record.unit or "")
    if not reservoir or not name or not series.field:
        raise InputError(
            f"The record name {record.name!r} has too few parts; BRIDGE/RESERVOIR/NAME is right."
        )
    time_ms = round(record.time_s * 1000)
    if not senml.RELATIVE_BELOW_S * 1000 <= time_ms <= LAST_MS:
        raise InputError(f"The record {record.name!r} has the time {record.time_s:g} s, which is no date.")
    if any("\0" in text or _SURROGATE.search(text) for text in (record.text or "", series.unit)):
        raise InputError(f"The record {record.name!r} has a text that a database cannot store.")
    if record.value is None and record.text is None and record.flag is None:
        raise InputError(f"The record {record.name!r} has neither a number, nor a text, nor a flag.")
    return Row(series, time_ms, record.value, record.text, record.flag)


LAYOUT = 1


@dataclass(frozen=True, slots=True)
class Dialect:
    """What differs between the two kinds of SQL."""

    time_type: str
    real_type: str
    number: str
    """The column of an id that the database assigns."""
    minute: str
    """The start of the minute of ``record.time``."""
    hour: str
    moment: str
    """An expression that makes a time of seconds since 1970; ``{}`` stands for the seconds."""


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


_FROM = "FROM record JOIN series ON series.id = record.series"


def _field(field: str, column: str) -> str:
    """Return the expression that takes one field out of the records of a group."""
    return f"CASE WHEN series.field = '{field}' THEN record.{column} END"


def _number(field: str, scale: float) -> str:
    back = f"* {round(1.0 / scale)}" if scale < 1.0 else f"/ {round(scale)}"
    value = f"CASE WHEN series.field = '{field}' THEN record.value {back} END"
    return value if scale != 1.0 else _field(field, "value")


def _readings() -> str:
    columns = [
        f"max({_number(one.facts.senml_name, one.facts.senml_scale)}) AS {SERIES_COLUMNS[one][0]}"
        for one in records.Series
    ]
    columns += [f"max({_field(name, 'text')}) AS {name}" for name in ("path", "health")]
    return (
        f"CREATE VIEW v_reading AS SELECT record.time, series.bridge, series.reservoir, "
        f"{', '.join(columns)} {_FROM} WHERE series.kind = '{READING}' "
        "GROUP BY record.time, series.bridge, series.reservoir"
    )


def _roll_up(span: str, start: str) -> str:
    columns = []
    for one in records.Series:
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
