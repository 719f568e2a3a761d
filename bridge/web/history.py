"""Reads the history from the log for the page. Shell.

The log is read in a thread, by one reader at a time, with a timeout. Results are cached for a few seconds, so
that many requests need one reading.
"""

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from io import StringIO
from pathlib import Path
from typing import TypedDict, TypeVar

from bridge.errors import LogError
from bridge.history.records import AlarmChange, AlarmRow, CartridgeRow, FillRow, Kind, when_ms
from bridge.history.rollup import DAY_MS
from bridge.station.plan import StationIdentity
from bridge.units import DisplayUnits
from bridge.web.course import (
    FILL_GROUPING,
    MINUTES_UP_TO_MS,
    MOST_FILLS,
    NO_LOG,
    Compared,
    Course,
    Span,
    by_day,
    compared,
    course_of,
    grouping,
    uses,
)
from bridge.web.entries import READ, Entry, Filter, entries_of

T = TypeVar("T")
_Key = tuple[str, str, int, int]

CACHE_S = 10.0
CACHE_SIZE = 16
MOST_WAITING = 8
TIMEOUT_S = 15.0
FILLS = 10
MOST_ENTRIES = 200
SEARCHED_ENTRIES = 2000
"""Of each kind; so the work does not grow with the log."""
FILL_WAITS_S = (0.75, 1.0, 2.0, 4.0, 8.0, 15.0, 15.0, 15.0, 15.0)
"""The delays between the attempts to read a fill that has just ended. It is on the disk within a second, or
later while the disk is in trouble."""
_SEARCH_DAYS = (7, 60, 730, 36_600)
"""How far back the last fills are searched, in steps, so that the usual case reads few rows."""


class FillShown(TypedDict):
    """One fill that ended, as the page shows it."""

    began: str
    ended: str
    volume: str | None
    minutes: int
    ended_by: str


class BusyError(LogError):
    """Too many requests wait for the log."""


class Queue:
    """Lets one request at a time use the log.

    Args:
        most_waiting: how many requests may wait, that one included.
    """

    def __init__(self, most_waiting: int) -> None:
        self._most_waiting = most_waiting
        self._one = asyncio.Lock()
        self._waiting = 0

    @asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        """Wait for the turn of a request.

        Raises:
            BusyError: too many requests wait.
        """
        if self._waiting >= self._most_waiting:
            raise BusyError("The log is busy with other requests; try again in a moment.")
        self._waiting += 1
        try:
            async with self._one:
                yield
        finally:
            self._waiting -= 1


