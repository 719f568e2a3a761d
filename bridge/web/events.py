"""What is new, as server-sent events, to many browsers at once.

Every event is encoded once and the same bytes go to everybody. For a browser that reads slowly nothing
queues up: it is only noted which newest events it has not had, so that it drops the old ones and its share of
memory is one event of each kind and reservoir. Format: HTML Living Standard, section 9.2, "Server-sent
events".
"""

import asyncio
import contextlib
from collections.abc import Callable, Iterator

from starlette.types import Receive, Scope, Send

HEARTBEAT_S = 15.0
_HEARTBEAT = b": still here\n\n"
MOST_BROWSERS = 128


def event(name: str, data: str) -> bytes:
    """One event. The data is JSON on one line, in which no line break can stand."""
    return f"event: {name}\ndata: {data}\n\n".encode()


class Browser:
    """One that listens."""

    __slots__ = ("behind", "wake")

    def __init__(self) -> None:
        self.behind: set[tuple[str, str]] = set()
        """The events that it has not had, by their name and their reservoir."""
        self.wake = asyncio.Event()


class Feed:
    """The newest event of each name and reservoir, and who listens."""

    def __init__(self) -> None:
        self._newest: dict[tuple[str, str], bytes] = {}
        self._browsers: set[Browser] = set()

    @property
    def full(self) -> bool:
        """No more browsers can listen."""
        return len(self._browsers) >= MOST_BROWSERS

    def publish(self, name: str, reservoir: str, data: str) -> None:
        """Let everybody have this event of a reservoir, given as JSON."""
        self._newest[name, reservoir] = event(name, data)
        for browser in self._browsers:
            browser.behind.add((name, reservoir))
            browser.wake.set()

    @contextlib.contextmanager
    def joined(self) -> Iterator[Browser]:
        """One browser for as long as it listens."""
        browser = Browser()
        self._browsers.add(browser)
        try:
            yield browser
        finally:
            self._browsers.discard(browser)

    def due(self, browser: Browser) -> bytes:
        """What this browser has not had yet."""
        browser.wake.clear()
        events = b"".join([self._newest[which] for which in browser.behind])
        browser.behind.clear()
        return events


class EventStream:
    """An answer that ends when the browser leaves.

    :param hello: makes everything there is, as JSON, for the first event.
    """

    def __init__(self, feed: Feed, hello: Callable[[], str]) -> None:
        self._feed = feed
        self._hello = hello

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"x-accel-buffering", b"no")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        with self._feed.joined() as browser:
            talking = asyncio.create_task(self._talk(browser, event("hello", self._hello()), send))
            try:
                while (await receive())["type"] != "http.disconnect":
                    pass
            finally:
                talking.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await talking

    async def _talk(self, browser: Browser, piece: bytes, send: Send) -> None:
        while True:
            # Waits while the browser does not read: what it misses meanwhile is noted, not kept.
            await send({"type": "http.response.body", "body": piece, "more_body": True})
            try:
                async with asyncio.timeout(HEARTBEAT_S):
                    await browser.wake.wait()
                piece = self._feed.due(browser)
            except TimeoutError:
                piece = _HEARTBEAT
