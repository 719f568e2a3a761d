"""Runs the demo: rig, broker, daemon and observer, connected as in real use, in one event loop. Shell.

Without another broker the demo uses one in this process, which accepts everybody.
"""

import asyncio
import json
import logging
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bridge.daemon.process import Daemon
from bridge.demo import BRIDGE_ID, HURRIED, RESERVOIR, Action, Chapter, Observed, Story, bridge, station
from bridge.errors import HubError, InputError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, MqttVersion
from bridge.mqtt.session import Session
from bridge.mqtt.topics import Layout, Publication
from bridge.rig.pty import RigServer
from bridge.rig.scenario import DEMO, DEMO_SPEED
from bridge.rig.water_path import Truth
from bridge.rig.world import World
from bridge.station.events import StationEvent


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


REFILL, FILL = 0.50, 0.65
DRAWN_BELOW_L = 2.0
"""People draw this much more than down to the refill mark."""
STORY_S = 170.0
"""The story must be complete after this time, also on a slow computer."""
ANSWER_S = 10.0


@dataclass(frozen=True, slots=True)
class Ending:
    """The result of the demo."""

    complete: bool
    missing: str
    """The title of the chapter that was not seen; empty if the story is complete."""
    truth: Truth


class Play:
    """One run of the demo.

    Args:
        broker: (host, port) of a running broker; None starts one.
        on_chapter: called with each chapter when it is complete.
        on_event: called with each event that the daemon logs.
        on_change: called after each published message.
    """

    def __init__(
        self,
        broker: tuple[str, int] | None,
        on_chapter: Callable[[Chapter], None],
        on_event: Callable[[StationEvent], None],
        on_change: Callable[[Observed, Story], None],
    ) -> None:
        self._external = broker
        self._on_chapter = on_chapter
        self._on_event = on_event
        self._on_change = on_change
        self._layout = Layout(BRIDGE_ID, "Clearwell demo")
        self._story = Story()
        self._retained: dict[str, str] = {}
        self._log_lines: tuple[str, ...] = ()

    async def run(self) -> Ending:
        """Run the demo once, from the start to a clean stop."""
        embedded = EmbeddedBroker() if self._external is None else None
        if embedded is not None:
            await embedded.start()
        host, port = self._external or (EmbeddedBroker.host, embedded.port if embedded else 0)
        try:
            with tempfile.TemporaryDirectory(prefix="clearwell-") as folder:
                return await self._with_rig(host, port, Path(folder) / "controller", embedded is not None)
        finally:
            if embedded is not None:
                await embedded.stop()

    async def _with_rig(self, host: str, port: int, pty: Path, old: bool) -> Ending:
        world = World(DEMO, seed=1)
        rig = RigServer(world, pty, DEMO_SPEED)
        serving = asyncio.create_task(rig.run())
        await rig.ready.wait()
        version = MqttVersion.V311 if old else MqttVersion.V5
        plan = bridge(station(DEMO, str(pty), HURRIED, REFILL, FILL), host, port, version)
        daemon = Daemon(plan, self._on_event)
        over = asyncio.Event()
        settings = BrokerSettings(host, f"{BRIDGE_ID}-observer", port, version=version)

        def act(action: Action) -> None:
            self._act(action, session, world, daemon)

        def receive(topic: str, payload: bytes, retained: bool) -> None:
            if not over.is_set() and self._receive(topic, payload, retained, act):
                over.set()

        try:
            async with Session(settings, answer_s=ANSWER_S, on_message=receive) as session:
                await session.subscribe([f"{self._layout.prefix}/5/#"])
                running = asyncio.create_task(daemon.run())
                try:
                    async with asyncio.timeout(STORY_S):
                        await over.wait()
                except TimeoutError:
                    pass
                finally:
                    daemon.stop()
                    await running
        except (BrokerTrouble, OSError) as error:
            raise HubError(
                f"the broker at {host}:{port} cannot be used ({error}); check that it runs and accepts "
                "a client without a password"
            ) from error
        finally:
            truth = world.truth()
            serving.cancel()
            await asyncio.gather(serving, return_exceptions=True)
        return Ending(self._story.over, self._story.waits_for, truth)

    def _receive(self, topic: str, payload: bytes, retained: bool, act: Callable[[Action], None]) -> bool:
        """Take one message. Returns whether the story is complete."""
        if retained and not self._story.chapter:
            # An earlier run may have left messages on the broker.
            return False
        text = str(payload, "utf-8", "replace")
        if "/$log/" in topic:
            self._log_lines = (*self._log_lines[-49:], text)
        elif text:
            self._retained[topic] = text
        else:
            self._retained.pop(topic, None)
        observed = Observed.of(self._layout, RESERVOIR, self._retained, self._log_lines)
        while (chapter := self._story.advance(observed)) is not None:
            self._on_chapter(chapter)
            act(chapter.then)
        self._on_change(observed, self._story)
        return self._story.over

    def _act(self, action: Action, session: Session, world: World, daemon: Daemon) -> None:
        device = self._layout.base(self._layout.device(RESERVOIR))

        def send(path: str, payload: str) -> None:
            session.publish(Publication(f"{device}/{path}/set", payload, 1, False))

        match action:
            case Action.DRAW:
                # A slow computer fills beyond the mark, so a fixed amount might not reach the refill mark.
                truth = world.truth()
                refill_l = REFILL * truth.volume_l / truth.level_fraction
                world.draw(truth.volume_l - refill_l + DRAWN_BELOW_L)
            case Action.TRY_RESET:
                send("health/reset", "product-over-limit")
            case Action.CHANGE_CARTRIDGE:
                world.change_cartridge()
                send("purifier/cartridge-changed", "changed")
                send("health/reset", "product-over-limit")
            case Action.ACKNOWLEDGE:
                send("health/acknowledge", "all")
            case Action.STOP:
                daemon.stop()
            case Action.NOTHING:
                return


def ending_line(ending: Ending) -> str:
    """Return the state of the simulated water as JSON, independent of the bridge's measurements."""
    truth = ending.truth
    return json.dumps(
        {
            "complete": ending.complete,
            "filled_l": round(truth.inflow_l, 1),
            "over_limit_l": round(truth.over_limit_l, 2),
            "reservoir_ppm": round(truth.reservoir_ppm, 1),
            "spilled_l": round(truth.spilled_l, 1),
            "valve": truth.path.value,
        }
    )