class Records:
    """Reads the log for the page.

    Args:
        log: the log; None if there is none.
        units: the units of the page.
    """

    def __init__(self, log: str | None, units: DisplayUnits) -> None:
        self._log = None if log is None else Path(log)
        self._units = units
        self._queue = Queue(MOST_WAITING)
        self._cache: dict[_Key, tuple[float, object]] = {}

    async def course(self, identity: StationIdentity, span: Span) -> Course:
        """Return the course of a reservoir over a span.

        Raises:
            LogError: the log cannot be read in time.
        """
        log = self._log
        if log is None:
            return self._nothing(identity, span, NO_LOG)
        return await self._once(
            ("course", identity.reservoir, span.start_ms, span.end_ms),
            lambda until: self._read_course(log, identity, span),
        )

    async def entries(self, identity: StationIdentity, span: Span, kinds: frozenset[Filter]) -> list[Entry]:
        """Return the newest entries of these kinds in a span, the newest first, at most :data:`MOST_ENTRIES`.

        Raises:
            LogError: the log cannot be read in time.
        """
        log = self._log
        if log is None:
            return []
        names = ",".join(sorted(kind.value for kind in kinds))
        return await self._once(
            (f"entries {names}", identity.reservoir, span.start_ms, span.end_ms),
            lambda until: self._read_entries(log, identity, span, kinds),
        )

    async def cartridges(self, identity: StationIdentity) -> Compared:
        """Return the last cartridges of a reservoir, compared on the litres that they made.

        Raises:
            LogError: the log cannot be read in time.
        """
        log = self._log
        if log is None:
            return compared((), identity, self._units)
        return await self._once(
            ("cartridges", identity.reservoir, 0, 0),
            lambda until: self._read_cartridges(log, identity, until),
        )

    async def csv(self, identity: StationIdentity, span: Span) -> str:
        """Return the minutes of a span as CSV, or its hours if it is long.

        Raises:
            LogError: the log cannot be read in time.
        """
        log = self._log
        if log is None:
            raise LogError(NO_LOG)
        return await self._once(
            ("csv", identity.reservoir, span.start_ms, span.end_ms),
            lambda until: _read_csv(log, identity.reservoir, span, until),
            keeps=False,
        )

    async def raised_ms(self, reservoir: str) -> dict[str, int]:
        """Return when each alarm was last raised, UTC, by its id. Empty if nothing is known.

        Raises:
            LogError: the log cannot be read in time.
        """
        log = self._log
        if log is None:
            return {}
        return await self._once(("raised", reservoir, 0, 0), lambda until: _read_raised(log, reservoir))

    async def fills(self, identity: StationIdentity) -> list[FillShown]:
        """Return the last fills, the newest first; none if there is no log.

        Raises:
            LogError: the log cannot be read in time.
        """
        log = self._log
        if log is None:
            return []
        rows = await self._fill_rows(log, identity.reservoir)
        return [self._shown(row) for row in reversed(rows)]

    async def fill_ended(self, identity: StationIdentity, since_ms: int) -> bool:
        """Wait until the log has a fill that ended at this time or later.

        Args:
            identity: the reservoir.
            since_ms: the time, UTC.

        Returns:
            False if there is no such fill after the last attempt.
        """
        log = self._log
        if log is None:
            return False
        for wait_s in FILL_WAITS_S:
            await asyncio.sleep(wait_s)
            # Another request, or trouble with the log, can be over at the next attempt.
            with suppress(LogError):
                self._cache.pop(_fills_key(identity.reservoir), None)
                rows = await self._fill_rows(log, identity.reservoir)
                if rows and rows[-1].stamp.utc_ms >= since_ms:
                    return True
        return False

    async def _fill_rows(self, log: Path, reservoir: str) -> list[FillRow]:
        return await self._once(_fills_key(reservoir), lambda until: self._read_fills(log, reservoir, until))

    async def _once(self, key: _Key, read: Callable[[float], T], *, keeps: bool = True) -> T:
        async with self._queue.turn():
            at, kept = self._cache.get(key, (0.0, None))
            if kept is None or time.monotonic() - at >= CACHE_S:
                kept = await asyncio.to_thread(read, time.monotonic() + TIMEOUT_S)
                if not keeps:
                    return kept  # type: ignore[return-value]
                self._cache.pop(key, None)
                if len(self._cache) >= CACHE_SIZE:
                    del self._cache[next(iter(self._cache))]
                self._cache[key] = time.monotonic(), kept
            return kept  # type: ignore[return-value]

    async def began_ms(self) -> int | None:
        """Return the first time in the log, UTC; None if there is none.

        Raises:
            LogError: the log cannot be read in time.
        """
        log = self._log
        if log is None:
            return None
        return await self._once(("began", "", 0, 0), lambda until: _read_began(log)) or None

    def _nothing(self, identity: StationIdentity, span: Span, sentence: str) -> Course:
        now_ms = int(time.time() * 1000)
        course = course_of(span, now_ms, now_ms, (), (), identity, self._units)
        course["sentence"] = sentence
        return course

    def _read_course(self, log: Path, identity: StationIdentity, span: Span) -> Course:
        from bridge.history.reader import Reader

        now_ms = int(time.time() * 1000)
        offset = self._units.local(span.end_ms / 1000.0).utcoffset()
        days = by_day(span, 0 if offset is None else int(offset.total_seconds() * 1000))
        first_day_ms = (span.start_ms + days.offset_ms) // days.width_ms * days.width_ms - days.offset_ms
        with Reader(log) as reader:
            if identity.reservoir not in reader.reservoirs():
                return self._nothing(identity, span, "The log has no readings of this reservoir yet.")
            groups = reader.groups(identity.reservoir, span.start_ms, span.end_ms, grouping(span))
            a_day = reader.groups(identity.reservoir, first_day_ms, span.end_ms, days)
            first_ms, _ = reader.span_ms()
            rows = reader.events(span.start_ms, span.end_ms, kinds=[Kind.FILL], reservoir=identity.reservoir)
            fills = [row for row in rows if isinstance(row, FillRow)]
            # More than that would be drawn over each other; the band shows the same.
            ranges = [
                (row, reader.groups(identity.reservoir, row.started_ms, when_ms(row), FILL_GROUPING))
                for row in (fills if len(fills) <= MOST_FILLS else ())
            ]
        return course_of(span, first_ms, now_ms, groups, a_day, identity, self._units, ranges)

    def _read_cartridges(self, log: Path, identity: StationIdentity, until: float) -> Compared:
        from bridge.history.reader import Reader

        now_ms = int(time.time() * 1000)
        found = []
        with Reader(log) as reader:
            if identity.reservoir in reader.reservoirs():
                rows = reader.earlier(now_ms + 1, [Kind.CARTRIDGE], identity.reservoir, SEARCHED_ENTRIES)
                changes = [row for row in rows if isinstance(row, CartridgeRow)]
                for use in uses(changes, reader.span_ms()[0], now_ms):
                    _in_time(until)(0.0)
                    groups = reader.groups(identity.reservoir, use.start_ms, use.end_ms, use.grouping())
                    found.append((use, groups))
        return compared(found, identity, self._units)

    def _read_entries(
        self, log: Path, identity: StationIdentity, span: Span, kinds: frozenset[Filter]
    ) -> list[Entry]:
        from bridge.history.reader import Reader

        tables = {table for kind in kinds for table in READ[kind]}
        with Reader(log) as reader:
            rows = reader.earlier(span.end_ms, tables, identity.reservoir, SEARCHED_ENTRIES)
        inside = [row for row in rows if span.start_ms <= when_ms(row) < span.end_ms]
        return entries_of(inside, kinds, self._units)[:MOST_ENTRIES]

    def _read_fills(self, log: Path, reservoir: str, until: float) -> list[FillRow]:
        """Return the last fills, in order."""
        from bridge.history.reader import Reader

        end_ms = int(time.time() * 1000) + 1
        rows: list[FillRow] = []
        with Reader(log) as reader:
            first_ms, _ = reader.span_ms()
            for days in _SEARCH_DAYS:
                start_ms = max(first_ms, end_ms - days * DAY_MS)
                found = reader.events(start_ms, end_ms, kinds=[Kind.FILL], reservoir=reservoir)
                rows = [row for row in found if isinstance(row, FillRow)][-FILLS:]
                if len(rows) == FILLS or start_ms == first_ms:
                    break
                _in_time(until)(0.0)
        return rows

    def _shown(self, row: FillRow) -> FillShown:
        ended_ms = when_ms(row)
        began, ended = (self._units.local(ms / 1000.0) for ms in (row.started_ms, ended_ms))
        return FillShown(
            began=began.strftime("%Y-%m-%d %H:%M"),
            ended=ended.strftime("%Y-%m-%d %H:%M"),
            volume=None if row.volume_l is None else self._units.litres(row.volume_l).text,
            minutes=round((ended_ms - row.started_ms) / 60_000),
            ended_by=row.end,
        )


