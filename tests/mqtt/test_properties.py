"""A controller that knows only the convention finds every property, and every property is valid."""

import json
import math
import re
from dataclasses import fields, replace
from typing import Any

import pytest

from bridge.errors import InputError
from bridge.mqtt.device import Device
from bridge.mqtt.properties import NODES, PROPERTIES
from bridge.mqtt.topics import Layout, describe_bridge, describe_reservoir, fitted
from bridge.station.plan import StationIdentity
from bridge.station.view import StationView
from tests.narrowing import of_kind

LAYOUT = Layout("garden", "Garden bridge")
# The Homie Convention, version 5.0, "Payloads".
FLOAT = re.compile(r"-?\d+(\.\d+)?([eE]-?\d+)?", re.ASCII)
INTEGER = re.compile(r"-?\d+", re.ASCII)
TOPIC_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*", re.ASCII)


def document(identity: StationIdentity) -> dict[str, Any]:
    described = json.loads(describe_reservoir(LAYOUT, identity, 100.0).publication(LAYOUT).payload)
    return of_kind(dict, described)


def is_valid(payload: str, described: dict[str, Any]) -> bool:
    form = described.get("format", "")
    match described["datatype"]:
        case "float":
            return bool(FLOAT.fullmatch(payload)) and (not form.startswith("0:") or float(payload) >= 0.0)
        case "integer":
            return bool(INTEGER.fullmatch(payload))
        case "boolean":
            return payload in ("true", "false")
        case "enum":
            return payload in form.split(",")
        case "json":
            return isinstance(json.loads(payload), list | dict) and isinstance(json.loads(form), dict)
        case "string":
            return payload != ""
    return False


def test_every_value_of_a_healthy_reservoir_is_published_and_fits_its_description(view: StationView) -> None:
    described = document(view.identity)
    device = Device.of(LAYOUT, view.identity, 300.0, 100.0)
    _, messages = device.update(view, 0.0, 100.0)
    # An empty payload deletes the topic of a part that is not fitted.
    told = [m for m in messages if "$" not in m.topic and m.payload]
    values = {m.topic.removeprefix("homie/5/garden-north-barrel/"): m for m in told}
    expected = {
        f"{node_id}/{property_id}"
        for node_id, node in described["nodes"].items()
        for property_id, p in node["properties"].items()
        if p.get("retained", True)
    }
    assert set(values) == expected
    for path, message in values.items():
        node, property_id = path.split("/")
        assert is_valid(message.payload, described["nodes"][node]["properties"][property_id]), message
        assert message.retain


def test_a_check_cell_is_a_node_of_its_own(view: StationView) -> None:
    identity = replace(view.identity, has_feed_probe=False, has_check_cell=True)
    assert "check" not in document(view.identity)["nodes"]
    assert list(document(identity)["nodes"]["check"]["properties"]) == [
        "conductivity",
        "ppm",
        "difference",
        "temperature",
        "health",
    ]
    device = Device.of(LAYOUT, identity, 300.0, 100.0)
    seen = replace(view, identity=identity, check_ppm=6.31, check_difference_percent=-4.96)
    _, messages = device.update(seen, 0.0, 100.0)
    values = {m.topic.rpartition("barrel/")[2]: m.payload for m in messages}
    assert (values["check/ppm"], values["check/difference"]) == ("6.3100", "-5.0")
    assert (values["check/temperature"], values["check/health"]) == ("", "good")


def test_the_nodes_and_the_settable_properties_are_those_of_the_manual(identity: StationIdentity) -> None:
    nodes = document(identity)["nodes"]
    assert list(nodes) == [
        "product",
        "feed",
        "reservoir",
        "valve",
        "fill",
        "purifier",
        "health",
        "weather",
        "round",
    ]
    settable = {f"{n}/{p}" for n in nodes for p, d in nodes[n]["properties"].items() if d.get("settable")}
    assert settable == {
        "valve/hold",
        "fill/start",
        "health/acknowledge",
        "health/reset",
        "health/shelve",
        "purifier/cartridge-changed",
        "product/retest",
        "reservoir/sample",
        "weather/temperature",
        "weather/humidity",
        "weather/radiation",
        "weather/wind",
        "weather/rain",
    }
    momentary = {
        f"{n}/{p}" for n in nodes for p, d in nodes[n]["properties"].items() if not d.get("retained", True)
    }
    assert momentary == settable - {"valve/hold"}


def test_parts_that_are_not_fitted_are_not_described(identity: StationIdentity) -> None:
    bare = replace(identity, has_feed_probe=False, has_volume=False, has_trays=False, needs_weather=False)
    nodes = document(bare)["nodes"]
    assert "feed" not in nodes
    assert "weather" not in nodes
    assert "round" not in nodes
    assert "rejection" not in nodes["purifier"]
    assert {"volume", "level"}.isdisjoint(nodes["reservoir"]["properties"])
    assert "zone" in nodes["reservoir"]["properties"]


