"""The collector: receives the records of all bridges on a broker and writes them to a database. Shell.

The broker keeps a session for the collector. A message is acknowledged only after the commit of its rows, and
the broker sends an unacknowledged message again. So a record survives the end of the collector, of the
database and of the connection. The rows' key makes the second copy harmless.

A broker that is killed loses what it holds in memory, although it has acknowledged it to the bridge. Each
message therefore names the rows of the bridge's log that it covers. Where rows are missing before it, the
collector asks the bridge to send again what follows the last row that the database has.
"""

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass

from bridge.clock import Backoff
from bridge.collect.store import Store, StoreTrouble
from bridge.collect.tables import Row, advanced, again_topic, bridge_of, rows_of, span_of, topic_filter
from bridge.errors import ClearwellError, HubError, InputError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, explain
from bridge.mqtt.session import Delivery, Lasting, Session
from bridge.mqtt.topics import Publication

ANSWER_S = 10.0
FIRST_S, LONGEST_S, JITTER = 0.5, 30.0, 0.3
WINDOW = 200
"""Unacknowledged messages at the same time, which are at most one transaction."""
KEPT_S = 30 * 86_400
"""How long the broker keeps the session of a collector that is away."""
ASK_AGAIN_S = 10.0
"""The shortest time between two requests to one bridge."""
SHORT_S = 5.0
"""A connection that is lost sooner than this may have been taken over."""
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
    asked: int = 0
    """Requests to send rows again, because some were missing."""


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
        self._connected_at: float | None = None
        self._asked_at: dict[str, float] = {}
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
                await self._connection()
            except (BrokerTrouble, OSError, ValueError, HubError) as error:
                self._troubled(self._explained(error, backoff))
            await self._pause(backoff)

    def _explained(self, error: Exception, backoff: Backoff) -> HubError:
        """Return the error as a sentence. Raises it if another collector has the session."""
        twin = (
            "another collector of the name that this one has is connected to the broker at "
            f"{self._broker.address} (client id {self._broker.client_id!r}); run one of them, or give one "
            "another name with --name."
        )
        if isinstance(error, BrokerTrouble) and error.code is not None and error.code.value == TAKEN_OVER:
            raise HubError(f"This collector ends, because {twin}")
        connected_at, self._connected_at = self._connected_at, None
        if connected_at is None:
            return explain(error, self._broker)
        if asyncio.get_running_loop().time() - connected_at > SHORT_S:
            backoff.reset()
            return explain(error, self._broker)
        # Some brokers end the older one of two connections without a reason.
        return HubError(f"{explain(error, self._broker)} If this happens again and again, {twin}")

    async def _connection(self) -> None:
        self._inbox = asyncio.Queue()
        lasting = Lasting(KEPT_S, WINDOW, self._inbox.put_nowait)
        async with Session(self._broker, answer_s=ANSWER_S, lasting=lasting) as session:
            await session.subscribe([self._filter], qos=1)
            self._connected_at = asyncio.get_running_loop().time()
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
        positions: dict[str, int] = {}
        gaps: set[str] = set()
        counts = self.counts
        for one in batch:
            try:
                bridge = bridge_of(one.topic, self._root)
                span = span_of(one.properties)
                if span is not None:
                    known = positions.get(bridge, self._store.positions.get(bridge, 0))
                    position = advanced(known, span)
                    if position is None:
                        gaps.add(bridge)
                    else:
                        positions[bridge] = position
                rows += rows_of(bridge, one.payload)
            except InputError as error:
                counts.refused += 1
                self._report(f"A message on {one.topic} is left out: {error}", True)
        added = await self._written(rows, positions)
        if added is None:
            return
        counts.messages += len(batch)
        counts.stored += added
        counts.again += len(rows) - added
        for one in batch:
            session.acknowledge(one)
        for bridge in sorted(gaps):
            self._ask_again(session, bridge)

    def _ask_again(self, session: Session, bridge: str) -> None:
        """Ask a bridge for the rows that are missing, unless it was asked just now."""
        now = asyncio.get_running_loop().time()
        if now - self._asked_at.get(bridge, -ASK_AGAIN_S) < ASK_AGAIN_S:
            return
        self._asked_at[bridge] = now
        self.counts.asked += 1
        self._report(f"records of the bridge {bridge} are missing; it is asked to send them again", False)
        request = Publication(
            again_topic(bridge, self._root), str(self._store.positions.get(bridge, 0)), qos=1, retain=False
        )
        # If the connection is lost now, the next message shows the gap again.
        with contextlib.suppress(BrokerTrouble):
            session.publish(request)

    async def _written(self, rows: list[Row], positions: dict[str, int]) -> int | None:
        """Write rows, however long the database is away. Returns None if the collector was stopped before."""
        backoff = Backoff(FIRST_S, LONGEST_S, JITTER)
        while True:
            try:
                added = await asyncio.to_thread(self._store.write, rows, positions)
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

    def _troubled(self, error: ClearwellError) -> None:
        if str(error) != self._trouble:
            self._trouble = str(error)
            self._report(self._trouble, True)

    def _well(self, sentence: str) -> None:
        self._trouble = ""
        self._report(sentence, False)
