"""Groups the minutes or hours of a log for a chart, in the database. Shell.

A chart of five years has some hundred points. SQLite makes them from the hours in a tenth of the time that
Python would need to read the rows.
"""

import math
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.history.records import Bucket, Cell, Series
from bridge.history.store import SPAN_TABLES
from bridge.history.views import SERIES_COLUMNS, span_text

_THROUGH = SERIES_COLUMNS[Series.THROUGHPUT][1]
_THOUSANDTHS = 1000.0


@dataclass(frozen=True, slots=True)
class Group:
    """Some following minutes or hours of one reservoir."""

    start_ms: int
    cells: tuple[Cell | None, ...]
    """One for each series that was asked for."""
    through_l: float
    """The product that was made in this time."""


@dataclass(frozen=True, slots=True)
class Grouping:
    """What to group.

    Args:
        span_ms: the minutes or the hours of the log.
        width_ms: the length of a group.
        offset_ms: added to the time of a row before it is grouped, such as the offset of a time zone.
        series: the series that are wanted.
        flowing: those of them that count only in the minutes or hours in which product was made.
    """

    span_ms: int
    width_ms: int
    series: tuple[Series, ...] = ()
    flowing: frozenset[Series] = frozenset()
    offset_ms: int = 0


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
        # After a new cartridge the counter begins again at 0.
        "sum(iif(top < before, top, max(0, top - coalesce(before, bottom))))" + "".join(parts) + " "
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


def groups_of(buckets: Iterable[Bucket], wanted: Grouping, before_l: float | None = None) -> list[Group]:
    """Group buckets by the same rule as :func:`stored_groups`.

    Args:
        buckets: in order.
        wanted: what to group.
        before_l: the counter of the product before the first one; None if it is not known.
    """
    groups: list[Group] = []
    for bucket in buckets:
        through = bucket.cells[Series.THROUGHPUT]
        made_l, flowed = 0.0, True
        if through is not None:
            begin_l = through.least if before_l is None else before_l
            began_again = through.greatest < begin_l
            made_l = through.greatest if began_again else through.greatest - begin_l
            flowed = began_again or made_l > 0.0
        before_l = None if through is None else through.greatest
        number = (bucket.start_ms + wanted.offset_ms) // wanted.width_ms
        cells = tuple(
            [
                bucket.cells[series] if flowed or series not in wanted.flowing else None
                for series in wanted.series
            ]
        )
        groups.append(Group(number * wanted.width_ms - wanted.offset_ms, cells, made_l))
    return joined(groups)


def joined(groups: Sequence[Group]) -> list[Group]:
    """Join following groups that have the same start."""
    made: list[Group] = []
    for group in groups:
        if made and made[-1].start_ms == group.start_ms:
            last = made.pop()
            cells = tuple([_join(one, other) for one, other in zip(last.cells, group.cells, strict=True)])
            group = Group(group.start_ms, cells, math.fsum((last.through_l, group.through_l)))
        made.append(group)
    return made


def _join(one: Cell | None, other: Cell | None) -> Cell | None:
    if one is None or other is None:
        return one or other
    count = one.count + other.count
    mean = (one.mean * one.count + other.mean * other.count) / count
    return Cell(min(one.least, other.least), mean, max(one.greatest, other.greatest), count)
