"""Entries that the page writes into the log: ticks of the watering round, and samples taken back. Shell.

One entry is written at a time, so that a tick that arrives twice at once is entered once.
"""

import asyncio
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, TypeVar

from bridge.daemon.page_lines import unpacked
from bridge.errors import InputError, LogError
from bridge.history.entries import UNDONE_KINDS, judged, last_entries, lines, makers, sample_row
from bridge.history.records import Kind, LitresRow, SampleRow, UndoRow, when_ms
from bridge.history.rollup import HOUR_MS
from bridge.station.plan import StationIdentity
from bridge.units import DisplayUnits, SolidsUnit
from bridge.water.meter import USUAL_CONDUCTIVITY_METER, USUAL_METER, read
from bridge.web.course import NO_LOG
from bridge.web.history import CACHE_S, Queue
from bridge.web.round import FILL, FLUSH, KIND_OF, SAMPLE, Done, RoundShown, Tick, shown_round, words_of

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan
    from bridge.watering.gather import Found

T = TypeVar("T")
MOST_WAITING = 16
NO_TRAYS = "There are no trays; add a table [tray.ID] for each to the configuration."
TICK = "tick "
"""The beginning of the note of an entry that a tick made."""


class SampleShown(TypedDict):
    """The last sample of a reservoir."""

    entered: int | None
    """The time of its entry, UTC milliseconds, which identifies it; None if there is none."""
    words: str


