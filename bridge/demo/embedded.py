"""A broker in this process, for the demo only: it accepts everybody."""

import asyncio
import logging

from bridge.errors import InputError


class EmbeddedBroker:
    """``amqtt`` on a port of the loopback interface; it supports MQTT 3.1.1.

    Args:
        port: the port; None for a free one.
    """

    host = "127.0.0.1"

    def __init__(self, port: int | None = None) -> None:
        try:
            from amqtt.broker import Broker
        except ImportError as error:
            raise InputError(
                "the demo's own broker needs the extra 'demo': pip install 'clearwell-bridge[demo]', "
                "or give --broker HOST:PORT of a running broker"
            ) from error
        # Its normal messages are of no use in the demo.
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self.port = port or 0
        self._server: asyncio.Server | None = None
        self._broker = Broker(
            {
                "listeners": {"default": {"type": "external"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )

    async def start(self) -> None:
        """Start to listen."""
        await self._broker.start()
        # The listener is ours, because the library's own waits at its end for every connection, and it leaves
        # the connection of a client that has disconnected open.
        self._server = await asyncio.start_server(self._connected, self.host, self.port)
        self.port = int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Stop listening."""
        if self._server is not None:
            self._server.close()
        await self._broker.shutdown()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter

        await self._broker.external_connected(
            StreamReaderAdapter(reader), StreamWriterAdapter(writer), "default"
        )
