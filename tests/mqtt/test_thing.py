"""The Web of Things description is valid, complete and true, so a program needs nothing else.

The schema is the W3C's own, ``validation/td-json-schema-validation.json`` of w3c/wot-thing-description, as
npm's ``wot-thing-description-types`` carries it (by the W3C Web of Things Working Group, W3C-20150513).
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiomqtt
import jsonschema
import pytest

from bridge import __version__
from bridge.guard.commands import GuardCommand, Hold, Reset
from bridge.guard.model import Trip
from bridge.mqtt.broker import BrokerSettings, MqttVersion, Secret, TlsSettings
from bridge.mqtt.client import HubClient
from bridge.mqtt.commands import Accepted, Incoming, parse
from bridge.mqtt.properties import ALARM_WORDS
from bridge.mqtt.thing import CAUTION, Access, thing_description, topic
from bridge.mqtt.topics import Layout, fitted
from bridge.station.plan import StationIdentity
from bridge.station.view import ActiveAlarm, StationView
from tests.brokers import AnyBroker, Observe, keeps
from tests.node.modules import node_modules

LAYOUT = Layout("garden", "Garden bridge")
ACCESS = Access("mqtt://broker.local:1883", "nosec")
Document = dict[str, Any]


def described(identity: StationIdentity, access: Access = ACCESS) -> Document:
    """Returns the description as a reader receives it, through JSON."""
    text = json.dumps(thing_description(identity, LAYOUT, access, "1.2.3"))
    return dict(json.loads(text))


def affordances(thing: Document) -> dict[str, Document]:
    return {**thing["properties"], **thing["actions"], **thing["events"]}


def coded(affordance: Document, value: object) -> str:
    """Returns a value in the form's content type."""
    content = affordance["forms"][-1]["contentType"]
    return json.dumps(value) if content == "application/json" else str(value)


def decoded(affordance: Document, payload: str) -> object:
    return json.loads(payload) if affordance["forms"][0]["contentType"] == "application/json" else payload


@pytest.fixture(scope="module")
def schema() -> jsonschema.Draft7Validator:
    file = node_modules() / "wot-thing-description-types" / "schema" / "td-json-schema-validation.json"
    document = json.loads(file.read_text())
    jsonschema.Draft7Validator.check_schema(document)
    return jsonschema.Draft7Validator(document, format_checker=jsonschema.FormatChecker())


@pytest.mark.needs("nodejs")
def test_every_description_is_valid_by_the_schema_of_the_w3c(
    schema: jsonschema.Draft7Validator, identity: StationIdentity
) -> None:
    nothing = replace(
        identity, has_feed_probe=False, has_drain=False, has_volume=False, has_forecast=False, name=""
    )
    odd = replace(identity, name='</script> "\\\n☘')
    tls = TlsSettings(cert_file=Path("a.pem"), key_file=Path("b.pem"))
    accesses = [
        ACCESS,
        Access.of(BrokerSettings("::1", "me", username="u", password=Secret("p"))),
        Access.of(BrokerSettings("broker.example.net", "me", 8883, tls=tls)),
    ]
    for one in (identity, nothing, odd):
        for access in accesses:
            errors = [error.message for error in schema.iter_errors(described(one, access))]
            assert errors == []


@pytest.mark.needs("nodejs")
@pytest.mark.parametrize(
    "broken",
    [
        lambda thing: thing.pop("title"),
        lambda thing: thing["properties"]["valve-hold"]["forms"][0].pop("href"),
        lambda thing: thing["properties"]["product-ppm"].update(type="quantity"),
        lambda thing: thing["actions"]["fill-start"]["forms"][0].update(op=["readproperty"]),
    ],
)
def test_the_schema_finds_a_fault(
    schema: jsonschema.Draft7Validator, identity: StationIdentity, broken: Any
) -> None:
    thing = described(identity)
    broken(thing)
    assert not schema.is_valid(thing)


def test_every_fitted_part_is_described(identity: StationIdentity) -> None:
    bare = replace(identity, has_feed_probe=False, has_volume=False, has_forecast=False)
    for one in (identity, bare):
        thing, rows = described(one), fitted(one)
        values = {f"{row.node}-{row.id}" for row in rows if row.retained}
        assert set(thing["properties"]) == values | {"bridge-state"}
        assert set(thing["actions"]) == {f"{row.node}-{row.id}" for row in rows if not row.retained}
        assert set(thing["events"]) == set(ALARM_WORDS)
        for row in rows:
            told = affordances(thing)[f"{row.node}-{row.id}"]
            unit = told.get("unit", told.get("input", {}).get("unit"))
            assert unit == (None if row.unit == "#" else row.unit), row.path
            assert told.get("readOnly", not row.settable) is not row.settable, row.path


def test_it_contains_the_facts_that_a_reader_needs(identity: StationIdentity) -> None:
    thing = described(identity)
    assert thing["title"] == 'The "north" barrel'
    assert CAUTION in thing["description"]
    assert thing["version"] == {"instance": "1.2.3"}
    assert thing["id"].startswith("urn:uuid:")
    assert thing["id"] == described(replace(identity, name="Renamed"))["id"]
    assert thing["id"] != described(replace(identity, reservoir="other"))["id"]


