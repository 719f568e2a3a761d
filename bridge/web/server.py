"""The web server of the page, with limits on connections, and its stream of events to many browsers at once.

uvicorn parses requests and sends responses. It has no limit on connections that send no request, none on the
time in which a request must arrive, and none on a browser that stops reading. `Connection` stands between
the socket and uvicorn's protocol and adds these three, so a stranger can hold one place for a limited time
and nothing else.

Each event is encoded once, and all browsers get the same bytes. Nothing is queued for a browser that reads
slowly: the page notes which events the browser has not had, and later sends the newest of each. So a browser
costs at most one event of each name and reservoir. Format: HTML Living Standard, section 9.2, "Server-sent
events".
"""

import asyncio
import contextlib
import resource
import socket
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import uvicorn
from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 256
BACKLOG = 64
"""Connections that the kernel queues, and that the event loop accepts in one go."""
MARGIN = 48
"""File descriptors for modules, the log and the pipes."""
REQUEST_S = 10.0
"""A request must begin within this time after the connection opens or after the previous response."""
READING_S = 30.0
"""How long a browser may leave data unread."""
UNREAD_BYTES = 32 * 1024
"""How much data may stay unread, beside what the kernel buffers."""


def most_connections() -> int:
    """Return how many connections the file descriptors of this process allow."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY:
        return MOST_CONNECTIONS
    return max(8, min(MOST_CONNECTIONS, soft - BACKLOG - MARGIN))


class Places:
    """Counts the open connections of each address. One address may have half of them.

    Args:
        most: how many connections may be open at the same time.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._by_address: Counter[str] = Counter()

    def take(self, address: str) -> bool:
        """Count a new connection. Returns False if there is no place for it."""
        if self._by_address.total() >= self._most or self._by_address[address] >= max(4, self._most // 2):
            return False
        self._by_address[address] += 1
        return True

    def release(self, address: str) -> None:
        """Count a connection as closed."""
        self._by_address[address] -= 1
        if self._by_address[address] <= 0:
            del self._by_address[address]


class Connection(asyncio.Protocol):
    """One connection: enforces the limits and passes everything else to uvicorn's protocol.

    Args:
        places: the count of open connections, shared by all of them.
        config: uvicorn's configuration.
        app_state: uvicorn copies it into the ``state`` of each request, where `time_requests` finds this
            connection.
        more: uvicorn's other arguments, passed on unchanged.
    """

    def __init__(
        self, places: Places, *, config: uvicorn.Config, app_state: dict[str, Any], **more: Any
    ) -> None:
        self._places = places
        self._http = H11Protocol(config=config, app_state=app_state | {"connection": self}, **more)
        self._loop = asyncio.get_running_loop()
        self._transport: asyncio.Transport | None = None
        self._address = ""
        self._requests = 0
        self._request_due: asyncio.TimerHandle | None = None
        self._reading_due: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Accept the connection if there is a place for it, else close it."""
        peer = transport.get_extra_info("peername")
        self._address = str(peer[0]) if peer else ""
        if not self._places.take(self._address):
            transport.abort()
            return
        self._transport = transport
        transport.set_write_buffer_limits(high=UNREAD_BYTES)
        self._http.connection_made(transport)
        self._request_due = self._loop.call_later(REQUEST_S, transport.abort)

    def connection_lost(self, exc: Exception | None) -> None:
        """Release the place."""
        if self._transport is None:
            return
        self._transport = None
        self._places.release(self._address)
        for timer in (self._request_due, self._reading_due):
            if timer is not None:
                timer.cancel()
        self._http.connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Pass bytes on; none come for a connection that was refused."""
        if self._transport is not None:
            self._http.data_received(data)

    def eof_received(self) -> None:
        """Pass the end of the input on."""
        if self._transport is not None:
            self._http.eof_received()

    def pause_writing(self) -> None:
        """Start the time in which the browser must read."""
        self._http.pause_writing()
        if self._reading_due is None and self._transport is not None:
            self._reading_due = self._loop.call_later(READING_S, self._transport.abort)

    def resume_writing(self) -> None:
        """Stop that time: the browser reads."""
        self._http.resume_writing()
        if self._reading_due is not None:
            self._reading_due.cancel()
            self._reading_due = None

    def request_began(self) -> None:
        """Stop the time in which a request must arrive."""
        self._requests += 1
        if self._request_due is not None:
            self._request_due.cancel()
            self._request_due = None

    def request_ended(self) -> None:
        """Start the time in which the next request must arrive.

        A browser may send several requests without waiting for the first response, so they are counted.
        """
        self._requests -= 1
        if self._requests == 0 and self._transport is not None:
            self._request_due = self._loop.call_later(REQUEST_S, self._transport.abort)


def time_requests(app: ASGIApp) -> ASGIApp:
    """Wrap an application so that each `Connection` knows when a request begins and ends."""

    async def timed(scope: Scope, receive: Receive, send: Send) -> None:
        connection: Connection = scope["state"]["connection"]
        connection.request_began()
        try:
            await app(scope, receive, send)
        finally:
            connection.request_ended()

    return timed


async def serve(app: ASGIApp, listening: socket.socket) -> None:
    """Serve an application until cancelled.

    Args:
        app: the application.
        listening: a socket that listens.
    """
    places = Places(most_connections())

    class Http(Connection):
        """uvicorn takes a class and makes the objects itself."""

        def __init__(self, **arguments: Any) -> None:
            super().__init__(places, **arguments)

    config = uvicorn.Config(
        time_requests(app),
        http=Http,
        ws="none",
        loop="asyncio",
        lifespan="off",
        backlog=BACKLOG,
        log_config=None,
        log_level="error",
        # One line for each request would wear out the card, and record who looked when.
        access_log=False,
        proxy_headers=False,
        server_header=False,
        timeout_keep_alive=5,
    )
    await uvicorn.Server(config).serve([listening])


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
