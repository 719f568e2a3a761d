"""Runs the demo: rig, broker, daemon and the judge, each as in real life, in one event loop."""

import asyncio
import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bridge.daemon.process import Daemon
from bridge.demo.embedded import EmbeddedBroker
from bridge.demo.rigged import BRIDGE_ID, HURRIED, RESERVOIR, bridge, station
from bridge.demo.story import Chapter, Deed, Heard, Teller
from bridge.errors import HubError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, MqttVersion
from bridge.mqtt.session import Session
from bridge.mqtt.topics import Layout, Publication
from bridge.rig.pty import RigServer
from bridge.rig.reservoir import Truth
from bridge.rig.scenario import DEMO, DEMO_SPEED
from bridge.rig.world import World
from bridge.station.station import StationEvent

REFILL, FILL = 0.50, 0.65
DRAW_L = 32.0
PATIENCE_S = 55.0
"""The story must be over by then."""
ANSWER_S = 10.0


@dataclass(frozen=True, slots=True)
class Ending:
    """How it went."""

    complete: bool
    waited_for: str
    truth: Truth


class Play:
    """One showing.

    Args:
        broker: (host, port) of a broker that runs; None brings one along.
        on_chapter: told each chapter as it is completed.
        on_event: told what the daemon logs.
        on_change: told whenever something was published.
    """

    def __init__(
        self,
        broker: tuple[str, int] | None,
        on_chapter: Callable[[Chapter], None],
        on_event: Callable[[StationEvent], None],
        on_change: Callable[[Heard, Teller], None],
    ) -> None:
        self._external = broker
        self._on_chapter = on_chapter
        self._on_event = on_event
        self._on_change = on_change
        self._layout = Layout(BRIDGE_ID, "Clearwell demo")
        self._teller = Teller()
        self._kept: dict[str, str] = {}
        self._said: tuple[str, ...] = ()

    async def run(self) -> Ending:
        """Show it once, from start to clean stop."""
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
        settings = BrokerSettings(host, f"{BRIDGE_ID}-judge", port, version=version)

        def do(deed: Deed) -> None:
            self._do(deed, session, world, daemon)

        def hear(topic: str, payload: bytes, kept: bool) -> None:
            if not over.is_set() and self._hear(topic, payload, kept, do):
                over.set()

        try:
            async with Session(settings, answer_s=ANSWER_S, on_message=hear) as session:
                await session.subscribe([f"{self._layout.prefix}/5/#"])
                running = asyncio.create_task(daemon.run())
                try:
                    async with asyncio.timeout(PATIENCE_S):
                        await over.wait()
                except TimeoutError:
                    pass
                finally:
                    daemon.stop()
                    await running
        except (BrokerTrouble, OSError) as error:
            raise HubError(
                f"the broker at {host}:{port} cannot be used ({error}); check that it runs and lets in "
                "a client without a password"
            ) from error
        finally:
            truth = world.truth()
            serving.cancel()
            await asyncio.gather(serving, return_exceptions=True)
        return Ending(self._teller.over, self._teller.waits_for, truth)

    def _hear(self, topic: str, payload: bytes, kept: bool, do: Callable[[Deed], None]) -> bool:
        """Take one message; True when the story is over."""
        if kept and not self._teller.chapter:
            # What an earlier showing left on the broker is not part of this one.
            return False
        text = str(payload, "utf-8", "replace")
        if "/$log/" in topic:
            self._said = (*self._said[-49:], text)
        elif text:
            self._kept[topic] = text
        else:
            self._kept.pop(topic, None)
        heard = Heard.of(self._layout, RESERVOIR, self._kept, self._said)
        while (chapter := self._teller.hear(heard)) is not None:
            self._on_chapter(chapter)
            do(chapter.then)
        self._on_change(heard, self._teller)
        return self._teller.over

    def _do(self, deed: Deed, session: Session, world: World, daemon: Daemon) -> None:
        device = self._layout.base(self._layout.device(RESERVOIR))

        def say(path: str, payload: str) -> None:
            session.publish(Publication(f"{device}/{path}/set", payload, 1, False))

        match deed:
            case Deed.DRAW:
                world.draw(DRAW_L)
            case Deed.TRY_RESET:
                say("health/reset", "product-over-limit")
            case Deed.CHANGE_CARTRIDGE:
                world.change_cartridge()
                say("purifier/cartridge-changed", "changed")
                say("health/reset", "product-over-limit")
            case Deed.ACKNOWLEDGE:
                say("health/acknowledge", "all")
            case Deed.STOP:
                daemon.stop()
            case Deed.NOTHING:
                return


def ending_line(ending: Ending) -> str:
    """What the rig itself says at the end, as JSON: the water's truth, not the bridge's opinion."""
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
