"""Real brokers, an observer, and a network connection that can be cut."""

import asyncio
import contextlib
import os
import shutil
import socket
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt

from bridge.demo.play import EmbeddedBroker
from tests.waiting import changed, within

Observe = Callable[..., Awaitable["Observer"]]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def listens(port: int) -> bool:
    """Returns whether a program accepts connections on a port of this machine."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@dataclass
class Embedded:
    """The demo's own broker, in this process. It can be restarted on the same port."""

    port: int = field(default_factory=free_port)
    host: str = EmbeddedBroker.host
    newest: str = "3.1.1"
    _broker: EmbeddedBroker | None = None

    async def start(self) -> None:
        self._broker = EmbeddedBroker(self.port)
        await self._broker.start()

    async def stop(self) -> None:
        if self._broker is not None:
            await self._broker.stop()
            self._broker = None


@dataclass
class Mosquitto:
    """``mosquitto`` as a process; ``settings`` are lines of its configuration file."""

    directory: Path
    settings: tuple[str, ...] = ("allow_anonymous true",)
    port: int = field(default_factory=free_port)
    host: str = "127.0.0.1"
    newest: str = "5"
    _process: asyncio.subprocess.Process | None = None

    async def start(self) -> None:
        program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
        assert program is not None, "these tests need mosquitto: install Debian's package 'mosquitto'"
        file = self.directory / f"mosquitto-{self.port}.conf"
        # As root, mosquitto would change to its own user, which cannot read the test's directory.
        lines = ("user root", "log_dest stderr", f"listener {self.port} {self.host}", *self.settings)
        file.write_text("\n".join(lines) + "\n")
        self._process = await asyncio.create_subprocess_exec(
            program, "-c", str(file), stderr=asyncio.subprocess.PIPE
        )
        assert self._process.stderr is not None
        said = b""
        while b" running" not in said:
            said = await within(self._process.stderr.readline(), "mosquitto never ran")
            assert said, "mosquitto ended at its start"

    async def stop(self) -> None:
        if self._process is not None:
            # Not terminate(): mosquitto loses that signal between "running" and its main loop.
            self._process.kill()
            await self._process.communicate()
            self._process = None

    def signal(self, number: int) -> None:
        """Sends the process a signal, such as SIGSTOP for a broker that hangs."""
        assert self._process is not None
        self._process.send_signal(number)


AnyBroker = Embedded | Mosquitto


@dataclass
class Observer:
    """Subscribes to every topic, as a hub does."""

    client: aiomqtt.Client
    kept: dict[str, str] = field(default_factory=dict)
    """What the broker would give to one who comes now: the last payload of each topic that is not deleted."""
    seen: list[tuple[str, str]] = field(default_factory=list)
    _changed: asyncio.Condition = field(default_factory=asyncio.Condition)

    async def listen(self) -> None:
        async for message in self.client.messages:
            topic, payload = message.topic.value, message.payload.decode()
            async with self._changed:
                self.seen.append((topic, payload))
                if payload:
                    self.kept[topic] = payload
                else:
                    self.kept.pop(topic, None)
                self._changed.notify_all()

    async def until(self, what: Callable[["Observer"], bool], told: str) -> None:
        """Waits until a condition holds. The failure names the effect that a user would have missed."""
        await changed(
            self._changed, lambda: what(self), lambda: f"{told}; the last messages were {self.seen[-6:]}"
        )

    async def has(self, topic: str, payload: str) -> None:
        await self.until(
            lambda me: me.kept.get(topic) == payload, f"{topic} did not become {payload!r} for the hub"
        )

    async def said(self, topic: str, part: str) -> None:
        await self.until(
            lambda me: any(t == topic and part in p for t, p in me.seen), f"nothing on {topic} said {part!r}"
        )

    async def sends(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        await self.client.publish(topic, payload, qos=1, retain=retain)


def keeps(topic: str) -> Callable[[Observer], bool]:
    """Returns whether the broker retains a value on this topic."""
    return lambda seen: topic in seen.kept


@dataclass
class Cable:
    """A network connection between client and broker that can be cut."""

    to: AnyBroker
    port: int = 0
    host: str = "127.0.0.1"
    _server: asyncio.Server | None = None
    _ends: set[asyncio.StreamWriter] = field(default_factory=set)

    async def lay(self) -> None:
        """Connects client and broker, for the first time or again."""
        self._server = await asyncio.start_server(self._carry, self.host, self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._ends.add(writer)
        with contextlib.suppress(OSError):
            far_reader, far_writer = await asyncio.open_connection(self.to.host, self.to.port)
            self._ends.add(far_writer)
            await asyncio.gather(_pump(reader, far_writer), _pump(far_reader, writer))
        writer.close()

    def cut(self) -> None:
        """Breaks both ends at once without a farewell packet, as when the process is killed."""
        if self._server is not None:
            self._server.close()
        for end in self._ends:
            end.transport.abort()
        self._ends.clear()


LayCable = Callable[[AnyBroker], Awaitable[Cable]]


async def _pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while data := await reader.read(65536):
            writer.write(data)
            await writer.drain()
    writer.close()