def _fills_key(reservoir: str) -> _Key:
    return "fills", reservoir, 0, 0


def _read_csv(log: Path, reservoir: str, span: Span, until: float) -> str:
    from bridge.history.export import Grain, Wanted, export_csv
    from bridge.history.reader import Reader

    grain = Grain.MINUTE if span.length_ms <= MINUTES_UP_TO_MS else Grain.HOUR
    out = StringIO()
    with Reader(log) as reader:
        export_csv(reader, out, Wanted(span.start_ms, span.end_ms, grain, (reservoir,)), _in_time(until))
    return out.getvalue()


def _read_began(log: Path) -> int:
    from bridge.history.reader import Reader

    with Reader(log) as reader:
        return reader.span_ms()[0]


def _read_raised(log: Path, reservoir: str) -> dict[str, int]:
    from bridge.history.reader import Reader

    with Reader(log) as reader:
        rows = reader.earlier(int(time.time() * 1000) + 1, [Kind.ALARM], reservoir, SEARCHED_ENTRIES)
    return {
        row.alarm.value: row.stamp.utc_ms
        for row in rows
        if isinstance(row, AlarmRow) and row.change is AlarmChange.RAISED
    }


def _in_time(until: float) -> Callable[[float], None]:
    def check(fraction: float) -> None:
        if time.monotonic() > until:
            raise LogError(f"The log could not be read within {TIMEOUT_S:.0f} s.")

    return check
