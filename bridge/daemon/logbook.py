"""Keeps the log: every turn and every event of every station as rows, and the state that a restart needs.

Shell. Nothing here waits for the disk: rows go into the log's queue, whose thread writes them.
"""

import asyncio
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TypeVar

from bridge.config.plan import LogPlan
from bridge.errors import LogError
from bridge.forecast import cartridges as book
from bridge.forecast import persistence as prospect_saved
from bridge.forecast.cartridges import Book
from bridge.forecast.learned import worth_keeping
from bridge.forecast.learner import Prospect
from bridge.guard.model import Phase
from bridge.guard.rules import ACTIVE
from bridge.guard.state import GuardState
from bridge.history.log import Log, spill_path
from bridge.history.order import RecordClock
from bridge.history.outbox import OutboxLevel, Parcel
from bridge.history.records import CommandRow, EventRow, FillRow, Stamp
from bridge.history.trouble import LogTrouble
from bridge.station import saved
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.rows import entry_rows, reading_row
from bridge.station.station import StationEvent, Turn

T = TypeVar("T")

ACCOUNTS_EVERY_S = 60.0
BOOK_PATIENCE_S = 5.0
_STRUCTURED = frozenset({"command-obeyed", "command-refused"})
"""Events that stand in the log as rows of their own kind."""


@dataclass(frozen=True, slots=True)
class Restored:
    """What a station starts from."""

    state: GuardState
    accounts: Inventory
    known: bool
    """False when nobody knows what was latched; then the state holds filling."""


@dataclass(slots=True)
class _Running:
    """What is remembered of one reservoir between its turns."""

    plan: StationPlan
    saved_at: float = 0.0
    fill_since_ms: int | None = None


