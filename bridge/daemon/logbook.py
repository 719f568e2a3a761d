"""The log of all stations: the policy decides the rows, the log's thread writes them. Shell.

Nothing here waits for the disk: rows go into the log's queue.
"""

import asyncio
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import TypeVar

from bridge.config.plan import LogPlan
from bridge.daemon.log_policy import LogPolicy, Restored, Written
from bridge.errors import LogError
from bridge.forecast import cartridges
from bridge.forecast.cartridges import CartridgeHistory
from bridge.forecast.learned import worth_keeping
from bridge.forecast.learner import Learner
from bridge.guard.state import GuardState
from bridge.history.errors import LogTrouble
from bridge.history.outbox import OutboxLevel, Parcel
from bridge.history.records import EntryRow
from bridge.history.writer import Log
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.station import StationEvent, Turn

T = TypeVar("T")

READ_TIMEOUT_S = 5.0


class Logbook:
    """The log of all stations.

    Args:
        plan: its path, and how long it keeps what.
        stations: the reservoirs.
        on_trouble: called in the event loop with the trouble of the file, and None when it works again.
        on_outbox: called in the event loop when the outbox nears its bound, and when it no longer does.
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
            settings=plan.settings,
            on_trouble=lambda trouble: _hand_over(loop, on_trouble, trouble),
            on_outbox=lambda level: _hand_over(loop, on_outbox, level),
        )
        self._stations = stations
        self._policy = LogPolicy(stations)
        self._path = plan.path
        self._history = CartridgeHistory()
        self._unread = False
        self._fresh = asyncio.Event()

    async def open(self) -> None:
        """Open the file, and take up the state of an earlier process. Never raises; waits seconds at most."""
        opened = await asyncio.wrap_future(self._log.start())
        self._policy = LogPolicy(
            self._stations, opened.boot, opened.last_utc_ms, opened.state, complete=opened.complete
        )
        self._write(self._policy.begin(*self._now()))
        await self.read_history()

    async def read_history(self) -> CartridgeHistory:
        """Read the cartridges and feed samples that entered the log since the last call.

        Returns:
            The new entries; none if the log cannot be read in time.
        """
        try:
            async with asyncio.timeout(READ_TIMEOUT_S):
                fresh = await self._loop.run_in_executor(
                    None, cartridges.read, self._path, self._history.until_ms
                )
        except (TimeoutError, LogError) as error:
            if not self._unread:
                why = str(error) or "it took too long"
                self._note("", "book-unread", f"The log's cartridges and samples cannot be read: {why}.")
            self._unread = True
            return CartridgeHistory()
        self._unread = False
        fresh.until_ms = max(fresh.until_ms, self._history.until_ms)
        self._history.feed_us_cm.update(fresh.feed_us_cm)
        self._history.reservoir_us_cm = fresh.reservoir_us_cm
        for reservoir, more in fresh.earlier.items():
            self._history.earlier[reservoir] = (*self._history.earlier.get(reservoir, ()), *more)
        self._history.until_ms = fresh.until_ms
        return fresh

    def learner(self, plan: StationPlan, accounts: Inventory) -> Learner:
        """The forecast from which this station starts."""
        name = plan.identity.reservoir
        earlier = self._history.earlier.get(name, ())
        try:
            return self._policy.forecast(plan, accounts, earlier)
        except LogError as error:
            self._note(name, "forecast-lost", f"{error} It is learned anew.")
            return Learner(plan, worth_keeping(plan.cartridge, earlier), load=accounts.load)

    def learned(self, learner: Learner) -> None:
        """Keep the state of a forecast."""
        self._write(self._policy.learned(learner, *self._now()))

    def feed_sampled(self, reservoir: str) -> float | None:
        """The newest sample of this reservoir's feed, µS/cm at 25 °C."""
        return self._history.feed_us_cm.get(reservoir)

    def reservoirs_sampled(self) -> dict[str, float]:
        """Hand over, once, the samples of reservoirs, µS/cm at 25 °C, that no balance had taken."""
        found, self._history.reservoir_us_cm = self._history.reservoir_us_cm, {}
        return found

    def restored(self, plan: StationPlan) -> Restored:
        """The state from which this station starts; on hold when nobody knows what was latched."""
        return self._policy.restored(plan, *self._now())

    def turn(self, reservoir: str, turn: Turn, on_disk: Callable[[bool], None] | None = None) -> None:
        """Put one turn into the log.

        Args:
            reservoir: whose turn it was.
            turn: the turn.
            on_disk: called once in the event loop: True when its durable rows are on the disk, at once where
                it has none; False when the disk refuses them.
        """
        self._write(self._policy.turn(reservoir, turn, time.time()), on_disk)

    def accounts(self, reservoir: str, state: GuardState, inventory: Inventory) -> None:
        """Keep the counters of a reservoir and its purifier."""
        self._write(self._policy.counters(reservoir, state, inventory, *self._now()))

    def event(self, event: StationEvent) -> None:
        """Put an event into the log, unless its turn has a row for it."""
        self._write(self._policy.event(event, *self._now()))

    def refused(
        self, reservoir: str, sentence: str, sender: str, on_disk: Callable[[bool], None] | None = None
    ) -> None:
        """Write a command that was refused before it reached its station.

        Args:
            reservoir: The reservoir's id, or an empty text if the command names none that exists.
            sentence: The refusal.
            sender: The sender of the command.
            on_disk: Called once, as in :meth:`turn`.
        """
        self._write(self._policy.refused(reservoir, sentence, sender, *self._now()), on_disk)

    async def packs(self, count: int, root: str) -> list[tuple[Parcel, str]]:
        """Read the oldest parcels that the hub's log has not acknowledged, each as a SenML pack.

        Args:
            count: how many at most.
            root: the beginning of every SenML name.
        """
        return await asyncio.wrap_future(self._log.packs(count, root))

    @property
    def quiet_s(self) -> float:
        """For how long after the last look there will be no other parcel of readings alone, in seconds."""
        return self._log.quiet_s

    async def entry_written(self, patience_s: float) -> None:
        """Wait until something else than a reading was written since the last call, but not for ever."""
        with suppress(TimeoutError):
            async with asyncio.timeout(patience_s):
                await self._fresh.wait()
        self._fresh.clear()

    def acknowledge(self, parcel: Parcel) -> None:
        """The broker has this parcel and every one before it."""
        self._log.acknowledge(parcel)

    async def close(self) -> None:
        """Write what waits, and end."""
        self._write(self._policy.stop(*self._now()))
        await self._loop.run_in_executor(None, self._log.close)

    def _note(self, reservoir: str, event: str, sentence: str) -> None:
        self._write(self._policy.note(reservoir, event, sentence, *self._now()))

    def _now(self) -> tuple[float, float]:
        return self._loop.time(), time.time()

    def _write(self, written: Written, on_disk: Callable[[bool], None] | None = None) -> None:
        done: Callable[[bool], None] | None = None
        if on_disk is not None and written.durable:
            done = _in_loop(self._loop, on_disk)
        if written.rows:
            self._log.write(written.rows, durable=written.durable, done=done)
            if any(isinstance(row, EntryRow) for row in written.rows):
                self._fresh.set()
        if on_disk is not None and done is None:
            on_disk(True)


def _in_loop(loop: asyncio.AbstractEventLoop, told: Callable[[bool], None]) -> Callable[[bool], None]:
    return lambda ok: _hand_over(loop, told, ok)


def _hand_over(loop: asyncio.AbstractEventLoop, told: Callable[[T], None], news: T) -> None:
    if not loop.is_closed():
        loop.call_soon_threadsafe(told, news)
