"""A broker in this process, for those who have none. For the demo only: it lets everybody in."""

import logging
import socket

from bridge.errors import InputError


class EmbeddedBroker:
    """``amqtt`` on a free port of the loopback interface; speaks MQTT 3.1.1."""

    host = "127.0.0.1"

    def __init__(self) -> None:
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
        with socket.socket() as probe:
            probe.bind((self.host, 0))
            self.port = int(probe.getsockname()[1])
        self._broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{self.host}:{self.port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )

    async def start(self) -> None:
        """Listen."""
        await self._broker.start()

    async def stop(self) -> None:
        """Stop listening."""
        await self._broker.shutdown()
