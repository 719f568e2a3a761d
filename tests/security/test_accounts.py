"""The broker's accounts by ``config/mosquitto-acl``: only the hub's account can send commands."""

import asyncio
import re
import subprocess
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import aiomqtt
import pytest

from bridge.errors import HubError
from bridge.guard.commands import GuardCommand, Hold
from bridge.mqtt.broker import BrokerSettings, MqttVersion, Secret
from bridge.mqtt.client import HubClient, Timeouts
from bridge.mqtt.properties import PROPERTIES
from bridge.mqtt.topics import Layout, Level, Publication
from bridge.station.plan import StationIdentity
from bridge.station.view import ActiveAlarm, StationView
from tests.brokers import Mosquitto, Observer, free_port, keeps
from tests.mqtt.conftest import view
from tests.security.conftest import Start, sentence
from tests.waiting import DEADLINE_S, within

__all__ = ["view"]

ROOT = Path(__file__).parents[2]
ACL = ROOT / "config" / "mosquitto-acl"
PASSWORD = "quiet-otter-31"
ACCOUNTS = ("clearwell", "hub", "viewer", "neighbour")
"""The last one has a password and no line in the file."""
DEVICE = "homie/5/polytunnel-barrel"
HOLD = f"{DEVICE}/valve/hold/set"
IDENTITY = StationIdentity("barrel", "Barrel", 200.0, 50.0, 25.0, 0.5, True, True, True)

pytestmark = pytest.mark.needs("mosquitto")


@pytest.fixture
def identity() -> StationIdentity:
    """The reservoir of ``polytunnel.toml``, with everything fitted."""
    return IDENTITY


@pytest.fixture
def passwords(tmp_path: Path) -> Path:
    file = tmp_path / "passwords"
    for number, account in enumerate(ACCOUNTS):
        make = ("mosquitto_passwd", *(("-c",) if number == 0 else ()), "-b", str(file), account, PASSWORD)
        subprocess.run(make, check=True, capture_output=True)
    return file


@pytest.fixture
async def ruled(mosquitto: Mosquitto, passwords: Path) -> Mosquitto:
    """A mosquitto with these accounts and the rules of the file. Clients without an account may connect."""
    await mosquitto.stop()
    mosquitto.settings = ("allow_anonymous true", f"password_file {passwords}", f"acl_file {ACL}")
    await mosquitto.start()
    return mosquitto


class Bridge:
    """The bridge's own client, with the commands that reached it."""

    def __init__(self, where: Mosquitto, version: MqttVersion) -> None:
        self.heard: list[GuardCommand] = []
        self.troubles: list[HubError] = []
        self._stands = asyncio.Event()
        self._came = asyncio.Event()
        settings = BrokerSettings(
            "127.0.0.1", "polytunnel", where.port, "clearwell", Secret(PASSWORD), version
        )
        self.client = HubClient(
            settings, Layout("polytunnel", "Polytunnel"), [IDENTITY], on_command=self._take,
            report=self._report, timeouts=Timeouts(DEADLINE_S, 0.1, 0.2),
        )  # fmt: skip

    def _take(self, _: str, command: GuardCommand, answered: Callable[[str | None], None]) -> None:
        self.heard.append(command)
        self._came.set()
        answered(None)

    def _report(self, trouble: HubError | None) -> None:
        if trouble is None:
            self._stands.set()
        else:
            self.troubles.append(trouble)

    async def stands(self) -> None:
        await within(self._stands.wait(), "the bridge never reached the broker")

    async def came(self) -> None:
        await within(self._came.wait(), "no command reached the bridge")


@pytest.fixture(params=list(MqttVersion), ids=lambda version: f"MQTT-{version.value}")
async def bridge(ruled: Mosquitto, request: pytest.FixtureRequest) -> AsyncIterator[Bridge]:
    one = Bridge(ruled, request.param)
    task = asyncio.create_task(one.client.run())
    await one.stands()
    yield one
    await one.client.stop()
    await task


@asynccontextmanager
async def logged_in(where: Mosquitto, account: str | None) -> AsyncIterator[tuple[aiomqtt.Client, Observer]]:
    """A client that receives every message that the broker permits to this account."""
    password = None if account is None else PASSWORD
    async with aiomqtt.Client(where.host, where.port, username=account, password=password) as client:
        observer = Observer(client)
        await client.subscribe("#", qos=1)
        task = asyncio.create_task(observer.listen())
        try:
            yield client, observer
        finally:
            task.cancel()
            await asyncio.wait([task])


async def test_the_bridge_can_publish_every_topic_and_the_hub_receives_it(
    ruled: Mosquitto, bridge: Bridge, view: StationView
) -> None:
    low = ActiveAlarm("reservoir-low", "unacknowledged", "The reservoir is low.", False)
    async with logged_in(ruled, "hub") as (client, hub):
        await hub.has("homie/5/polytunnel/$state", "ready")
        bridge.client.offer(replace(view, alarms=(low,)))
        await hub.has(f"{DEVICE}/$state", "ready")
        # Every property, the alarms and the log. On MQTT 3.1.1 the broker drops forbidden messages silently.
        for row in PROPERTIES:
            if row.retained and row.is_fitted(IDENTITY):
                await hub.until(keeps(f"{DEVICE}/{row.path}"), f"the hub never saw {row.path}")
        await hub.has(f"{DEVICE}/$alert/reservoir-low", "The reservoir is low.")
        bridge.client.log(Level.WARN, "A line.", "barrel")
        await hub.said(f"{DEVICE}/$log/warn", "A line.")
        thing = "clearwell/polytunnel/things/barrel"
        await hub.until(lambda seen: thing in seen.kept, "the hub never saw the description of the barrel")
        await bridge.client.send(Publication("clearwell/polytunnel/records", "[]", 1, False))
        await hub.said("clearwell/polytunnel/records", "[]")
        # The answer to a command whose property is not retained.
        await client.publish(f"{DEVICE}/fill/start/set", "start", qos=1)
        await hub.said(f"{DEVICE}/fill/start", "start")
        assert bridge.troubles == []


