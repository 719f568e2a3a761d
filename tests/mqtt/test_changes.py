"""A reading causes a message only for a changed value. Shelved or removed values are deleted.

An unknown value is deleted too, and its property leaves the description.
"""

import json
from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bridge.guard.model import Advisory, Trip
from bridge.mqtt.device import RETURN_S, Device
from bridge.mqtt.properties import PROPERTIES
from bridge.mqtt.topics import Layout, Publication, fitted
from bridge.station.view import ActiveAlarm, StationView

LAYOUT = Layout("garden", "Garden bridge")
BASE = "homie/5/garden-north-barrel"


@pytest.fixture
def ready(view: StationView) -> Device:
    """Returns the reservoir after its first view at time 0."""
    return Device.of(LAYOUT, view.identity, 300.0, 100.0).update(view, 0.0, 100.0)[0]


def told(device: Device, view: StationView, now: float = 1.0) -> dict[str, str]:
    return {m.topic.removeprefix(f"{BASE}/"): m.payload for m in device.update(view, now, 100.0)[1]}


def test_a_view_without_a_change_sends_nothing(ready: Device, view: StationView) -> None:
    assert told(ready, replace(view)) == {}
    again, _ = ready.update(replace(view), 1.0, 100.0)
    assert again is ready


def test_a_small_step_stays_inside_the_dead_band_and_a_large_one_does_not(
    ready: Device, view: StationView
) -> None:
    assert told(ready, replace(view, product_ppm=6.05)) == {}
    assert told(ready, replace(view, product_ppm=6.2)) == {"product/ppm": "6.2000"}
    assert told(ready, replace(view, feed_ppm=323.0)) == {}
    assert told(ready, replace(view, feed_ppm=326.0)) == {"feed/ppm": "326.00"}


def test_a_slow_drift_is_sent_once_it_leaves_the_band_around_the_sent_value(
    ready: Device, view: StationView
) -> None:
    device, values = ready, []
    for step in range(1, 31):
        device, messages = device.update(replace(view, product_ppm=6.0 + 0.03 * step), float(step), 100.0)
        values += [float(m.payload) for m in messages]
    assert len(values) >= 5
    assert max(b - a for a, b in zip([6.0, *values], values, strict=False)) <= 0.13 + 1e-9


# The view is a frozen value, so all examples may share it.
@given(values=st.lists(st.floats(0.0, 400.0) | st.none() | st.just(float("nan")), min_size=1, max_size=30))
@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_value_on_the_hub_is_always_within_the_dead_band(
    view: StationView, values: list[float | None]
) -> None:
    row = next(row for row in PROPERTIES if row.path == "product/ppm")
    device = Device.of(LAYOUT, view.identity, 1e9, 100.0)
    kept: dict[str, str] = {}
    for now, value in enumerate(values):
        # So slow that each value that comes back is published at once.
        device, messages = device.update(replace(view, product_ppm=value), RETURN_S * now, 100.0)
        kept |= {m.topic: m.payload for m in messages}
        shown = kept[f"{BASE}/product/ppm"]
        if value is None or value != value:
            assert shown == ""
        else:
            band = max(row.dead_band, row.dead_band_fraction * float(shown))
            assert abs(float(shown) - value) <= band + 0.011


def test_words_switches_and_sets_are_sent_at_once(ready: Device, view: StationView) -> None:
    after = replace(
        view,
        reservoir_verdict="unsuitable",
        hold=True,
        phase="tripped",
        missing_permissives=("no-hold", "no-trip"),
        latched_trips=(Trip.PRODUCT_OVER_LIMIT.value,),
        first_out=Trip.PRODUCT_OVER_LIMIT.value,
        frames_damaged=1,
    )
    assert told(ready, after) == {
        "reservoir/verdict": "unsuitable",
        "valve/hold": "true",
        "fill/phase": "tripped",
        "valve/missing": '["no-hold","no-trip"]',
        "health/trips": '["product-over-limit"]',
        "health/first-out": "product-over-limit",
        "health/frames-damaged": "1",
    }


def listed(messages: Iterable[Publication]) -> set[str]:
    """Returns the paths of the properties of the last description."""
    descriptions = [m.payload for m in messages if m.topic == f"{BASE}/$description"]
    nodes = json.loads(descriptions[-1])["nodes"]
    return {f"{node}/{name}" for node in nodes for name in nodes[node]["properties"]}


def test_an_unknown_value_is_deleted_and_not_described_until_it_comes_back(
    ready: Device, view: StationView
) -> None:
    blind = replace(view, volume_l=None, overflow=None)
    gone, messages = ready.update(blind, 1.0, 200.0)
    assert [m.topic.removeprefix(f"{BASE}/") for m in messages] == [
        "$state", "$description", "reservoir/volume", "reservoir/overflow", "$state",
    ]  # fmt: skip
    assert [m.payload for m in messages if "escription" not in m.topic] == ["init", "", "", "ready"]
    everything = {row.path for row in fitted(view.identity)}
    assert everything - listed(messages) == {"reservoir/volume", "reservoir/overflow"}
    assert told(gone, blind, 2.0) == {}

    _, messages = gone.update(view, 1.0 + RETURN_S, 300.0)
    assert [m.payload for m in messages if "escription" not in m.topic] == [
        "init",
        "120.00",
        "false",
        "ready",
    ]
    assert listed(messages) == everything