class ByHand:
    """Reads the round, and writes entries.

    Args:
        log: the log; None if there is none.
        garden: the trays and their waters, packed; empty if there are no trays.
        units: the units of the page.
    """

    def __init__(self, log: str | None, garden: str, units: DisplayUnits) -> None:
        self._log = None if log is None else Path(log)
        self._garden = garden
        self._units = units
        self._plan: BridgePlan | None = None
        self._reading: asyncio.Task[RoundShown] | None = None
        """The reading of the round that began after the last entry."""
        self._read_at = 0.0
        self._queue = Queue(MOST_WAITING)

    @property
    def has_round(self) -> bool:
        """Whether there are trays, and a log for what they get."""
        return bool(self._garden) and self._log is not None

    async def round(self) -> RoundShown:
        """Return today's round.

        Raises:
            LogError: the log cannot be read, or there are no trays.
        """
        now = time.monotonic()
        # Many browsers ask at once when the bridge comes back; one reading is enough for all.
        if self._reading is None or now - self._read_at >= CACHE_S:
            self._read_at = now
            self._reading = asyncio.create_task(self._alone(self._read_round))
        return await asyncio.shield(self._reading)

    async def tick(self, tick: Tick) -> str:
        """Enter what a tray got, once; return a sentence.

        Raises:
            InputError: there is no such tray.
            LogError: the log cannot be written.
        """
        return await self._entering(partial(self._enter, tick))

    async def untick(self, tick: Tick) -> str:
        """Take a tick back; return a sentence.

        Raises:
            LogError: the log cannot be written.
        """
        return await self._entering(partial(self._untick, tick))

    async def last_sample(self, identity: StationIdentity) -> SampleShown:
        """Return the last sample of a reservoir that counts.

        Raises:
            LogError: the log cannot be read.
        """
        return await self._alone(partial(self._last_sample, identity.reservoir))

    async def take_back(self, identity: StationIdentity, entered_ms: int) -> str:
        """Take the last sample of a reservoir back; return a sentence.

        Args:
            identity: the reservoir.
            entered_ms: the time of its entry, so that no newer sample is taken back by mistake.

        Raises:
            InputError: it is not the last sample that counts.
            LogError: the log cannot be written.
        """
        return await self._alone(partial(self._take_back, identity.reservoir, entered_ms))

    async def _entering(self, enter: Callable[[], str]) -> str:
        try:
            return await self._alone(enter)
        finally:
            # A list that was read before the entry lacks it.
            self._reading = None

    async def _alone(self, work: Callable[[], T]) -> T:
        async with self._queue.turn():
            # A browser that leaves must not let the next entry begin before this one has ended.
            return await asyncio.shield(asyncio.to_thread(work))

    # --- in a thread --------------------------------------------------------------------------------

    def _place(self) -> "tuple[BridgePlan, Path]":
        if self._log is None:
            raise LogError(NO_LOG)
        if not self._garden:
            raise LogError(NO_TRAYS)
        if self._plan is None:
            self._plan = unpacked(self._garden)
        return self._plan, self._log

    def _read_round(self) -> RoundShown:
        from bridge.trays.seasons import FROST_SENTENCES, Frost
        from bridge.watering.gather import gather
        from bridge.watering.weather import day_of, zone_of

        plan, log = self._place()
        today = day_of(int(time.time() * 1000), zone_of(plan))
        found = gather(plan, log, today)
        advice = []
        if found.away is not None:
            advice.append(
                f"Before the absence from {found.away.first} to {found.away.last}: fill towards the rim."
            )
        if found.frost is not Frost.NONE:
            advice.append(f"Frost: {FROST_SENTENCES[found.frost]}")
        return shown_round(
            found.round,
            self._done(plan, found),
            self._units,
            factors=plan.factors,
            compared=found.unexplained,
            assumed=found.assumed,
            knows_weather=found.weather_days > 0,
            advice=advice,
        )

    def _done(self, plan: "BridgePlan", found: "Found") -> list[Done]:
        from bridge.watering.waters import entries_of
        from bridge.watering.weather import day_of, zone_of

        zone, units = zone_of(plan), self._units
        done = []
        for item in found.round.items:
            for row in entries_of(found.log, item.ident):
                if day_of(when_ms(row), zone) != found.round.day:
                    continue
                if isinstance(row, LitresRow) and row.what in KIND_OF:
                    words = words_of(row.what, row.litres, units)
                    done.append(Done(item.ident, KIND_OF[row.what], row.litres, words, _tick_of(row.note)))
                elif isinstance(row, SampleRow):
                    ppm = row.dissolved_solids_ppm
                    words = f"Measured: {units.ppm_as(ppm, row.factor, '.3g')}"
                    done.append(Done(item.ident, SAMPLE, ppm, words, _tick_of(row.note)))
        return done

    def _enter(self, tick: Tick) -> str:
        from bridge.watering.gather import enter, gather
        from bridge.watering.weather import day_of, start_ms, zone_of

        plan, log = self._place()
        if self._was_taken_back(tick, log):
            # A copy of the tick that was late must not undo the undo.
            return "This tick was taken back before."
        # The clock of a phone may run ahead; nobody waters in the future.
        today = day_of(int(time.time() * 1000), zone_of(plan))
        day = min(tick.day, today)
        if tick.kind == SAMPLE:
            # Noon of an earlier day, because its hour is not known.
            at_ms = None if day == today else start_ms(day, zone_of(plan)) + 12 * HOUR_MS
            return self._enter_sample(plan, log, tick, at_ms)
        found = gather(plan, log, day)
        entered = enter(
            plan,
            _as_shown(found, tick),
            tick.tray,
            litres=tick.amount if tick.kind == FILL else None,
            flushed=tick.kind == FLUSH,
            tick=tick.ident,
        )
        words = words_of(entered.what, entered.litres, self._units)
        return f"{entered.tray}: {words}, entered for {entered.day}."

    def _enter_sample(self, plan: "BridgePlan", log: Path, tick: Tick, at_ms: int | None) -> str:
        """Enter a reading of a tray's water, taken with a usual hand meter."""
        from bridge.history.writer import add
        from bridge.watering.gather import trays_of
        from bridge.watering.waters import entries_of

        trays = {one.ident: one for one in trays_of(plan).trays}
        tray = trays.get(tick.tray)
        if tray is None:
            raise InputError(f"{tick.tray}: there is no such tray; there are {', '.join(trays)}")
        note = TICK + tick.ident
        if not any(isinstance(row, SampleRow) and row.note == note for row in entries_of(log, tray.ident)):
            is_ppm = tick.unit == SolidsUnit.PPM.value
            meter = USUAL_METER if is_ppm else USUAL_CONDUCTIVITY_METER
            factor = plan.factors[tray.fed_from]
            found = read(replace(meter, factor=factor) if is_ppm else meter, tick.amount, factor)
            taken = judged(found, meter, tray.limit_ppm, tray.target_ppm)
            add(log, lambda stamp: sample_row(stamp, tray.ident, "tray", taken, note, at_ms))
        return f"{tray.ident}: the sample of {tick.amount:g} {tick.unit} is entered."

    def _was_taken_back(self, tick: Tick, log: Path) -> bool:
        from bridge.history.reader import Reader

        if not log.exists():
            return False
        with Reader(log) as reader:
            rows = reader.events(0, reader.span_ms()[1] + 1, kinds=(Kind.UNDO,), reservoir=tick.tray)
            return any(isinstance(row, UndoRow) and row.note == TICK + tick.ident for row in rows)

    def _untick(self, tick: Tick) -> str:
        from bridge.history.writer import add
        from bridge.watering.waters import entries_of

        _, log = self._place()
        rows = [
            row
            for row in entries_of(log, tick.tray)
            if isinstance(row, LitresRow | SampleRow) and row.note == TICK + tick.ident
        ]
        if not rows:
            return "The log has no such tick, so there is nothing to take back."
        add(log, *makers(rows, TICK + tick.ident))
        return f"{tick.tray}: taken back. The log keeps both entries."

    def _last_sample(self, reservoir: str) -> SampleShown:
        rows = [] if self._log is None else self._samples(self._log, reservoir)
        if not rows:
            return SampleShown(entered=None, words="")
        last = rows[-1]
        ppm = self._units.ppm(last.dissolved_solids_ppm, last.factor).text
        at = self._units.local(when_ms(last) / 1000.0).strftime("%Y-%m-%d %H:%M")
        return SampleShown(entered=last.stamp.utc_ms, words=f"{ppm}, of {at}")

    def _samples(self, log: Path, reservoir: str) -> list[SampleRow]:
        """Return those rows of the log that are the last sample of the reservoir."""
        from bridge.history.reader import Reader

        if not log.exists():
            return []
        with Reader(log) as reader:
            rows = list(reader.events(0, reader.span_ms()[1] + 1, kinds=UNDONE_KINDS, reservoir=reservoir))
        found = last_entries(rows, "reservoir", by_hand=False)
        return [row for row in found if isinstance(row, SampleRow)]

    def _take_back(self, reservoir: str, entered_ms: int) -> str:
        from bridge.history.writer import add

        if self._log is None:
            raise LogError(NO_LOG)
        rows = self._samples(self._log, reservoir)
        if not rows or rows[-1].stamp.utc_ms != entered_ms:
            raise InputError("that sample is not the last one that counts; look at the events")
        add(self._log, *makers(rows, "By the page."))
        return " ".join(lines(rows, self._units))


def _tick_of(note: str) -> str:
    return note.removeprefix(TICK) if note.startswith(TICK) else ""


def _as_shown(found: "Found", tick: Tick) -> "Found":
    """Return the round with the litres that the phone showed: those were poured."""
    amount = {"flush_l": tick.amount} if tick.kind == FLUSH else {"give_l": tick.amount}
    items = tuple(
        replace(item, **amount) if item.ident == tick.tray else item  # type: ignore[arg-type]
        for item in found.round.items
    )
    return replace(found, round=replace(found.round, items=items))