async def test_only_the_hubs_commands_reach_the_bridge(ruled: Mosquitto, bridge: Bridge) -> None:
    for account in ("viewer", "neighbour", "clearwell", None):
        async with logged_in(ruled, account) as (client, _):
            for topic in (HOLD, f"{DEVICE}/fill/start/set", f"{DEVICE}/health/reset/set"):
                await client.publish(topic, "true", qos=1)
    async with logged_in(ruled, "hub") as (client, _):
        await client.publish(HOLD, "false", qos=1)
        # The broker received all other messages before this one.
        await bridge.came()
    assert [type(command) for command in bridge.heard] == [Hold]
    assert bridge.heard[0] == Hold(bridge.heard[0].received_at, "hub", on=False)


async def test_a_viewer_sees_the_values_and_no_records_and_others_see_nothing(
    ruled: Mosquitto, bridge: Bridge
) -> None:
    async with logged_in(ruled, "viewer") as (_, viewer), logged_in(ruled, "neighbour") as (_, neighbour):
        async with logged_in(ruled, None) as (_, stranger), logged_in(ruled, "hub") as (client, hub):
            await bridge.client.send(Publication("clearwell/polytunnel/records", "[]", 1, False))
            await hub.said("clearwell/polytunnel/records", "[]")
            await client.publish(HOLD, "true", qos=1)
            await bridge.came()
            await viewer.has("homie/5/polytunnel/$state", "ready")
            await hub.has("homie/5/polytunnel/$state", "ready")
        assert "clearwell/polytunnel/records" not in dict(viewer.seen)
        assert neighbour.seen == []
        assert stranger.seen == []


async def test_the_bridges_account_receives_commands_only_and_cannot_send_any(
    ruled: Mosquitto, bridge: Bridge
) -> None:
    async with logged_in(ruled, "clearwell") as (thief, taken), logged_in(ruled, "hub") as (client, hub):
        await hub.has("homie/5/polytunnel/$state", "ready")
        await thief.publish(HOLD, "true", qos=1)
        await thief.publish("homie/5/neighbours-pump/$state", "lost", qos=1)
        await client.publish(HOLD, "false", qos=1)
        await bridge.came()
        await taken.said(HOLD, "false")
    assert taken.seen == [(HOLD, "false")]
    assert "homie/5/neighbours-pump/$state" not in hub.kept
    assert [command.on for command in bridge.heard if isinstance(command, Hold)] == [False]


async def test_the_daemon_logs_in_with_its_secrets_and_a_wrong_one_is_reported(
    ruled: Mosquitto, configured: Callable[..., Path], secrets: Callable[[str, str], str], start: Start
) -> None:
    wrong = configured(ruled.port, host="127.0.0.1", top=secrets("clearwell", "noisy-otter-32"))
    daemon = start("run", "--config", wrong)
    assert "user" in sentence(daemon, "hub-away")
    daemon.stop()
    right = configured(ruled.port, host="127.0.0.1", top=secrets("clearwell", PASSWORD))
    start("run", "--config", right).has_printed('"event": "hub-connected"')


async def test_the_example_broker_accepts_its_file_and_requires_password_and_encryption(
    tmp_path: Path, passwords: Path, certificates: Path, configured: Callable[..., Path],
    secrets: Callable[[str, str], str], start: Start,
) -> None:  # fmt: skip
    """The test uses ``config/mosquitto.conf`` unchanged, except for the paths of its files."""
    text = (ROOT / "config" / "mosquitto.conf").read_text(encoding="utf-8")
    port = free_port()
    for there, here in (
        ("/etc/mosquitto/clearwell-passwords", passwords),
        ("/etc/mosquitto/clearwell-acl", ACL),
        ("/etc/mosquitto/ca_certificates/ca.pem", certificates / "ca.pem"),
        ("/etc/mosquitto/certs/broker.pem", certificates / "broker.pem"),
        ("/etc/mosquitto/certs/broker.key", certificates / "broker.key"),
        ("listener 8883", f"listener {port}"),
    ):
        assert there in text
        text = re.sub(rf"^(?!#)(.*){re.escape(there)}$", rf"\g<1>{here}", text, flags=re.MULTILINE)
    broker = Mosquitto(tmp_path, settings=tuple(text.splitlines()))
    await broker.start()
    try:
        hub = f'[hub.tls]\nca_file = "{certificates}/ca.pem"'
        config = configured(port, hub=hub, top=secrets("clearwell", PASSWORD))
        accepted = start("run", "--config", config)
        accepted.has_printed('"event": "hub-connected"')
        # While it runs, a second daemon here with its client id stops before it asks the broker.
        assert accepted.stop() == 0
        stranger = start("run", "--config", configured(port, hub=hub))
        assert "user" in sentence(stranger, "hub-away")
    finally:
        await broker.stop()
