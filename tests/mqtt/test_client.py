"""The hub sees the bridge connect, run, disconnect and reconnect, on real brokers."""

import asyncio
import contextlib
import json
import re
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from bridge.errors import HubError
from bridge.guard.commands import GuardCommand, Hold, StartFill
from bridge.guard.model import Advisory
from bridge.mqtt.announcements import Announcements, AnnouncementTemplate, Each
from bridge.mqtt.broker import BrokerSettings, MqttVersion
from bridge.mqtt.client import HubClient, Timeouts
from bridge.mqtt.topics import Layout, Level, Publication
from bridge.station.view import ActiveAlarm, StationView
from tests.brokers import AnyBroker, Cable, LayCable, Mosquitto, Observe, Observer
from tests.waiting import DEADLINE_S, until, within

LAYOUT = Layout("garden", "Garden bridge")
ROOT, CHILD = "homie/5/garden", "homie/5/garden-north-barrel"


@dataclass
class Bridge:
    """The client as the daemon holds it, with its reports to the daemon."""

    client: HubClient = field(init=False)
    run: "asyncio.Task[None]" = field(init=False)
    commands: list[GuardCommand] = field(default_factory=list)
    reports: list[HubError | None] = field(default_factory=list)
    refusal: str | None = None

    def take(self, reservoir: str, command: GuardCommand, answered: Callable[[str | None], None]) -> None:
        assert reservoir == "north-barrel"
        self.commands.append(command)
        answered(self.refusal)

    def hear(self, trouble: HubError | None) -> None:
        self.reports.append(trouble)

    async def until(self, what: Callable[["Bridge"], bool]) -> None:
        await until(lambda: what(self), lambda: f"only {self.reports} and {self.commands} came")


@dataclass(frozen=True)
class Door:
    """A server that is not a broker."""

    host: str
    port: int


Start = Callable[..., Bridge]


@pytest.fixture
async def start(view: StationView) -> AsyncIterator[Start]:
    """Starts a client on a broker, or on the cable to a broker."""
    bridges: list[Bridge] = []

    def begin(where: AnyBroker | Cable | Door, version: str, **more: Any) -> Bridge:
        settings = BrokerSettings(where.host, "garden-bridge", where.port, version=MqttVersion(version))
        bridge = Bridge()
        bridge.client = HubClient(
            settings,
            LAYOUT,
            [view.identity],
            on_command=bridge.take,
            report=bridge.hear,
            **({"timeouts": Timeouts(DEADLINE_S, 0.05, 0.2)} | more),
        )
        bridge.run = asyncio.create_task(bridge.client.run())
        bridges.append(bridge)
        return bridge

    yield begin
    for bridge in bridges:
        await bridge.client.stop()
        await bridge.run


