"""A hub without the convention gets messages from the user's templates. Mistakes are found at the start."""

import json
from dataclasses import replace
from typing import Any

import pytest

from bridge.errors import InputError
from bridge.mqtt.announcements import Announcements, AnnouncementTemplate, Each
from bridge.mqtt.device import Device
from bridge.mqtt.topics import Layout, Publication
from bridge.station.plan import StationIdentity
from bridge.station.view import StationView

LAYOUT = Layout("garden", 'The "garden" bridge\n')


def test_a_name_with_quotation_marks_cannot_break_a_json_payload(identity: StationIdentity) -> None:
    template = AnnouncementTemplate(
        "found/${device}",
        '{"called": "${reservoir_name}", "by": "${bridge_name}", "l": ${capacity_l}}',
        Each.RESERVOIR,
    )
    (message,) = Announcements([template], LAYOUT).without_value([identity])
    assert message.topic == "found/garden-north-barrel"
    assert message.retain
    expected = {"called": 'The "north" barrel', "by": 'The "garden" bridge\n', "l": 200}
    assert json.loads(message.payload) == expected


def test_a_plain_text_payload_is_filled_as_it_is(identity: StationIdentity) -> None:
    template = AnnouncementTemplate(
        "text/${bridge}", "$$1 ${bridge_name}", Each.BRIDGE, retain=False, escape_json=False
    )
    assert Announcements([template], LAYOUT).without_value([identity]) == (
        Publication("text/garden", '$1 The "garden" bridge\n', 0, False),
    )


def test_a_template_for_properties_is_sent_for_each_fitted_one(identity: StationIdentity) -> None:
    payload = '{"read": "${value_topic}", "write": "${set_topic}", "unit": "${unit}", "choices": "${format}"}'
    template = AnnouncementTemplate("found/${device}/${node}/${property}", payload, Each.PROPERTY)
    bare = replace(identity, has_feed_probe=False)
    topics = {m.topic: json.loads(m.payload) for m in Announcements([template], LAYOUT).without_value([bare])}
    assert topics["found/garden-north-barrel/product/ppm"] == {
        "read": "homie/5/garden-north-barrel/product/ppm",
        "write": "homie/5/garden-north-barrel/product/ppm/set",
        "unit": "ppm",
        "choices": "0:",
    }
    assert '"minutes"' in topics["found/garden-north-barrel/health/shelve"]["choices"]
    assert not any("/feed/" in topic for topic in topics)
    some = replace(template, only=("product/ppm", "feed/ppm"))
    assert len(Announcements([some], LAYOUT).without_value([bare, identity])) == 3


def test_a_template_with_the_value_follows_the_value(view: StationView) -> None:
    template = AnnouncementTemplate(
        "now/${reservoir}/${property}", '{"v": "${value}"}', Each.PROPERTY, only=("product/ppm",)
    )
    announcements = Announcements([template], LAYOUT)
    assert announcements.without_value([view.identity]) == ()
    device, first = Device.of(LAYOUT, view.identity, 300.0, 0.0).update(view, 0.0, 0.0)
    assert announcements.with_values(view.identity, first) == (
        Publication("now/north-barrel/ppm", '{"v": "6.0000"}', 1, True),
    )
    _, quiet = device.update(replace(view, hold=True), 1.0, 0.0)
    assert announcements.with_values(view.identity, quiet) == ()


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"topic": "a/${reservoir_name}"}, "there are only prefix, bridge"),
        ({"topic": "a/${nothing}"}, "has the placeholder '\\$\\{nothing\\}'"),
        ({"topic": "a/+/b"}, "one plain topic"),
        ({"topic": ""}, "one plain topic"),
        ({"payload": '"${value}"'}, "there are only"),
        ({"payload": '"costs 5 $"'}, "starts no placeholder"),
        ({"payload": '{"a": ${reservoir}'}, "is not JSON"),
        ({"only": ("product/ppm",)}, "each = 'property'"),
        ({"each": Each.PROPERTY, "only": ("product/pmm",)}, "'product/pmm'"),
        ({"each": Each.BRIDGE, "topic": "a/${reservoir}"}, "there are only"),
    ],
)
def test_a_mistake_is_found_before_anything_is_sent(changes: dict[str, Any], reason: str) -> None:
    good: dict[str, Any] = {
        "topic": "a/${reservoir}",
        "payload": '"${reservoir_name}"',
        "each": Each.RESERVOIR,
    }
    AnnouncementTemplate(**good)
    with pytest.raises(InputError, match=reason):
        AnnouncementTemplate(**(good | changes))