def test_what_was_never_known_is_not_described(view: StationView) -> None:
    young = replace(view, cover_days=None, cover_low_days=None, cover_high_days=None)
    device, messages = Device.of(LAYOUT, view.identity, 300.0, 100.0).update(young, 0.0, 100.0)
    covers = {"reservoir/days-of-cover", "reservoir/days-of-cover-low", "reservoir/days-of-cover-high"}
    assert {row.path for row in fitted(view.identity)} - listed(messages) == covers
    assert [m.payload for m in messages if m.topic.endswith("$state")] == ["ready"], "it still is in init"
    _, messages = device.update(view, 1.0, 100.0)
    assert covers <= listed(messages)


def test_a_loose_contact_changes_the_description_twice_in_each_span(ready: Device, view: StationView) -> None:
    device, changes, spans = ready, 0, 20
    for tenth in range(round(10 * RETURN_S * spans)):
        one = replace(view, product_ppm=None if tenth % 2 else 6.0)
        device, messages = device.update(one, 1.0 + tenth / 10, 200.0)
        changes += any(m.topic.endswith("$description") for m in messages)
    assert 2 * spans - 2 <= changes <= 2 * spans + 1
    # The last value is published in the end, whatever it was.
    _, messages = device.update(view, 300.0, 200.0)
    assert "product/ppm" in listed(messages)


def test_every_value_is_sent_again_within_the_heartbeat(ready: Device, view: StationView) -> None:
    changed, _ = ready.update(replace(view, product_ppm=9.0), 200.0, 100.0)
    now = replace(view, product_ppm=9.0)
    assert told(changed, now, 299.0) == {}
    at_300 = told(changed, now, 300.0)
    assert at_300["reservoir/volume"] == "120.00"
    assert at_300["health/status"] == "good"
    assert "product/ppm" not in at_300
    later, _ = changed.update(now, 300.0, 100.0)
    assert told(later, now, 500.0) == {"product/ppm": "9.0000"}


def test_an_alarm_is_an_alert_until_it_is_normal_or_shelved(ready: Device, view: StationView) -> None:
    low = ActiveAlarm(Advisory.RESERVOIR_LOW.value, "unacknowledged", "The reservoir is low.", False)
    trip = ActiveAlarm(Trip.OVERFLOW.value, "latched-unacknowledged", "The overflow float is up.", False)
    raised, messages = ready.update(replace(view, alarms=(low, trip)), 1.0, 100.0)
    assert Publication(f"{BASE}/$alert/reservoir-low", "The reservoir is low.", 1, True) in messages
    assert Publication(f"{BASE}/$alert/overflow", "The overflow float is up.", 1, True) in messages

    shelved, messages = raised.update(replace(view, alarms=(replace(low, shelved=True), trip)), 2.0, 100.0)
    assert Publication(f"{BASE}/$alert/reservoir-low", "", 1, True) in messages
    assert not any("overflow" in m.topic and "$alert" in m.topic for m in messages)
    listed = json.loads(next(m.payload for m in messages if m.topic.endswith("health/alarms")))
    assert listed[0] == {"alarm": "reservoir-low", "state": "unacknowledged", "shelved": True}

    back = told(shelved, replace(view, alarms=(low,)), 3.0)
    assert back["$alert/reservoir-low"] == "The reservoir is low."
    assert back["$alert/overflow"] == ""
    assert told(shelved, view, 3.0)["$alert/overflow"] == ""


def test_at_a_new_connection_old_alerts_and_left_over_values_are_deleted(view: StationView) -> None:
    without_feed = replace(view, identity=replace(view.identity, has_feed_probe=False))
    messages = told(Device.of(LAYOUT, without_feed.identity, 300.0, 100.0), without_feed)
    assert messages["feed/conductivity"] == ""
    assert {messages[f"$alert/{word.value}"] for word in (*Trip, *Advisory)} == {""}


def test_a_device_is_ready_only_after_its_values(view: StationView) -> None:
    device, opening = Device.of(LAYOUT, view.identity, 300.0, 100.0).describe()
    assert [m.topic for m in opening] == [f"{BASE}/$state", f"{BASE}/$description"]
    assert opening[0].payload == "init"
    device, messages = device.update(view, 0.0, 100.0)
    assert messages[-1] == Publication(f"{BASE}/$state", "ready", 1, True)
    assert "$state" not in told(device, replace(view, hold=True))


def test_a_description_changes_only_in_init(ready: Device, view: StationView) -> None:
    changed = replace(view, identity=replace(view.identity, has_feed_probe=False))
    device, messages = ready.update(changed, 1.0, 200.0)
    topics = [m.topic.removeprefix(f"{BASE}/") for m in messages]
    assert topics[:2] == ["$state", "$description"]
    assert (messages[0].payload, messages[-1].payload) == ("init", "ready")
    assert json.loads(messages[1].payload)["version"] == 200_000
    assert Publication(f"{BASE}/feed/ppm", "", 1, True) in messages
    assert told(device, changed, 2.0) == {}


def test_momentary_properties_have_no_retained_value(view: StationView) -> None:
    messages = told(Device.of(LAYOUT, view.identity, 300.0, 100.0), view)
    assert not {row.path for row in PROPERTIES if not row.retained} & set(messages)
