"""Server-sent events to many browsers at once.

Each event is encoded once, and all browsers get the same bytes. Nothing is queued for a browser that reads
slowly: the page notes which events the browser has not had, and later sends the newest of each. So a browser
costs at most one event of each name and reservoir. Format: HTML Living Standard, section 9.2, "Server-sent
events".
"""

import asyncio
import contextlib
from collections.abc import Callable, Iterator

from starlette.types import Receive, Scope, Send

HEARTBEAT_S = 15.0
_HEARTBEAT = b": heartbeat\n\n"
MOST_BROWSERS = 128


def event(name: str, data: str) -> bytes:
    """Encode one event. The data is JSON on one line, which cannot contain a line break."""
    return f"event: {name}\ndata: {data}\n\n".encode()


class Browser:
    """One browser that follows the events."""

    __slots__ = ("missed", "wake")

    def __init__(self) -> None:
        self.missed: set[tuple[str, str]] = set()
        """Name and reservoir of the events that were not sent to it yet."""
        self.wake = asyncio.Event()


class Broadcaster:
    """Keeps the newest event of each name and reservoir, and the browsers that follow."""

    def __init__(self) -> None:
        self._newest: dict[tuple[str, str], bytes] = {}
        self._browsers: set[Browser] = set()

    @property
    def full(self) -> bool:
        """Whether no more browsers can follow."""
        return len(self._browsers) >= MOST_BROWSERS

    @property
    def browsers(self) -> int:
        """How many browsers follow."""
        return len(self._browsers)

    def publish(self, name: str, reservoir: str, data: str) -> None:
        """Publish an event of a reservoir to all browsers.

        Args:
            name: the event's name.
            reservoir: the reservoir's id.
            data: JSON on one line.
        """
        self._newest[name, reservoir] = event(name, data)
        for browser in self._browsers:
            browser.missed.add((name, reservoir))
            browser.wake.set()

    @contextlib.contextmanager
    def joined(self) -> Iterator[Browser]:
        """Add a browser for as long as the context lasts."""
        browser = Browser()
        self._browsers.add(browser)
        try:
            yield browser
        finally:
            self._browsers.discard(browser)

    def due(self, browser: Browser) -> bytes:
        """Return the events that this browser has not had, and mark them as sent."""
        browser.wake.clear()
        events = b"".join([self._newest[which] for which in browser.missed])
        browser.missed.clear()
        return events


class EventStream:
    """A response that lasts until the browser disconnects.

    Args:
        events: the events to follow.
        everything: returns the present state as JSON, for the first event.
    """

    def __init__(self, events: Broadcaster, everything: Callable[[], str]) -> None:
        self._events = events
        self._everything = everything

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send events as an ASGI application."""
        headers = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"x-accel-buffering", b"no")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        with self._events.joined() as browser:
            sending = asyncio.create_task(self._send(browser, event("hello", self._everything()), send))
            try:
                while (await receive())["type"] != "http.disconnect":
                    pass
            finally:
                sending.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await sending

    async def _send(self, browser: Browser, piece: bytes, send: Send) -> None:
        while True:
            # This waits while the browser does not read. What it misses meanwhile is noted, not kept.
            await send({"type": "http.response.body", "body": piece, "more_body": True})
            try:
                async with asyncio.timeout(HEARTBEAT_S):
                    await browser.wake.wait()
                piece = self._events.due(browser)
            except TimeoutError:
                piece = _HEARTBEAT
