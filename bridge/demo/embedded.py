"""A broker in this process, for those who have none. For the demo only: it lets everybody in."""

import asyncio
import functools
import logging
import socket

from bridge.errors import InputError


class EmbeddedBroker:
    """``amqtt`` on a port of the loopback interface, a free one if none is given; speaks MQTT 3.1.1."""

    host = "127.0.0.1"

    def __init__(self, port: int | None = None) -> None:
        try:
            from amqtt.broker import Broker
        except ImportError as error:
            raise InputError(
                "the demo's own broker needs the extra 'demo': pip install 'clearwell-bridge[demo]', "
                "or give --broker HOST:PORT of a broker that runs"
            ) from error
        # Its ordinary life is no news here.
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        self.port = port or _free_port(self.host)
        self._broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{self.host}:{self.port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )

    async def start(self) -> None:
        """Listen."""
        await self._broker.start()
        for server in self._broker._servers.values():
            # The library leaves the socket of a client that said goodbye open, and from Python 3.12 on its
            # shutdown would wait for that socket for ever; so only the listening one is closed.
            server.close_instance = functools.partial(_close, server.instance)

    async def stop(self) -> None:
        """Stop listening."""
        await self._broker.shutdown()


async def _close(server: asyncio.Server) -> None:
    server.close()


def _free_port(host: str) -> int:
    with socket.socket() as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])