class Logbook:
    """The log of all stations.

    Args:
        plan: where it is and how long it keeps what.
        stations: the reservoirs.
        on_trouble: told, in the event loop, what is wrong with the file, and None when it works again.
        on_outbox: told, in the event loop, when the outbox nears its bound, and when it no longer does.
    """

    def __init__(
        self,
        plan: LogPlan,
        stations: Sequence[StationPlan],
        on_trouble: Callable[[LogTrouble | None], None],
        on_outbox: Callable[[OutboxLevel], None],
    ) -> None:
        loop = asyncio.get_running_loop()
        self._loop = loop
        self._log = Log(
            plan.path,
            spill=spill_path(plan.path),
            settings=plan.settings,
            on_trouble=lambda trouble: _hand_over(loop, on_trouble, trouble),
            on_outbox=lambda level: _hand_over(loop, on_outbox, level),
        )
        self._clock = RecordClock(0)
        self._running = {one.identity.reservoir: _Running(one) for one in stations}
        self._kept: dict[str, bytes] = {}
        self._known = True
        self._path = plan.path
        self._book = Book()
        self._unread = False
        self._fresh = asyncio.Event()

    async def open(self) -> None:
        """Open the file, and take up what an earlier process left. Never raises; waits seconds at most."""
        opened = await asyncio.wrap_future(self._log.start())
        self._clock = RecordClock(opened.boot, opened.last_utc_ms)
        self._kept, self._known = opened.state, opened.complete
        self._event("", "bridge-started", "The bridge started.")
        await self.read_book()

    async def read_book(self) -> Book:
        """What the log has of cartridges and feed samples since it was last asked; nothing when it cannot be
        read in time."""
        try:
            async with asyncio.timeout(BOOK_PATIENCE_S):
                fresh = await self._loop.run_in_executor(None, book.read, self._path, self._book.until_ms)
        except (TimeoutError, LogError) as error:
            if not self._unread:
                why = str(error) or "it took too long"
                self._event("", "book-unread", f"The log's cartridges and samples cannot be read: {why}.")
            self._unread = True
            return Book()
        self._unread = False
        fresh.until_ms = max(fresh.until_ms, self._book.until_ms)
        self._book.feed_us_cm.update(fresh.feed_us_cm)
        self._book.reservoir_us_cm = fresh.reservoir_us_cm
        for reservoir, more in fresh.earlier.items():
            self._book.earlier[reservoir] = (*self._book.earlier.get(reservoir, ()), *more)
        self._book.until_ms = fresh.until_ms
        return fresh

    def prospect(self, plan: StationPlan, accounts: Inventory) -> Prospect:
        """The forecast that this station starts from."""
        name = plan.identity.reservoir
        earlier = worth_keeping(plan.cartridge, self._book.earlier.get(name, ()))
        data = self._kept.get(f"prospect.{name}")
        if data is not None:
            try:
                kept = prospect_saved.read(data, earlier, plan.cartridge, plan.limits.limit_ppm)
                return Prospect(plan, earlier, kept.learned, accounts.load, kept.feed_ppm, kept.volume_l)
            except LogError as error:
                self._event(name, "forecast-lost", f"{error} It is learned anew.")
        return Prospect(plan, earlier, load=accounts.load)

    def learned(self, prospect: Prospect) -> None:
        """Keep what a forecast has learned."""
        name = prospect.plan.identity.reservoir
        self._log.remember(f"prospect.{name}", prospect_saved.written(prospect.kept))

    def feed_sampled(self, reservoir: str) -> float | None:
        """The newest sample of this reservoir's feed, µS/cm at 25 °C."""
        return self._book.feed_us_cm.get(reservoir)

    def reservoirs_sampled(self) -> dict[str, float]:
        """Hand over, once, the samples of reservoirs, µS/cm at 25 °C, that no balance had taken."""
        found, self._book.reservoir_us_cm = self._book.reservoir_us_cm, {}
        return found

    def restored(self, plan: StationPlan) -> Restored:
        """What this station starts from; on hold when what was latched is not known."""
        name, now = plan.identity.reservoir, self._loop.time()
        moment = saved.Moment(now, self._stamp().utc_ms / 1000.0)
        latched, accounts = self._kept.get(f"latched.{name}"), self._kept.get(f"accounts.{name}")
        known = self._known
        try:
            state = saved.guard_state(latched, accounts, plan.limits, moment)
            inventory = saved.inventory(accounts, plan.assumed_ppm)
        except LogError:
            known = False
        if not known:
            # Ignorance is a reason to close: somebody must look, and lift the hold.
            held = replace(saved.guard_state(None, None, plan.limits, moment), hold=True)
            return Restored(held, Inventory(plan.assumed_ppm), False)
        return Restored(state, inventory, True)

    def turn(self, reservoir: str, turn: Turn) -> None:
        """Put one turn into the log; alarms and latched state in one commit, at once."""
        running = self._running[reservoir]
        now, decision, state = turn.now, turn.decision, turn.state
        if turn.reading:
            stamp = self._clock.reading(reservoir, self._stamp())
            self._log.append(reading_row(running.plan, turn, stamp))
        before = turn.before
        changed = (
            state.latches is not before.latches
            or state.alarms is not before.alarms
            or state.hold is not before.hold
        )
        if decision.events or turn.command is not None or changed:
            rows = list(entry_rows(running.plan, turn, self._stamp))
            kept = {}
            if changed and (state.latches, state.alarms, state.hold) != (
                before.latches,
                before.alarms,
                before.hold,
            ):
                moment = saved.Moment(now, self._stamp().utc_ms / 1000.0)
                kept[f"latched.{reservoir}"] = saved.latched(state, moment)
            if rows or kept:
                self._log.append(*rows, state=kept)
                self._fresh.set()
        if state.phase is not before.phase:
            self._phase(running, turn)
        if state.phase is not before.phase or now - running.saved_at >= ACCOUNTS_EVERY_S:
            self.accounts(reservoir, state, turn.memory.inventory)

    def accounts(self, reservoir: str, state: GuardState, inventory: Inventory) -> None:
        """Keep what the reservoir holds and what the purifier took up."""
        now = self._loop.time()
        self._running[reservoir].saved_at = now
        moment = saved.Moment(now, self._stamp().utc_ms / 1000.0)
        self._log.remember(f"accounts.{reservoir}", saved.accounts(state, inventory, moment))

    def event(self, event: StationEvent) -> None:
        """Put an event into the log, unless its turn does so as a row of its own kind."""
        if event.guard is None and event.id not in _STRUCTURED:
            self._event(event.reservoir, event.id, event.sentence)

    def refused(self, reservoir: str, sentence: str, sender: str = "hub") -> None:
        """Put a command into the log that was refused before it reached its station."""
        row = CommandRow(self._stamp(), reservoir, "not understood", sender, False, sentence)
        self._log.append(row)
        self._fresh.set()

    async def packs(self, count: int, root: str) -> list[tuple[Parcel, str]]:
        """The first parcels for the hub's log that are not acknowledged, each as a SenML pack, whose names
        begin with ``root``."""
        return await asyncio.wrap_future(self._log.packs(count, root))

    @property
    def quiet_s(self) -> float:
        """For how long after the last look at the parcels there will be no other one of readings, in
        seconds."""
        return self._log.quiet_s

    async def stirred(self, patience_s: float) -> None:
        """Wait until something else than a reading has come since the last time, but not for ever."""
        with suppress(TimeoutError):
            async with asyncio.timeout(patience_s):
                await self._fresh.wait()
        self._fresh.clear()

    def acknowledge(self, parcel: Parcel) -> None:
        """The broker has this parcel."""
        self._log.acknowledge((parcel.id,))

    async def close(self) -> None:
        """Write what waits, and end."""
        self._event("", "bridge-stopped", "The bridge stopped.")
        await self._loop.run_in_executor(None, self._log.close)

    def _phase(self, running: _Running, turn: Turn) -> None:
        name, phase = running.plan.identity.reservoir, turn.state.phase
        missing = ", ".join(one.value for one in turn.decision.missing)
        sentence = f"From {turn.before.phase.value} to {phase.value}." + (
            f" Missing: {missing}." if missing else ""
        )
        self._event(name, "phase", sentence)
        stamp = self._stamp()
        if phase in ACTIVE and running.fill_since_ms is None:
            running.fill_since_ms = stamp.utc_ms
        elif phase not in ACTIVE and running.fill_since_ms is not None:
            volume_l = turn.state.fill.volume_l if running.plan.identity.has_volume else None
            end = "full" if phase is Phase.IDLE else "trip"
            row = FillRow(stamp, name, running.fill_since_ms, volume_l, None, None, end)
            running.fill_since_ms = None
            self._log.append(row)

    def _event(self, reservoir: str, event: str, sentence: str) -> None:
        self._log.append(EventRow(self._stamp(), reservoir, event, sentence))
        self._fresh.set()

    def _stamp(self) -> Stamp:
        stamp, step = self._clock.stamp(self._loop.time(), time.time())
        if step is not None:
            self._log.append(EventRow(stamp, "", "clock-step", step.sentence))
            stamp, _ = self._clock.stamp(self._loop.time(), time.time())
        return stamp


def _hand_over(loop: asyncio.AbstractEventLoop, told: Callable[[T], None], news: T) -> None:
    if not loop.is_closed():
        loop.call_soon_threadsafe(told, news)
