"""The messages that a subscriber receives give the same facts as the bridge itself."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.display.from_view import facts_of
from bridge.display.terminal import Selection, screen
from bridge.display.topics import FOREIGN, LOST, REASONS, UNDESCRIBED, RemoteReservoir, bridges
from bridge.mqtt.device import Device
from bridge.mqtt.properties import PROPERTIES
from bridge.mqtt.topics import Layout, Publication, describe_bridge
from bridge.station.view import StationView
from bridge.units import DisplayUnits
from tests.display.strategies import WORDS, views
from tests.display.test_display_units import AMERICAN

LAYOUT = Layout("garden", "The garden")
BASE, ROOT = "homie/5/garden-north-barrel", "homie/5/garden"


def published(view: StationView) -> dict[str, str]:
    """Returns the messages that the broker retains of a bridge with this one reservoir."""
    device = Device.of(LAYOUT, view.identity, 300.0, 0.0)
    device, opened = device.describe()
    messages: tuple[Publication, ...] = (*opened, *device.update(view, 0.0, 0.0)[1])
    kept = {one.topic: one.payload for one in messages if one.payload}
    kept[f"{ROOT}/$description"] = describe_bridge(LAYOUT, ["north-barrel"], 0.0).publication(LAYOUT).payload
    return kept | {f"{ROOT}/$state": "ready"}


def received(kept: dict[str, str], units: DisplayUnits = AMERICAN) -> RemoteReservoir:
    (bridge,) = bridges(kept, "homie", units, {"garden-north-barrel": "14:05:09"})
    assert (bridge.id, bridge.name) == ("garden", "The garden")
    (reservoir,) = bridge.reservoirs
    return reservoir


@given(views(), st.sampled_from([DisplayUnits(), AMERICAN]))
def test_a_published_view_is_received_as_the_same_facts(view: StationView, units: DisplayUnits) -> None:
    reservoir = received(published(view), units)
    assert reservoir.facts == facts_of(view, units, "14:05:09")
    assert reservoir.reason == ""


@pytest.fixture(scope="session")
def kept(kept_view: StationView) -> dict[str, str]:
    return published(kept_view)


def test_a_reservoir_that_two_bridges_have_is_listed_once(kept: dict[str, str]) -> None:
    second = {
        topic.replace("/garden", "/shed"): payload.replace('"garden', '"shed')
        for topic, payload in kept.items()
    }
    found = bridges(kept | second, "homie", AMERICAN, {})
    assert len(found) == 2
    sentence = Selection("here", reservoir="nosuch").no_reservoir(found)
    assert sentence == "There is no reservoir 'nosuch' on here; there are: north-barrel"


@pytest.mark.parametrize("state", ["lost", "disconnected", "init"])
def test_a_missing_bridge_shows_no_value_as_live(kept: dict[str, str], state: str) -> None:
    gone = received(kept | {f"{ROOT}/$state": state})
    assert gone.facts is None
    assert gone.reason == REASONS[state]
    shown = screen(Selection("here"), bridges(kept | {f"{ROOT}/$state": state}, "homie", AMERICAN, {}), None)
    assert "Not known now." in " ".join(shown)
    assert not any("US gal" in line for line in shown)


def test_a_lost_bridge_is_shown_as_lost_in_plain_words(kept: dict[str, str]) -> None:
    assert LOST.startswith("LOST")
    shown = screen(Selection("here"), bridges(kept | {f"{ROOT}/$state": "lost"}, "homie", AMERICAN, {}), None)
    assert "LOST: the bridge ended without a clean stop." in " ".join(" ".join(shown).split())


def test_while_the_broker_is_away_nothing_is_shown_as_live(kept: dict[str, str]) -> None:
    shown = screen(Selection("here"), bridges(kept, "homie", AMERICAN, {}), "The broker is gone.")
    assert shown[0] == "The broker is gone."
    assert not any("US gal" in line for line in shown)


@pytest.mark.parametrize("path", ["product/verdict", "valve/missing", "valve/reported", "product/factor"])
def test_an_incomplete_set_of_messages_is_not_shown_as_complete(kept: dict[str, str], path: str) -> None:
    half = {topic: payload for topic, payload in kept.items() if topic != f"{BASE}/{path}"}
    assert (received(half).facts, received(half).reason) == (None, REASONS["init"])


@pytest.mark.parametrize(
    ("path", "payload"),
    [
        ("valve/missing", '["link-fresh","something-new"]'),
        ("valve/missing", '[{"a":1}]'),
        ("valve/missing", "null"),
        ("health/trips", '["earthquake"]'),
        ("health/alarms", '[{"alarm":"earthquake","state":"acknowledged","shelved":false}]'),
        ("health/alarms", '["overflow"]'),
        ("product/verdict", "excellent"),
        ("health/link", "maybe"),
        ("product/ppm", "nan"),
        ("fill/phase", "\x1b[2J"),
        ("product/factor", "0"),
        ("valve/missing", "[" * 5000),
    ],
)
def test_values_of_another_version_are_not_shown(kept: dict[str, str], path: str, payload: str) -> None:
    foreign = received(kept | {f"{BASE}/{path}": payload})
    assert (foreign.facts, foreign.reason) == (None, FOREIGN)


def test_a_shelved_alarm_has_no_alert_and_is_still_shown(kept: dict[str, str]) -> None:
    one = [{"alarm": "reservoir-low", "state": "acknowledged", "shelved": True}]
    facts = received(kept | {f"{BASE}/health/alarms": json.dumps(one)}).facts
    assert facts is not None
    (alarm,) = facts.alarms
    assert alarm.shelved
    assert alarm.sentence.startswith("The reservoir is nearly empty.")


_TOPICS = st.sampled_from(
    [f"{base}/{rest}" for base in (BASE, ROOT) for rest in ("$description", "$state", "$alert/overflow")]
    + [f"{BASE}/{row.path}" for row in PROPERTIES]
)
_PAYLOADS = WORDS | st.sampled_from(
    [
        *("[]", "{}", "[" * 5000, "1e999", "-0", "true"),
        '{"type":"clearwell/bridge","children":[1,"x",null]}',
        '{"type":"clearwell/bridge","children":"x"}',
        '{"type":"clearwell/reservoir","nodes":{"feed":[]}}',
    ]
)


@given(st.dictionaries(_TOPICS, _PAYLOADS, max_size=12), st.booleans())
def test_invalid_messages_on_the_broker_cause_no_failure(
    kept: dict[str, str], nonsense: dict[str, str], over: bool
) -> None:
    found = bridges(kept | nonsense if over else nonsense, "homie", AMERICAN, {})
    shown = screen(Selection("here"), found, None)
    assert all(line.isprintable() and len(line) <= 80 for line in shown)


def test_other_devices_on_the_broker_are_ignored(kept: dict[str, str]) -> None:
    lamp = {"homie/5/lamp/$description": '{"homie":"5.0","type":"lamp"}', "homie/5/lamp/$state": "ready"}
    assert [one.id for one in bridges(kept | lamp, "homie", AMERICAN, {})] == ["garden"]
    assert bridges(lamp, "homie", AMERICAN, {}) == ()


def test_a_reservoir_that_was_announced_and_has_sent_nothing_is_named(kept: dict[str, str]) -> None:
    only = {topic: payload for topic, payload in kept.items() if topic.startswith(f"{ROOT}/")}
    assert (received(only).id, received(only).reason) == ("north-barrel", UNDESCRIBED)
