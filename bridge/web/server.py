"""The web server of the page, with its bounds.

One connection to a browser, with bounds on how many there are and how long each may dawdle.

The web server reads requests and writes answers; what it leaves open is bounded here: a connection beyond the
number that can be served is closed at once, a request that does not arrive whole in time ends its connection,
and so does a browser that stops reading. All that a stranger can hold is a place, for a while.
"""

import asyncio
import contextlib
import resource
import socket
from collections import Counter
from collections.abc import Iterator
from typing import Any

import h11
import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 256
BACKLOG = 64
"""Connections that the kernel keeps for us, and that are taken in at one turn."""
MARGIN = 48
"""Descriptors for modules, the log and the pipes."""
REQUEST_S = 10.0
"""From a connection's opening, or the end of an answer, to the end of the next request."""
READING_S = 30.0
"""How long a browser may leave unread what was sent to it."""
UNREAD_BYTES = 32 * 1024
"""How much may lie unread, beside what the kernel keeps."""
_REFUSAL = (
    b"HTTP/1.1 400 Bad Request\r\nconnection: close\r\ncontent-length: 0\r\n"
    b"content-security-policy: default-src 'none'; frame-ancestors 'none'\r\n"
    b"x-content-type-options: nosniff\r\nreferrer-policy: no-referrer\r\ncache-control: no-store\r\n\r\n"
)
_ARRIVING = (h11.IDLE, h11.SEND_BODY)


def most_connections() -> int:
    """How many connections can be served with the descriptors that this process may open."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY:
        return MOST_CONNECTIONS
    return max(8, min(MOST_CONNECTIONS, soft - BACKLOG - MARGIN))


class Crowd:
    """How many connections there are, and of whom. One address may have half of the places."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._of: Counter[str] = Counter()

    def admit(self, address: str) -> bool:
        """Take one in, if there is a place."""
        if self._of.total() >= self.most or self._of[address] >= max(4, self.most // 2):
            return False
        self._of[address] += 1
        return True

    def leave(self, address: str) -> None:
        """One is gone."""
        self._of[address] -= 1
        if self._of[address] <= 0:
            del self._of[address]


class PatientProtocol(H11Protocol):
    """A connection. ``crowd`` is set on a subclass, because the server itself makes the objects."""

    crowd: Crowd

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._address: str | None = None
        self._request_due: asyncio.TimerHandle | None = None
        self._reading_due: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        peer = transport.get_extra_info("peername")
        address = str(peer[0]) if peer else ""
        if not self.crowd.admit(address):
            self.transport = transport
            transport.abort()
            return
        self._address = address
        transport.set_write_buffer_limits(high=UNREAD_BYTES)
        super().connection_made(transport)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        super().connection_lost(exc)
        if self._address is not None:
            self.crowd.leave(self._address)
            self._address = None
        for timer in (self._request_due, self._reading_due):
            if timer is not None:
                timer.cancel()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._watch()

    def pause_writing(self) -> None:
        super().pause_writing()
        if self._reading_due is None:
            self._reading_due = self.loop.call_later(READING_S, self.transport.abort)

    def resume_writing(self) -> None:
        super().resume_writing()
        if self._reading_due is not None:
            self._reading_due.cancel()
            self._reading_due = None

    def send_400_response(self, msg: str) -> None:
        self.transport.write(_REFUSAL)
        self.transport.close()

    def _watch(self) -> None:
        """Time runs while a request is on its way, whether it dawdles or not."""
        arriving = self.conn.their_state in _ARRIVING
        if arriving and self._request_due is None:
            self._request_due = self.loop.call_later(REQUEST_S, self.transport.abort)
        elif not arriving and self._request_due is not None:
            self._request_due.cancel()
            self._request_due = None


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """None: the page ends with its input."""
        yield


async def serve(app: ASGIApp, listening: socket.socket) -> None:
    """Serve until cancelled."""

    class Protocol(PatientProtocol):
        crowd = Crowd(most_connections())

    config = uvicorn.Config(
        app,
        http=Protocol,
        ws="none",
        loop="asyncio",
        lifespan="off",
        backlog=BACKLOG,
        log_config=None,
        log_level="error",
        # No line for each request: those would fill a card, and tell who looked when.
        access_log=False,
        proxy_headers=False,
        server_header=False,
        timeout_keep_alive=5,
    )
    await _Server(config).serve([listening])