def test_units_have_the_spelling_of_the_convention(identity: StationIdentity) -> None:
    units = {row.path: row.unit for row in PROPERTIES}
    assert units["product/temperature"] == "°C"
    assert units["product/temperature"].encode() == b"\xc2\xb0C"
    assert units["reservoir/volume"] == "L"
    assert units["product/ppm"] == "ppm"
    assert units["reservoir/level"] == "%"
    assert units["fill/elapsed"] == "s"
    assert units["product/conductivity"] == "µS/cm"


def test_every_id_is_valid_in_a_topic_and_unique() -> None:
    assert len({row.path for row in PROPERTIES}) == len(PROPERTIES)
    for row in PROPERTIES:
        assert TOPIC_ID.fullmatch(row.id)
        assert row.node in NODES


def test_every_part_of_the_view_is_published() -> None:
    shown = {row.source for row in PROPERTIES}
    not_values = {"identity"}
    assert {f.name for f in fields(StationView)} - not_values <= shown


@pytest.mark.parametrize(
    ("path", "value", "payload"),
    [
        ("product/ppm", 6.0, "6.0000"),
        ("product/ppm", None, None),
        ("product/ppm", math.nan, None),
        ("product/ppm", math.inf, None),
        ("product/ppm", -3.0, None),
        ("product/ppm", -0.00001, "0.0000"),
        # Pure water at 25 °C, 0.055 µS/cm at 0.5 ppm per µS/cm, by a usual cell.
        ("product/ppm", 0.0275, "0.0275"),
        ("product/uncertainty", 0.001115, "0.0011"),
        ("product/temperature", -0.5, "-0.50"),
        ("product/conductivity", 0.0555, "0.056"),
        ("product/conductivity", 1234567.0, "1234567.000"),
        ("reservoir/level", 0.6, "60.0"),
        ("reservoir/overflow", True, "true"),
        ("reservoir/overflow", None, None),
        ("health/first-out", None, "none"),
        ("health/first-out", "no-rise-while-open", "no-rise-while-open"),
        ("product/verdict", "splendid", None),
        ("valve/missing", (), "[]"),
        ("valve/missing", ("no-hold",), '["no-hold"]'),
        ("health/controller", "", None),
    ],
)
def test_a_value_has_the_format_of_the_convention(path: str, value: object, payload: str | None) -> None:
    row = next(row for row in PROPERTIES if row.path == path)
    assert row.payload(value) == payload


def test_bridge_and_reservoir_name_each_other(identity: StationIdentity) -> None:
    root = json.loads(describe_bridge(LAYOUT, [identity.reservoir], 100.0).publication(LAYOUT).payload)
    child = document(identity)
    assert root["homie"] == child["homie"] == "5.0"
    assert root["children"] == ["garden-north-barrel"]
    assert "root" not in root
    assert "parent" not in root
    assert child["root"] == child["parent"] == "garden"
    assert child["name"] == 'The "north" barrel'
    assert root["name"] == "Garden bridge"


def test_the_version_grows_only_if_the_content_changes(identity: StationIdentity) -> None:
    first = describe_reservoir(LAYOUT, identity, 1000.0)
    same = describe_reservoir(LAYOUT, identity, 2000.0, first)
    other = describe_reservoir(LAYOUT, replace(identity, has_feed_probe=False), 2000.0, first)
    clock_went_back = describe_reservoir(LAYOUT, replace(identity, name="Barrel"), 500.0, other)
    versions = [one.version for one in (first, same, other, clock_went_back)]
    assert versions == [1_000_000, 1_000_000, 2_000_000, 2_000_001]
    assert isinstance(json.loads(other.publication(LAYOUT).payload)["version"], int)


@pytest.mark.parametrize("bad", ["", "Garden", "gar den", "-garden", "garden-", "gården", "a/b", "$x"])
def test_an_id_that_is_invalid_in_a_topic_is_refused_at_the_start(
    bad: str, identity: StationIdentity
) -> None:
    with pytest.raises(InputError, match="cannot be part of a topic"):
        Layout(bad, "Garden bridge")
    with pytest.raises(InputError, match="cannot be part of a topic"):
        describe_reservoir(LAYOUT, replace(identity, reservoir=bad), 0.0)


@pytest.mark.parametrize("bad", ["", "a/b", "+", "#", "$homie"])
def test_a_prefix_that_is_not_one_level_is_refused(bad: str) -> None:
    with pytest.raises(InputError, match="not one level"):
        Layout("garden", "Garden bridge", prefix=bad)


def test_rows_of_the_table_are_in_the_order_of_the_nodes(identity: StationIdentity) -> None:
    order = [row.node for row in fitted(identity)]
    assert order == sorted(order, key=list(NODES).index)
