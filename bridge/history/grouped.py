"""Groups the minutes or hours of a log for a chart, in the database. Shell.

A chart of five years has some hundred points. SQLite makes them from the hours in a tenth of the time that
Python would need to read the rows.
"""

import sqlite3

from bridge.history.records import Cell, Series
from bridge.history.rollup import Group, Grouping
from bridge.history.store import SPAN_TABLES
from bridge.history.views import SERIES_COLUMNS, span_text

_THROUGH = SERIES_COLUMNS[Series.THROUGHPUT][1]
_THOUSANDTHS = 1000.0


def stored_groups(
    connection: sqlite3.Connection, reservoir: str, start_ms: int, end_ms: int, wanted: Grouping
) -> list[Group]:
    """Return the groups of the stored minutes or hours that start in a range, in order."""
    parts, columns = [], {"time", "readings"}
    for series in wanted.series:
        column = SERIES_COLUMNS[series][1]
        columns.update(f"{column}{end}" for end in ("", "_min", "_max", "_count"))
        only = " FILTER (WHERE flowed)" if series in wanted.flowing else ""
        count = f"iif({column} IS NULL, 0, coalesce({column}_count, readings))"
        parts.append(
            f", min(coalesce({column}_min, {column})){only}, sum({column} * {count}){only}, "
            f"max(coalesce({column}_max, {column})){only}, sum({count}){only}"
        )
    found = connection.execute(
        f"WITH raw AS (SELECT {', '.join(sorted(columns))}, "
        f"coalesce({_THROUGH}_max, {_THROUGH}) AS top, coalesce({_THROUGH}_min, {_THROUGH}) AS bottom, "
        f"lag(coalesce({_THROUGH}_max, {_THROUGH})) OVER (ORDER BY time) AS before "
        f"FROM {SPAN_TABLES[wanted.span_ms]} WHERE time >= ? AND time < ? AND reservoir = ?), "
        "flows AS (SELECT *, top IS NULL OR top > coalesce(before, bottom) OR top < before AS flowed "
        "FROM raw) "
        "SELECT (CAST(strftime('%s', time) AS INTEGER) * 1000 + ?) / ? AS number, "
        # The counter begins again with a new cartridge.
        "sum(iif(top < before, top - bottom, max(0, top - coalesce(before, bottom))))" + "".join(parts) + " "
        "FROM flows GROUP BY number ORDER BY number",
        (span_text(start_ms), span_text(end_ms), reservoir, wanted.offset_ms, wanted.width_ms),
    )
    return [
        Group(
            number * wanted.width_ms - wanted.offset_ms,
            tuple([_cell(*four) for four in zip(*[iter(cells)] * 4, strict=True)]),
            (through or 0.0) / _THOUSANDTHS,
        )
        for number, through, *cells in found
    ]


def _cell(least: float | None, total: float | None, greatest: float | None, count: int | None) -> Cell | None:
    if least is None or total is None or greatest is None or not count:
        return None
    mean = min(max(total / count, least), greatest)
    return Cell(least / _THOUSANDTHS, mean / _THOUSANDTHS, greatest / _THOUSANDTHS, count)
