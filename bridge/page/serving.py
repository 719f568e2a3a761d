"""The web server of the page, with its bounds."""

import contextlib
import socket
from collections.abc import Iterator

import uvicorn
from starlette.types import ASGIApp

from bridge.page.patience import BACKLOG, Crowd, PatientProtocol, most_connections


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
