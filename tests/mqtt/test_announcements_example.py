"""The worked example of announcement templates is complete, and its comments are true."""

import asyncio
import json
import re
from dataclasses import replace
from pathlib import Path

from bridge.config.loading import load
from bridge.mqtt.announcements import PAYLOAD_PLACEHOLDERS, TOPIC_PLACEHOLDERS, Announcements, Each
from bridge.mqtt.broker import MqttVersion
from bridge.mqtt.client import HubClient
from bridge.station.view import StationView
from tests.brokers import AnyBroker, Observe

FILE = Path(__file__).parents[2] / "config" / "announcements-example.toml"
BARREL = "homie/5/potting-shed-barrel"


def test_its_comments_list_every_placeholder() -> None:
    comments = "\n".join(line for line in FILE.read_text().splitlines() if line.startswith("#"))
    in_topics, in_payloads = comments.split("Placeholders in a payload")
    topics, payloads = (set(re.findall(r"\$\{(\w+)\}", part)) - {"name"} for part in (in_topics, in_payloads))
    assert topics == set(TOPIC_PLACEHOLDERS[Each.PROPERTY])
    assert payloads - topics == set(PAYLOAD_PLACEHOLDERS[Each.PROPERTY]) - set(
        TOPIC_PLACEHOLDERS[Each.PROPERTY]
    )


def test_it_shows_every_kind_of_template() -> None:
    plan = load(FILE, {})
    assert plan.hub is not None
    templates = plan.hub.announcements
    assert {one.each for one in templates} == set(Each)
    for of in ("retain", "escape_json", "has_value"):
        assert {getattr(one, of) for one in templates} == {True, False}, of


async def test_the_invented_hub_gets_its_cards_its_lines_and_its_values(
    broker: AnyBroker, observe: Observe, view: StationView
) -> None:
    plan = load(FILE, {})
    assert plan.hub is not None
    settings = replace(
        plan.hub.broker, host=broker.host, port=broker.port, version=MqttVersion(broker.newest)
    )
    identity = plan.stations[0].identity
    hub = await observe(broker)
    client = HubClient(
        settings, plan.hub.layout, [identity], on_command=lambda *_: None, report=lambda _: None,
        announcements=Announcements(plan.hub.announcements, plan.hub.layout),
    )  # fmt: skip
    client.offer(replace(view, identity=identity))
    run = asyncio.create_task(client.run())

    await hub.has("board/door/barrel", 'The "rain" barrel: suitable')
    await hub.until(lambda seen: "board/buttons/potting-shed-barrel/hold" in seen.kept, "no buttons came")
    card = json.loads(hub.kept["board/houses/potting-shed/barrel"])
    assert card["heading"] == 'The "rain" barrel'
    assert (round(card["litres"]), card["red-from"], card["scale"]) == (201, 50, "0.5 ppm per µS/cm")
    assert json.loads(hub.kept["board/houses/potting-shed"])["alive"]["look-at"] == (
        "homie/5/potting-shed/$state"
    )
    line = json.loads(hub.kept["board/lines/potting-shed-barrel/product/ppm"])
    assert hub.kept[line["look-at"]] == "6.0000"
    button = json.loads(hub.kept["board/buttons/potting-shed-barrel/hold"])
    assert button["press"]["to"] == f"{BARREL}/valve/hold/set"

    bad = replace(view, reservoir_verdict="unsuitable", first_out="product-over-limit")
    client.offer(replace(bad, identity=identity))
    await hub.has("board/door/barrel", 'The "rain" barrel: unsuitable')
    await hub.said("board/bell/barrel", '{"ring-for": "product-over-limit"}')
    await client.stop()
    await run
    later = await observe(broker)
    await later.has("board/door/barrel", 'The "rain" barrel: unsuitable')
    assert "board/bell/barrel" not in later.kept
