"""Reads trends and fills from the log for the page. Shell.

The log is read in a thread, by one reader at a time, with a timeout. Results are cached for a few seconds, so
that many requests need one reading.
"""

import asyncio
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, TypeVar

from bridge.errors import LogError
from bridge.station.plan import StationIdentity
from bridge.units import DisplayUnits
from bridge.web import trend
from bridge.web.trend import Trend

if TYPE_CHECKING:
    from bridge.history.records import FillRow

T = TypeVar("T")
_Key = tuple[str, str, int]

CACHE_S = 10.0
CACHE_SIZE = 16
MOST_WAITING = 8
TIMEOUT_S = 15.0
FILLS = 10
FILL_WAITS_S = (0.75, 1.0, 2.0, 4.0, 8.0, 15.0, 15.0, 15.0, 15.0)
"""The delays between the attempts to read a fill that has just ended. It is on the disk within a second, or
later while the disk is in trouble."""
_DAY_MS = 86_400_000
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


class Records:
    """Reads the log for the page.

    Args:
        log: the log; None if there is none.
        units: the units of the page.
    """

    def __init__(self, log: str | None, units: DisplayUnits) -> None:
        self._log = None if log is None else Path(log)
        self._units = units
        self._one = asyncio.Semaphore(1)
        self._waiting = 0
        self._cache: dict[_Key, tuple[float, object]] = {}

    async def trend(self, identity: StationIdentity, hours: int) -> Trend:
        """Return the trend of the product over the last hours.

        Raises:
            LogError: the log cannot be read in time.
        """
        log = self._log
        if log is None:
            return trend.nothing(identity, self._units, trend.NO_LOG)
        return await self._once(
            ("trend", identity.reservoir, hours), lambda until: self._read_trend(log, identity, hours, until)
        )

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

    async def _fill_rows(self, log: Path, reservoir: str) -> "list[FillRow]":
        return await self._once(_fills_key(reservoir), lambda until: self._read_fills(log, reservoir, until))

    async def _once(self, key: _Key, read: Callable[[float], T]) -> T:
        if self._waiting >= MOST_WAITING:
            raise BusyError("The log is busy with other requests; try again in a moment.")
        self._waiting += 1
        try:
            async with self._one:
                at, kept = self._cache.get(key, (0.0, None))
                if kept is None or time.monotonic() - at >= CACHE_S:
                    kept = await asyncio.to_thread(read, time.monotonic() + TIMEOUT_S)
                    self._cache.pop(key, None)
                    if len(self._cache) >= CACHE_SIZE:
                        del self._cache[next(iter(self._cache))]
                    self._cache[key] = time.monotonic(), kept
                return kept  # type: ignore[return-value]
        finally:
            self._waiting -= 1

    def _read_trend(self, log: Path, identity: StationIdentity, hours: int, until: float) -> Trend:
        from bridge.history.reader import Reader

        end_ms = int(time.time() * 1000)
        start_ms = end_ms - hours * 3_600_000
        with Reader(log) as reader:
            if identity.reservoir not in reader.reservoirs():
                return trend.nothing(identity, self._units, "The log has no readings of this reservoir yet.")
            span = trend.span_ms(hours)
            buckets = reader.buckets(identity.reservoir, span, start_ms, end_ms + 1, _in_time(until))
            return trend.trend_of(buckets, hours, end_ms, identity, self._units)

    def _read_fills(self, log: Path, reservoir: str, until: float) -> "list[FillRow]":
        """Return the last fills, in order."""
        from bridge.history.reader import Reader
        from bridge.history.records import FillRow, Kind

        end_ms = int(time.time() * 1000) + 1
        rows: list[FillRow] = []
        with Reader(log) as reader:
            first_ms, _ = reader.span_ms()
            for days in _SEARCH_DAYS:
                start_ms = max(first_ms, end_ms - days * _DAY_MS)
                found = reader.events(start_ms, end_ms, kinds=[Kind.FILL], reservoir=reservoir)
                rows = [row for row in found if isinstance(row, FillRow)][-FILLS:]
                if len(rows) == FILLS or start_ms == first_ms:
                    break
                _in_time(until)(0.0)
        return rows

    def _shown(self, row: "FillRow") -> FillShown:
        from bridge.history.records import when_ms

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
    return "fills", reservoir, 0


def _in_time(until: float) -> Callable[[float], None]:
    def check(fraction: float) -> None:
        if time.monotonic() > until:
            raise LogError(f"The log could not be read within {TIMEOUT_S:.0f} s.")

    return check
