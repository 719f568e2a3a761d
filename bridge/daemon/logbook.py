"""Connects the policy of the log, which produces the rows, to the thread that writes them. Shell.

No method waits for the disk: rows go into the queue of the log.
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
from bridge.history.opening import LogTrouble
from bridge.history.outbox import OutboxLevel, Parcel
from bridge.history.records import EntryRow, SampleRow
from bridge.history.writer import Log
from bridge.station.events import StationEvent
from bridge.station.inventory import Inventory
from bridge.station.plan import StationPlan
from bridge.station.station import Turn

T = TypeVar("T")

READ_TIMEOUT_S = 5.0


class Logbook:
    """The log of all stations.

    Args:
        plan: the path and the settings.
        stations: the reservoirs.
        on_trouble: called in the event loop with the trouble of the file, and with None when it works again.
        on_outbox: called in the event loop when the alert of the outbox begins or ends.
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
            on_trouble=lambda trouble: _call_in_loop(loop, on_trouble, trouble),
            on_outbox=lambda level: _call_in_loop(loop, on_outbox, level),
        )
        self._stations = stations
        self._policy = LogPolicy(stations)
        self._path = plan.path
        self._history = CartridgeHistory()
        self._unread = False
        self._entry = asyncio.Event()

    async def open(self) -> None:
        """Open the log and read the saved state. Never raises; waits a few seconds at most."""
        opened = await asyncio.wrap_future(self._log.start())
        self._policy = LogPolicy(
            self._stations, opened.boot, opened.last_utc_ms, opened.state, complete=opened.complete
        )
        self._write(self._policy.begin(*self._now()))
        await self.read_history()

    async def read_history(self) -> CartridgeHistory:
        """Read the cartridges and samples that were added to the log since the last call.

        Returns:
            The new ones; none if the log cannot be read in time.
        """
        try:
            async with asyncio.timeout(READ_TIMEOUT_S):
                fresh = await self._loop.run_in_executor(
                    None, cartridges.read, self._path, self._history.until_ms
                )
        except (TimeoutError, LogError) as error:
            if not self._unread:
                why = str(error) or "the log did not answer in time"
                self._note(
                    "", "cartridges-unread", f"The log's cartridges and samples cannot be read: {why}."
                )
            self._unread = True
            return CartridgeHistory()
        self._unread = False
        fresh.until_ms = max(fresh.until_ms, self._history.until_ms)
        self._history.feed_us_cm.update(fresh.feed_us_cm)
        self._history.reservoir = fresh.reservoir
        for reservoir, more in fresh.earlier.items():
            self._history.earlier[reservoir] = (*self._history.earlier.get(reservoir, ()), *more)
        self._history.until_ms = fresh.until_ms
        return fresh

    def learner(self, plan: StationPlan, accounts: Inventory) -> Learner:
        """Return the forecast of a station at the start."""
        name = plan.identity.reservoir
        earlier = self._history.earlier.get(name, ())
        try:
            return self._policy.forecast(plan, accounts, earlier)
        except LogError as error:
            self._note(name, "forecast-lost", f"{error} The forecast begins again.")
            return Learner(plan, worth_keeping(plan.cartridge, earlier), load=accounts.load)

    def learned(self, learner: Learner) -> None:
        """Save the state of a forecast."""
        self._write(self._policy.learned(learner, *self._now()))

    def feed_sampled(self, reservoir: str) -> float | None:
        """Return the newest sample of the feed of a reservoir, µS/cm at 25 °C."""
        return self._history.feed_us_cm.get(reservoir)

    def reservoirs_sampled(self) -> dict[str, SampleRow]:
        """Return, once, the samples that no estimate has used yet, by reservoir."""
        found, self._history.reservoir = self._history.reservoir, {}
        return found

    def restored(self, plan: StationPlan) -> Restored:
        """Return the state of a station at the start, on hold if the latched state is not known."""
        return self._policy.restored(plan, *self._now())

    def turn(self, reservoir: str, turn: Turn, on_disk: Callable[[bool], None] | None = None) -> None:
        """Write the rows of one turn.

        Args:
            reservoir: the reservoir.
            turn: the turn.
            on_disk: called once in the event loop: with True when the durable rows are on the disk, at once
                if there are none; with False if the disk cannot be written.
        """
        wall_s = time.time() - (self._loop.time() - turn.now)
        self._write(self._policy.turn(reservoir, turn, wall_s), on_disk)

    def accounts(self, reservoir: str, state: GuardState, inventory: Inventory) -> None:
        """Save the counters of a reservoir and its purifier."""
        self._write(self._policy.counters(reservoir, state, inventory, *self._now()))

    def event(self, event: StationEvent) -> None:
        """Write an event, unless its turn produces another row for it."""
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
        """Seconds until the next look for parcels of only readings."""
        return self._log.quiet_s

    async def entry_written(self, timeout_s: float) -> None:
        """Wait until an entry was written since the last call, for at most ``timeout_s``."""
        with suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                await self._entry.wait()
        self._entry.clear()

    def acknowledge(self, parcel: Parcel) -> None:
        """Remove a parcel and every earlier one from the outbox: the broker acknowledged it."""
        self._log.acknowledge(parcel)

    def send_again(self, position: int) -> None:
        """Send every row after this id to the hub's log again, soon."""
        self._log.send_again(position)
        self._entry.set()

    async def close(self) -> None:
        """Write all rows that wait, and close the log."""
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
                self._entry.set()
        if on_disk is not None and done is None:
            on_disk(True)


def _in_loop(loop: asyncio.AbstractEventLoop, callback: Callable[[bool], None]) -> Callable[[bool], None]:
    return lambda ok: _call_in_loop(loop, callback, ok)


def _call_in_loop(loop: asyncio.AbstractEventLoop, callback: Callable[[T], None], value: T) -> None:
    if not loop.is_closed():
        loop.call_soon_threadsafe(callback, value)
