"""A subscriber: keeps what bridges publish, through every outage of the broker. Shell."""

import asyncio
import contextlib
import time
from collections.abc import Callable

from bridge.errors import HubError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, explain
from bridge.mqtt.session import Session

MOST_TOPICS = 20_000
LONGEST_PAYLOAD = 256 * 1024
"""More than this no bridge publishes; what a stranger does is not kept."""
FIRST_WAIT_S, LONGEST_WAIT_S = 0.5, 10.0
_ANSWER_S = 5.0


class Listener:
    """Follows every device of the convention on one broker; publishes nothing.

    :param settings: the broker; its client id must not be the bridge's own, which it would throw out.
    :param prefix: the first level of the topics.
    :param on_change: called in the event loop when something was heard; it must not block.
    """

    def __init__(self, settings: BrokerSettings, prefix: str, on_change: Callable[[], None]) -> None:
        self._settings = settings
        self._start = f"{prefix}/5/"
        self._on_change = on_change
        self.kept: dict[str, str] = {}
        """What is retained, by topic; empty while the broker is away, as it may be so no longer."""
        self.heard_at: dict[str, float] = {}
        """When each device was last heard, in seconds of UTC since 1970."""
        self.trouble: str | None = None
        """Why the broker cannot be heard, as a sentence; None while it can."""
        self.connected_at: float | None = None
        """Since when there is a connection, in monotonic seconds; None while there is none."""

    async def run(self) -> None:
        """Listen until cancelled; try again for ever, however long the broker is away."""
        wait_s = FIRST_WAIT_S
        while True:
            try:
                await self._connection()
            except (BrokerTrouble, OSError, ValueError, HubError) as error:
                self.trouble = str(explain(error, self._settings))
            if self.connected_at is not None:
                wait_s, self.connected_at = FIRST_WAIT_S, None
            self._on_change()
            await asyncio.sleep(wait_s)
            wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)

    async def _connection(self) -> None:
        async with Session(self._settings, answer_s=_ANSWER_S, on_message=self._hear) as session:
            self.kept.clear()
            # The state comes last, so that a device that is ready has been heard whole before.
            await session.subscribe([f"{self._start}+/+/+", f"{self._start}+/+"])
            self.trouble, self.connected_at = None, time.monotonic()
            self._on_change()
            await asyncio.shield(session.ended)

    def _hear(self, topic: str, payload: bytes, kept: bool) -> None:
        device, _, rest = topic.removeprefix(self._start).partition("/")
        if rest.startswith("$log/"):
            return
        if not payload:
            self.kept.pop(topic, None)
        elif len(payload) <= LONGEST_PAYLOAD and (topic in self.kept or len(self.kept) < MOST_TOPICS):
            self.kept[topic] = payload.decode("utf-8", "replace")
        self.heard_at[device] = time.time()
        self._on_change()


async def ended(task: "asyncio.Task[None]", within_s: float = 1.0) -> None:
    """End a task; a broker that hangs may not hold up the goodbye for longer than this."""
    task.cancel()
    with contextlib.suppress(TimeoutError, asyncio.CancelledError, BrokerTrouble):
        await asyncio.wait_for(asyncio.shield(task), within_s)