def test_it_describes_the_login_and_contains_no_secret(identity: StationIdentity) -> None:
    settings = BrokerSettings("::1", "me", username="clearwell", password=Secret("velvet-badger-77"))
    access = Access.of(settings)
    assert access == Access("mqtt://[::1]:1883", "basic")
    thing = described(identity, access)
    assert thing["securityDefinitions"][thing["security"]] == {"scheme": "basic", "in": "auto"}
    assert "velvet-badger" not in json.dumps(thing)
    encrypted = BrokerSettings("b", "me", 8883, tls=TlsSettings())
    assert Access.of(encrypted) == Access("mqtts://b:8883", "nosec")
    certified = replace(encrypted, tls=TlsSettings(cert_file=Path("a"), key_file=Path("b")))
    assert Access.of(certified).scheme == "auto"


def test_every_allowed_input_is_a_valid_command(identity: StationIdentity) -> None:
    thing = described(identity)
    wanted = {name: action["input"] for name, action in thing["actions"].items()}
    wanted["valve-hold"] = thing["properties"]["valve-hold"]
    tried = 0
    for name, schema in wanted.items():
        affordance = affordances(thing)[name]
        form = affordance["forms"][-1]
        assert (form["href"], form["mqv:retain"], form["mqv:qos"]) == (ACCESS.uri, False, "2")
        for value in _examples(schema):
            payload = coded(affordance, value).encode()
            message = Incoming(form["mqv:topic"], payload, False, 1.0)
            answer = parse(LAYOUT, {"garden-north-barrel": identity}, message)
            assert isinstance(answer, Accepted), f"{name} {value!r}: {answer}"
            tried += 1
    assert tried > 40


def _examples(schema: Document) -> list[object]:
    if "enum" in schema:
        return list(schema["enum"])
    if schema["type"] == "boolean":
        return [True, False]
    if schema["type"] == "number":
        return [schema["minimum"], schema["maximum"], 12.5]
    fields = {name: _examples(one) for name, one in schema["properties"].items()}
    return [
        {name: some[-1] for name, some in fields.items()},
        {name: some[0] for name, some in fields.items()},
    ]


@pytest.fixture
async def bridge(broker: AnyBroker, view: StationView) -> AsyncIterator[tuple[HubClient, list[GuardCommand]]]:
    """The bridge's client on a broker, with the commands that it receives."""
    heard: list[GuardCommand] = []

    def take(_: str, command: GuardCommand, answered: Callable[[str | None], None]) -> None:
        heard.append(command)
        answered(None)

    settings = BrokerSettings(broker.host, "garden-bridge", broker.port, version=MqttVersion(broker.newest))
    client = HubClient(
        settings,
        LAYOUT,
        [view.identity],
        on_command=take,
        report=lambda _: None,
    )
    run = asyncio.create_task(client.run())
    yield client, heard
    await client.stop()
    await run


async def test_a_program_that_knows_only_the_description_reads_writes_and_gets_answers(
    broker: AnyBroker, observe: Observe, bridge: tuple[HubClient, list[GuardCommand]], view: StationView
) -> None:
    client, heard = bridge
    alarm = ActiveAlarm("reservoir-low", "unacknowledged", "The reservoir is nearly empty.", False)
    client.offer(replace(view, alarms=(alarm,)))
    hub = await observe(broker)
    where = topic(LAYOUT, "north-barrel")
    assert where == "clearwell/garden/things/north-barrel"
    await hub.until(lambda seen: where in seen.kept, "no description came")
    thing = json.loads(hub.kept[where])
    assert thing == thing_description(
        view.identity, LAYOUT, Access(f"mqtt://{broker.host}:{broker.port}", "nosec"), __version__
    )

    for name, affordance in thing["properties"].items():
        (form,) = (one for one in affordance["forms"] if "readproperty" in one["op"])
        assert form["mqv:retain"] is True
        path = form["mqv:filter"]
        await hub.until(keeps(path), f"nothing to read for {name}")
        jsonschema.validate(decoded(affordance, hub.kept[path]), affordance)
    low = thing["events"]["reservoir-low"]
    assert hub.kept[low["forms"][0]["mqv:filter"]] == "The reservoir is nearly empty."

    async with aiomqtt.Client(broker.host, broker.port) as stranger:
        for affordance, value in (
            (thing["properties"]["valve-hold"], True),
            (thing["actions"]["health-reset"], "overflow"),
        ):
            form = affordance["forms"][-1]
            await stranger.publish(
                form["mqv:topic"], coded(affordance, value), int(form["mqv:qos"]), form["mqv:retain"]
            )
    echo = "homie/5/garden-north-barrel/health/reset"
    await hub.said(echo, "overflow")
    hold, reset = heard
    assert isinstance(hold, Hold)
    assert hold.on
    assert isinstance(reset, Reset)
    assert reset.trip is Trip.OVERFLOW


async def test_a_probe_that_is_fitted_later_is_in_the_next_description(
    broker: AnyBroker, observe: Observe, bridge: tuple[HubClient, list[GuardCommand]], view: StationView
) -> None:
    client, _ = bridge
    hub = await observe(broker)
    where = topic(LAYOUT, "north-barrel")
    await hub.until(lambda seen: "feed-ppm" in seen.kept.get(where, ""), "no description came")
    client.offer(replace(view, identity=replace(view.identity, has_feed_probe=False)))
    await hub.until(
        lambda seen: "feed-ppm" not in seen.kept[where], "the description still has a feed that is gone"
    )
