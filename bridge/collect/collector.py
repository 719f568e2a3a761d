"""The collector: receives the records of all bridges on a broker and writes them to a database. Shell.

The broker keeps a session for the collector. A message is acknowledged only after the commit of its rows, and
the broker sends an unacknowledged message again. So a record survives the end of the collector, of the
database and of the connection. The rows' key makes the second copy harmless.
"""

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass

from bridge.clock import Backoff
from bridge.collect.rows import Row, bridge_of, rows_of, topic_filter
from bridge.collect.store import Store, StoreTrouble
from bridge.errors import ClearwellError, HubError, InputError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, explain
from bridge.mqtt.session import Delivery, Lasting, Session

ANSWER_S = 10.0
FIRST_S, LONGEST_S, JITTER = 0.5, 30.0, 0.3
WINDOW = 200
"""Unacknowledged messages at the same time, which are at most one transaction."""
KEPT_S = 30 * 86_400
"""How long the broker keeps the session of a collector that is away."""
TAKEN_OVER = 0x8E
"""MQTT Version 5.0 (OASIS Standard), section 3.14.2.1: another client has connected with the same id."""


@dataclass(slots=True)
class Counts:
    """What has happened since the start."""

    messages: int = 0
    stored: int = 0
    again: int = 0
    """Rows that were in the database already."""
    refused: int = 0
    """Messages that are no records."""


class Collector:
    """Runs until it is stopped, through every outage.

    Args:
        broker: The broker. Its client id must stay the same from start to start.
        root: The first part of the topics.
        store: The database, open or not.
        report: Called with a sentence for each change: a trouble, its end, a refused message.
    """

    def __init__(
        self, broker: BrokerSettings, root: str, store: Store, report: Callable[[str, bool], None]
    ) -> None:
        self._broker = broker
        self._root = root
        self._filter = topic_filter(root)
        self._store = store
        self._report = report
        self._stop = asyncio.Event()
        self._inbox: asyncio.Queue[Delivery] = asyncio.Queue()
        self._trouble = ""
        self.counts = Counts()

    def stop(self) -> None:
        """End :meth:`run` after the transaction that is under way."""
        self._stop.set()

    async def run(self) -> None:
        """Collect until :meth:`stop`.

        Raises:
            HubError: Another client with the same id has taken the session over.
        """
        backoff = Backoff(FIRST_S, LONGEST_S, JITTER)
        while not self._stop.is_set():
            try:
                await self._connection(backoff)
            except (BrokerTrouble, OSError, ValueError, HubError) as error:
                if isinstance(error, BrokerTrouble) and error.code is not None:
                    self._refuse_a_twin(error.code.value)
                self._troubled(explain(error, self._broker))
            await self._pause(backoff)

    async def _connection(self, backoff: Backoff) -> None:
        self._inbox = asyncio.Queue()
        lasting = Lasting(KEPT_S, WINDOW, self._inbox.put_nowait)
        async with Session(self._broker, answer_s=ANSWER_S, lasting=lasting) as session:
            await session.subscribe([self._filter], qos=1)
            backoff.reset()
            self._well(f"connected to the broker at {self._broker.address}; storing in {self._store.place}")
            stopping = asyncio.ensure_future(self._stop.wait())
            try:
                while not session.ended.done() and not self._stop.is_set():
                    arriving = asyncio.ensure_future(self._inbox.get())
                    await asyncio.wait(
                        (arriving, session.ended, stopping), return_when=asyncio.FIRST_COMPLETED
                    )
                    if not arriving.done():
                        arriving.cancel()
                        break
                    await self._take(session, arriving.result())
            finally:
                stopping.cancel()
            if session.ended.done():
                session.ended.result()

    async def _take(self, session: Session, first: Delivery) -> None:
        """Store the messages that have arrived, in one transaction, and acknowledge them."""
        batch = [first]
        while not self._inbox.empty():
            batch.append(self._inbox.get_nowait())
        rows: list[Row] = []
        refused = 0
        for one in batch:
            try:
                rows += rows_of(bridge_of(one.topic, self._root), one.payload)
            except InputError as error:
                refused += 1
                self._report(f"A message on {one.topic} is left out: {error}", True)
        added = await self._written(rows)
        if added is None:
            return
        counts = self.counts
        counts.messages += len(batch)
        counts.refused += refused
        counts.stored += added
        counts.again += len(rows) - added
        for one in batch:
            session.acknowledge(one)

    async def _written(self, rows: list[Row]) -> int | None:
        """Write rows, however long the database is away. Returns None if the collector was stopped before."""
        backoff = Backoff(FIRST_S, LONGEST_S, JITTER)
        while True:
            try:
                added = await asyncio.to_thread(self._store.write, rows)
            except StoreTrouble as trouble:
                self._troubled(trouble)
            else:
                if self._trouble:
                    self._well(f"the database {self._store.place} stores records again")
                return added
            await self._pause(backoff)
            if self._stop.is_set():
                return None

    async def _pause(self, backoff: Backoff) -> None:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._stop.wait(), backoff.wait_s())

    def _refuse_a_twin(self, code: int) -> None:
        if code == TAKEN_OVER:
            raise HubError(
                f"Another collector of the same name has connected to the broker at {self._broker.address} "
                f"with the client id {self._broker.client_id!r}. This one ends; run one of them, or give one "
                "another name with --name."
            )

    def _troubled(self, error: ClearwellError) -> None:
        if str(error) != self._trouble:
            self._trouble = str(error)
            self._report(self._trouble, True)

    def _well(self, sentence: str) -> None:
        self._trouble = ""
        self._report(sentence, False)