async def test_the_hub_finds_bridge_and_reservoir_and_every_value(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    hub = await observe(broker)
    bridge = start(broker, broker.newest)
    bridge.client.offer(view)
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.has(f"{CHILD}/$state", "ready")
    child = json.loads(hub.kept[f"{CHILD}/$description"])
    assert json.loads(hub.kept[f"{ROOT}/$description"])["children"] == ["garden-north-barrel"]
    for node_id, node in child["nodes"].items():
        for property_id, described in node["properties"].items():
            is_kept = f"{CHILD}/{node_id}/{property_id}" in hub.kept
            assert is_kept == described.get("retained", True), f"{node_id}/{property_id}"
    states = [payload for topic, payload in hub.seen if topic == f"{CHILD}/$state"]
    assert states == ["init", "ready"]


async def test_a_hub_that_connects_later_finds_all_retained_values(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    bridge = start(broker, broker.newest)
    bridge.client.offer(view)
    await bridge.until(lambda b: None in b.reports)
    hub = await observe(broker)
    await hub.has(f"{CHILD}/reservoir/volume", "120.00")
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.has(f"{CHILD}/$state", "ready")


async def test_what_a_stranger_writes_over_state_description_and_alerts_is_mended_with_the_heartbeat(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    hub = await observe(broker)
    bridge = start(broker, broker.newest, heartbeat_s=0.2)
    low = ActiveAlarm(Advisory.RESERVOIR_LOW.value, "unacknowledged", "The reservoir is low.", False)
    shown = replace(view, alarms=(low,))
    bridge.client.offer(shown)
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.has(f"{CHILD}/$state", "ready")
    right = dict(hub.kept)
    wrong = {
        **{f"{device}/{topic}": word for device in (ROOT, CHILD) for topic, word in STRANGERS},
        f"{CHILD}/$alert/reservoir-low": "All is well.",
        f"{CHILD}/$alert/overflow": "It runs over.",
    }
    for topic, payload in wrong.items():
        await hub.sends(topic, payload, retain=True)
    await hub.until(lambda seen: set(wrong.items()) <= set(seen.seen), "the stranger was not heard")
    await until(
        lambda: all(hub.kept.get(topic) == right.get(topic) for topic in wrong),
        lambda: f"it stayed wrong: { {topic: hub.kept.get(topic) for topic in wrong} }",
        meanwhile=lambda: bridge.client.offer(shown),
    )


async def test_a_connection_that_breaks_after_it_was_up_names_a_second_client_as_a_cause(
    mosquitto: Mosquitto, start: Start
) -> None:
    bridge = start(mosquitto, "5")
    await bridge.until(lambda b: b.client.connected)
    v5 = aiomqtt.ProtocolVersion.V5
    # The bridge connects again, and then the broker disconnects this client in turn.
    with contextlib.suppress(aiomqtt.MqttError):
        async with aiomqtt.Client(mosquitto.host, mosquitto.port, identifier="garden-bridge", protocol=v5):
            await bridge.until(lambda b: any(isinstance(one, HubError) for one in b.reports))
    (cause,) = {str(one) for one in bridge.reports if isinstance(one, HubError)}
    assert "another client with the same client id" in cause
    assert "plain MQTT" not in cause


MANUAL = Path(__file__).parents[2] / "bridge" / "manual"
STRANGERS = (("$state", "lost"), ("$description", "{}"))


async def test_a_view_that_comes_during_the_first_view_of_another_reservoir_is_published(
    broker: AnyBroker, observe: Observe, view: StationView
) -> None:
    """At a start with many reservoirs, first views come while the client still describes other reservoirs."""
    hub = await observe(broker)
    south = replace(view, identity=replace(view.identity, reservoir="south-barrel"))
    client = HubClient(
        BrokerSettings(broker.host, "garden-bridge", broker.port, version=MqttVersion(broker.newest)),
        LAYOUT,
        [view.identity, south.identity],
        on_command=lambda reservoir, command, answered: answered(None),
        report=lambda trouble: None,
    )
    client.offer(view)
    running = asyncio.create_task(client.run())
    await hub.until(
        lambda seen: any(t.startswith(f"{CHILD}/product/") for t, _ in seen.seen), "nothing was shown"
    )
    client.offer(south)
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.has(f"{ROOT}-south-barrel/$state", "ready")
    await client.stop()
    await running


async def test_a_reservoir_stays_in_init_until_its_first_view(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    hub = await observe(broker)
    bridge = start(broker, broker.newest)
    await hub.has(f"{ROOT}/$state", "ready")
    assert hub.kept[f"{CHILD}/$state"] == "init"
    bridge.client.offer(view)
    await hub.has(f"{CHILD}/$state", "ready")


async def test_the_latest_view_is_published_and_alerts_come_and_go(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    hub = await observe(broker)
    bridge = start(broker, broker.newest)
    for volume in range(1000):
        bridge.client.offer(replace(view, volume_l=float(volume)))
    low = ActiveAlarm(Advisory.RESERVOIR_LOW.value, "unacknowledged", "The reservoir is low.", False)
    bridge.client.offer(replace(view, volume_l=12.0, alarms=(low,)))
    await hub.has(f"{CHILD}/reservoir/volume", "12.00")
    await hub.has(f"{CHILD}/$alert/reservoir-low", "The reservoir is low.")
    assert len([t for t, _ in hub.seen if t == f"{CHILD}/reservoir/volume"]) == 1
    bridge.client.offer(view)
    await hub.until(lambda h: f"{CHILD}/$alert/reservoir-low" not in h.kept, "the alert stayed")


async def test_a_good_command_arrives_and_its_effect_is_shown(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    hub = await observe(broker)
    bridge = start(broker, broker.newest)
    bridge.client.offer(view)
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.sends(f"{CHILD}/valve/hold/set", "true")
    await bridge.until(lambda b: len(b.commands) == 1)
    match bridge.commands[0]:
        case Hold(on=True, sender="hub", received_at=at):
            assert at > 0.0
        case other:
            pytest.fail(f"the hub's hold became {other}")
    bridge.client.offer(replace(view, hold=True))
    await hub.has(f"{CHILD}/valve/hold", "true")

    await hub.sends(f"{CHILD}/fill/start/set", "start")
    await hub.said(f"{CHILD}/fill/start", "start")
    assert isinstance(bridge.commands[1], StartFill)


async def test_a_refusal_by_the_guard_is_published_on_the_log_and_not_echoed(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    hub = await observe(broker)
    bridge = start(broker, broker.newest)
    bridge.refusal = "A fill cannot start: the valve is held shut by a trip."
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.sends(f"{CHILD}/fill/start/set", "start")
    await hub.said(f"{CHILD}/$log/warn", "held shut by a trip")
    bridge.client.log(Level.INFO, "One line of the bridge.")
    bridge.client.log(Level.ERROR, "One line of the reservoir.", "north-barrel")
    await hub.said(f"{ROOT}/$log/info", "One line of the bridge.")
    await hub.said(f"{CHILD}/$log/error", "One line of the reservoir.")
    assert not any(topic == f"{CHILD}/fill/start" for topic, _ in hub.seen)


@pytest.mark.parametrize(
    ("path", "payload", "part"),
    [
        ("fill/start", b"\xff\xff", "UTF-8"),
        ("valve/hold", b"maybe", "true or false"),
        ("a/b", b"1", "cannot be set"),
    ],
)
async def test_a_bad_command_is_reported_on_the_log_and_has_no_effect(
    broker: AnyBroker, observe: Observe, start: Start, path: str, payload: bytes, part: str
) -> None:
    bridge = start(broker, broker.newest)
    await bridge.until(lambda b: None in b.reports)
    hub = await observe(broker)
    # The observer reads text only, so it subscribes to the answers alone.
    await hub.client.unsubscribe("#")
    await hub.client.subscribe("homie/5/+/$log/+")
    await hub.sends(f"{CHILD}/{path}/set", payload)
    await hub.said(f"{CHILD}/$log/warn", part)
    assert bridge.commands == []


async def test_a_retained_command_is_refused_at_the_connection(
    broker: AnyBroker, observe: Observe, start: Start
) -> None:
    hub = await observe(broker)
    await hub.sends(f"{CHILD}/fill/start/set", "start", retain=True)
    bridge = start(broker, broker.newest)
    await hub.said(f"{CHILD}/$log/warn", "retained message")
    await hub.has(f"{ROOT}/$state", "ready")
    assert bridge.commands == []


async def test_on_mqtt_5_a_retained_command_is_refused_even_while_it_is_fresh(
    mosquitto: Mosquitto, observe: Observe, start: Start
) -> None:
    hub = await observe(mosquitto)
    bridge = start(mosquitto, "5")
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.sends(f"{CHILD}/fill/start/set", "start", retain=True)
    await hub.said(f"{CHILD}/$log/warn", "retained message")
    assert bridge.commands == []


async def test_on_mqtt_3_1_1_a_fresh_retained_command_is_obeyed_once_as_the_manual_says(
    mosquitto: Mosquitto, observe: Observe, start: Start
) -> None:
    hub = await observe(mosquitto)
    bridge = start(mosquitto, "3.1.1")
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.sends(f"{CHILD}/fill/start/set", "start", retain=True)
    await bridge.until(lambda b: len(b.commands) == 1)
    await bridge.client.stop()
    again = start(mosquitto, "3.1.1")
    await hub.said(f"{CHILD}/$log/warn", "retained message")
    assert again.commands == []
    for page in ("hub", "security"):
        manual = " ".join((MANUAL / f"{page}.md").read_text("utf-8").split())
        assert re.search(r"MQTT 3\.1\.1 .{0,120}fresh.{0,60} obeyed once", manual), page


async def test_the_client_works_with_mosquitto_on_mqtt_3_1_1_too(
    mosquitto: Mosquitto, observe: Observe, start: Start, view: StationView
) -> None:
    hub = await observe(mosquitto)
    bridge = start(mosquitto, "3.1.1")
    bridge.client.offer(view)
    await hub.has(f"{CHILD}/$state", "ready")
    await hub.sends(f"{CHILD}/valve/hold/set", "false")
    await bridge.until(lambda b: len(b.commands) == 1)


async def test_a_killed_bridge_is_shown_as_lost(
    broker: AnyBroker, cable_to: LayCable, observe: Observe, start: Start, view: StationView
) -> None:
    hub, cable = await observe(broker), await cable_to(broker)
    bridge = start(cable, broker.newest)
    bridge.client.offer(view)
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.has(f"{CHILD}/$state", "ready")
    await bridge.until(lambda b: b.client.connected)
    cable.cut()
    await hub.has(f"{ROOT}/$state", "lost")
    await bridge.until(lambda b: isinstance(b.reports[-1], HubError))
    hub.seen.clear()
    await cable.lay()
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.has(f"{CHILD}/$state", "ready")
    assert [p for t, p in hub.seen if t == f"{ROOT}/$state"] == ["init", "ready"]


@pytest.mark.parametrize("version", ["3.1.1", "5"])
async def test_a_command_sent_while_the_bridge_is_away_is_not_delivered_late(
    mosquitto: Mosquitto, cable_to: LayCable, observe: Observe, start: Start, view: StationView, version: str
) -> None:
    hub, cable = await observe(mosquitto), await cable_to(mosquitto)
    bridge = start(cable, version)
    bridge.client.offer(view)
    await hub.has(f"{ROOT}/$state", "ready")
    cable.cut()
    await hub.has(f"{ROOT}/$state", "lost")
    await hub.sends(f"{CHILD}/fill/start/set", "start")
    await cable.lay()
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.sends(f"{CHILD}/valve/hold/set", "true")
    await bridge.until(lambda b: len(b.commands) > 0)
    assert [type(command) for command in bridge.commands] == [Hold]


async def test_a_broker_that_starts_late_or_loses_its_values_receives_everything(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    await broker.stop()
    bridge = start(broker, broker.newest)
    bridge.client.offer(view)
    await bridge.until(lambda b: len(b.reports) > 0)
    assert "nothing listens there" in str(bridge.reports[0])
    assert not bridge.client.connected
    with pytest.raises(HubError, match="is not connected"):
        await bridge.client.send(Publication("log/1", "[]", 1, False))

    await broker.start()
    await bridge.until(lambda b: b.client.connected)
    await bridge.client.send(Publication("log/1", "[]", 1, False))
    await broker.stop()
    await bridge.until(lambda b: b.reports[-1] is not None)
    low = ActiveAlarm(Advisory.RESERVOIR_LOW.value, "unacknowledged", "The reservoir is low.", False)
    bridge.client.offer(replace(view, volume_l=99.0, alarms=(low,)))

    await broker.start()
    await bridge.until(lambda b: b.client.connected)
    hub = await observe(broker)
    await hub.has(f"{CHILD}/reservoir/volume", "99.00")
    await hub.has(f"{CHILD}/$alert/reservoir-low", "The reservoir is low.")
    await hub.has(f"{CHILD}/$state", "ready")
    await hub.has(f"{ROOT}/$state", "ready")

    def missing(seen: Observer) -> list[str]:
        child = json.loads(seen.kept[f"{CHILD}/$description"])
        return [
            f"{n}/{p}"
            for n, node in child["nodes"].items()
            for p, d in node["properties"].items()
            if d.get("retained", True) and f"{CHILD}/{n}/{p}" not in seen.kept
        ]

    await hub.until(lambda seen: missing(seen) == [], "the description promises a value that the hub has not")


async def test_a_clean_stop_publishes_disconnected_and_not_lost(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    hub = await observe(broker)
    bridge = start(broker, broker.newest)
    bridge.client.offer(view)
    await hub.has(f"{ROOT}/$state", "ready")
    await hub.has(f"{CHILD}/$state", "ready")
    await bridge.client.stop()
    await hub.has(f"{ROOT}/$state", "disconnected")
    await hub.sends("marker", "after the stop")
    await hub.has("marker", "after the stop")
    states = [(topic, payload) for topic, payload in hub.seen if topic.endswith("$state")]
    assert states[-2:] == [(f"{CHILD}/$state", "disconnected"), (f"{ROOT}/$state", "disconnected")]


async def _nothing() -> None:
    return


async def test_a_cancelled_client_publishes_disconnected_too(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    hub = await observe(broker)
    bridge = start(broker, broker.newest)
    bridge.client.offer(view)
    await hub.has(f"{ROOT}/$state", "ready")
    bridge.run.cancel()
    await asyncio.wait([bridge.run])
    bridge.run = asyncio.create_task(_nothing())
    await hub.has(f"{ROOT}/$state", "disconnected")


async def test_a_stop_ends_at_once_while_the_broker_is_away(broker: AnyBroker, start: Start) -> None:
    await broker.stop()
    hour_s = 3600.0
    bridge = start(broker, broker.newest, heartbeat_s=hour_s, timeouts=Timeouts(DEADLINE_S, hour_s, hour_s))
    await bridge.until(lambda b: len(b.reports) > 0)
    await within(bridge.client.stop(), "the stop waits for the next attempt")


async def test_a_fault_is_reported_once_and_not_at_every_attempt(start: Start) -> None:
    attempts, third = 0, asyncio.Event()

    async def hang_up(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal attempts
        writer.close()
        attempts += 1
        if attempts == 3:
            third.set()

    server = await asyncio.start_server(hang_up, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    bridge = start(Door("127.0.0.1", port), "5", timeouts=Timeouts(DEADLINE_S, 0.02, 0.02))
    await within(third.wait(), "the client made no third attempt")
    server.close()
    assert len(bridge.reports) == 1
    assert str(port) in str(bridge.reports[0])


async def test_announcements_are_sent_at_the_connection_and_follow_the_values(
    broker: AnyBroker, observe: Observe, start: Start, view: StationView
) -> None:
    templates = [
        AnnouncementTemplate("found/${device}", '{"name": "${reservoir_name}"}', Each.RESERVOIR),
        AnnouncementTemplate("now/${node}/${property}", "${value}", Each.PROPERTY, escape_json=False),
    ]
    hub = await observe(broker)
    bridge = start(broker, broker.newest, announcements=Announcements(templates, LAYOUT))
    bridge.client.offer(view)
    await hub.has("found/garden-north-barrel", '{"name": "The \\"north\\" barrel"}')
    await hub.has("now/reservoir/volume", "120.00")
    bridge.client.offer(replace(view, volume_l=130.0))
    await hub.has("now/reservoir/volume", "130.00")


async def test_a_view_of_an_undescribed_reservoir_is_an_error_of_the_caller(
    broker: AnyBroker, start: Start, view: StationView
) -> None:
    bridge = start(broker, broker.newest)
    with pytest.raises(HubError, match="'pond'"):
        bridge.client.offer(replace(view, identity=replace(view.identity, reservoir="pond")))
