"""A command is accepted whole or refused with a sentence, for any message."""

import json
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.guard.commands import (
    Acknowledge,
    CartridgeChanged,
    GuardCommand,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
    Shelve,
    StartFill,
    WeatherQuantity,
    WeatherReport,
)
from bridge.guard.model import Advisory, Trip
from bridge.mqtt.client import Heartbeat
from bridge.mqtt.commands import Accepted, Incoming, Refused, parse
from bridge.mqtt.properties import ALARM_WORDS, PROPERTIES
from bridge.mqtt.topics import Layout, Publication
from bridge.station.plan import StationIdentity
from tests.narrowing import of_kind

LAYOUT = Layout("garden", "Garden bridge")
FULL = StationIdentity("barrel", "Barrel", 200.0, 50.0, 25.0, 0.5, True, True, True, needs_weather=True)
BARE = StationIdentity("tub", "Tub", 60.0, 50.0, 25.0, 0.5, False, False, False)
RESERVOIRS = {"garden-barrel": FULL, "garden-tub": BARE}
BASE = "homie/5/garden-barrel"
WEATHER = {
    "weather/temperature": (WeatherQuantity.TEMPERATURE, -60.0, 60.0),
    "weather/humidity": (WeatherQuantity.HUMIDITY, 0.0, 100.0),
    "weather/radiation": (WeatherQuantity.RADIATION, 0.0, 1500.0),
    "weather/wind": (WeatherQuantity.WIND, 0.0, 75.0),
    "weather/rain": (WeatherQuantity.RAIN, 0.0, 2000.0),
}
SETTABLE = [row.path for row in PROPERTIES if row.settable]


def read(path: str, payload: bytes, **more: Any) -> Accepted | Refused:
    message = Incoming(f"{BASE}/{path}/set", payload, False, 77.0)
    return parse(LAYOUT, RESERVOIRS, replace(message, **more))


@pytest.mark.parametrize(
    ("path", "payload", "command"),
    [
        ("valve/hold", b"true", Hold(77.0, "hub", True)),
        ("valve/hold", b"false", Hold(77.0, "hub", False)),
        ("fill/start", b"start", StartFill(77.0, "hub")),
        ("health/acknowledge", b"all", Acknowledge(77.0, "hub", None)),
        ("health/acknowledge", b"overflow", Acknowledge(77.0, "hub", Trip.OVERFLOW)),
        ("health/acknowledge", b"reservoir-low", Acknowledge(77.0, "hub", Advisory.RESERVOIR_LOW)),
        ("health/reset", b"all", Reset(77.0, "hub", None)),
        ("health/reset", b"link-lost", Reset(77.0, "hub", Trip.LINK_LOST)),
        (
            "health/shelve",
            b'{"alarm": "reservoir-low", "minutes": 90}',
            Shelve(77.0, "hub", Advisory.RESERVOIR_LOW, 90.0),
        ),
        ("health/shelve", b'{"minutes":0,"alarm":"overflow"}', Shelve(77.0, "hub", Trip.OVERFLOW, 0.0)),
        ("purifier/cartridge-changed", b"changed", CartridgeChanged(77.0, "hub")),
        ("product/retest", b"12.5", Retest(77.0, "hub", 12.5)),
        ("product/retest", b"0", Retest(77.0, "hub", 0.0)),
        ("reservoir/sample", b"3e1", ReservoirSample(77.0, "hub", 30.0)),
        ("weather/temperature", b"-3.5", WeatherReport(77.0, "hub", WeatherQuantity.TEMPERATURE, -3.5)),
        ("weather/rain", b"12", WeatherReport(77.0, "hub", WeatherQuantity.RAIN, 12.0)),
    ],
)
def test_a_good_message_is_parsed_as_its_command(path: str, payload: bytes, command: GuardCommand) -> None:
    answer = read(path, payload)
    assert isinstance(answer, Accepted)
    assert answer.reservoir == "barrel"
    assert answer.command == command
    if path == "valve/hold":
        assert answer.echo is None
    else:
        assert answer.echo == Publication(f"{BASE}/{path}", payload.decode(), 0, False)


@pytest.mark.parametrize(
    ("path", "payload", "reason"),
    [
        ("valve/hold", b"True", "'True' is not true or false"),
        ("valve/hold", b"1", "'1' is not true or false"),
        ("valve/hold", b"true ", "is not true or false"),
        ("valve/hold", b"", "empty"),
        ("valve/hold", b"\xff\xfe", "not text in UTF-8"),
        ("valve/hold", b"t" * 257, "257 bytes"),
        ("fill/start", b"true", "is not the word start"),
        ("health/acknowledge", b"everything", "is not an alarm; all, product-over-limit"),
        ("health/reset", b"reservoir-low", "is not a trip"),
        ("product/retest", b"nan", "number of ppm from 0 to 10000"),
        ("product/retest", b"inf", "number of ppm"),
        ("product/retest", b"-1", "number of ppm"),
        ("product/retest", b"10000.1", "number of ppm"),
        ("product/retest", b"1e999", "number of ppm"),
        ("product/retest", b"12,5", "number of ppm"),
        ("product/retest", b"1_0", "number of ppm"),
        ("product/retest", "１２".encode(), "number of ppm"),
        ("product/retest", b" 12", "number of ppm"),
        ("reservoir/sample", b"0x10", "number of ppm"),
        ("health/shelve", b"reservoir-low 60", "of the form"),
        ("health/shelve", b'{"alarm": "reservoir-low"}', "of the form"),
        ("health/shelve", b'{"alarm": "reservoir-low", "minutes": NaN}', "of the form"),
        ("health/shelve", b'{"alarm": "reservoir-low", "minutes": true}', "of the form"),
        ("health/shelve", b'{"alarm": "reservoir-low", "minutes": "60"}', "of the form"),
        ("health/shelve", b'{"alarm": "reservoir-low", "minutes": -1}', "of the form"),
        ("health/shelve", b'{"alarm": "reservoir-low", "minutes": 1441}', "0 to 1440 minutes"),
        ("health/shelve", b'{"alarm": "nothing", "minutes": 60}', "of the form"),
        ("health/shelve", b'{"alarm": "overflow", "minutes": 60, "for": "me"}', "of the form"),
        ("health/shelve", b'{"alarm": "overflow", "alarm": "link-lost", "minutes": 60}', "of the form"),
        ("health/shelve", b'[["alarm", "overflow"], ["minutes", 60]]', "of the form"),
        ("health/shelve", b"[" * 250, "of the form"),
        ("product/ppm", b"1", "'product/ppm' cannot be set"),
        ("product/nothing", b"1", "cannot be set"),
    ],
)
def test_a_bad_message_is_refused_with_the_right_form(path: str, payload: bytes, reason: str) -> None:
    answer = read(path, payload)
    assert isinstance(answer, Refused)
    assert answer.device == "garden-barrel"
    assert reason in answer.sentence
    assert answer.sentence.endswith(".")


def test_a_retained_command_is_refused_with_the_way_to_delete_it() -> None:
    answer = read("fill/start", b"start", retained=True)
    assert isinstance(answer, Refused)
    assert "retained" in answer.sentence
    assert f"empty retained message on {BASE}/fill/start/set" in answer.sentence


@pytest.mark.parametrize("waited_s", [10.1, 3600.0, float("inf"), float("nan"), -1.0])
def test_a_command_that_waited_unread_is_refused_as_stale(waited_s: float) -> None:
    answer = read("fill/start", b"start", waited_s=waited_s)
    assert isinstance(answer, Refused)
    assert "waited" in answer.sentence


def test_after_a_standstill_messages_read_at_once_are_old_and_later_ones_are_fresh() -> None:
    running = Heartbeat(100.0).beat(101.0).beat(102.1)
    assert running.waited_s(102.5) == 0.0
    assert running.waited_s(3702.1) == 3600.0
    resumed = running.beat(3702.1)
    assert resumed.waited_s(3702.2) == 3600.0
    assert resumed.beat(3703.1).waited_s(3703.2) == 0.0


@pytest.mark.parametrize(
    "topic",
    [
        "homie/5/garden-barrel/valve/hold",
        "homie/5/garden-barrel/valve/hold/set/more",
        "homie/4/garden-barrel/valve/hold/set",
        "other/5/garden-barrel/valve/hold/set",
        "homie/5/garden-barrel//set",
        "homie/5/elsewhere/valve/hold/set",
        "",
        "/",
        "homie/5/",
    ],
)
def test_a_message_without_a_recipient_is_answered_by_the_bridge(topic: str) -> None:
    answer = parse(LAYOUT, RESERVOIRS, Incoming(topic, b"true", False, 0.0))
    assert isinstance(answer, Refused)
    assert answer.device == "garden"


def test_a_sentence_never_contains_control_characters_or_long_payloads() -> None:
    answer = read("valve/hold", b"\x1b[2J\n" + b"x" * 200)
    assert isinstance(answer, Refused)
    assert answer.sentence.isprintable()
    assert len(answer.sentence) < 200


WORDS = ["true", "false", "start", "changed", "all", "1", "50", "-0", "1e3", *ALARM_WORDS]
words = st.sampled_from(WORDS).map(str.encode)
payloads = st.binary(max_size=40) | st.text(max_size=20).map(str.encode) | words
devices = st.sampled_from(["garden-barrel", "garden-tub", "garden", "elsewhere", ""])
paths = st.sampled_from([*SETTABLE, "product/ppm", "valve", "a/b/c"]) | st.text(max_size=12)
ends = st.sampled_from(["/set", "", "/set/"])
topics = st.builds(lambda device, path, end: f"homie/5/{device}/{path}{end}", devices, paths, ends)


@given(topics | st.text(max_size=40), payloads, st.booleans(), st.sampled_from([0.0, 10.0]) | st.floats())
@settings(max_examples=2000, deadline=None)
def test_any_message_gives_a_whole_command_for_its_topic_or_a_refusal(
    topic: str, payload: bytes, kept: bool, waited_s: float
) -> None:
    answer = parse(LAYOUT, RESERVOIRS, Incoming(topic, payload, kept, 5.0, waited_s))
    if isinstance(answer, Refused):
        assert answer.device in {"garden", *RESERVOIRS}
        assert answer.sentence.isprintable()
        return
    assert not kept
    assert 0.0 <= waited_s <= 10.0
    path = topic.removeprefix(f"homie/5/garden-{answer.reservoir}/").removesuffix("/set")
    assert topic == f"homie/5/garden-{answer.reservoir}/{path}/set"
    assert meant(path, payload.decode()) == answer.command


NUMBER = re.compile(r"-?([0-9]+[.]?[0-9]*|[.][0-9]+)([eE]-?[0-9]+)?")


def meant(path: str, text: str) -> GuardCommand | None:
    """Returns the meaning of a message by the property's description, computed independently."""
    sent = (5.0, "hub")
    alarms = {alarm.value: alarm for alarm in (*Trip, *Advisory)}
    trips = {trip.value: trip for trip in Trip}
    match path, text:
        case "valve/hold", "true":
            return Hold(*sent, True)
        case "valve/hold", "false":
            return Hold(*sent, False)
        case "fill/start", "start":
            return StartFill(*sent)
        case "purifier/cartridge-changed", "changed":
            return CartridgeChanged(*sent)
        case "health/acknowledge", word if word == "all" or word in alarms:
            return Acknowledge(*sent, alarms.get(word))
        case "health/reset", word if word == "all" or word in trips:
            return Reset(*sent, trips.get(word))
        case "product/retest" | "reservoir/sample", word if (
            NUMBER.fullmatch(word) and 0.0 <= float(word) <= 1e4
        ):
            return (Retest if path == "product/retest" else ReservoirSample)(*sent, abs(float(word)))
        case path, word if path in WEATHER and NUMBER.fullmatch(word):
            quantity, least, most = WEATHER[path]
            return WeatherReport(*sent, quantity, float(word)) if least <= float(word) <= most else None
        case _:
            return None


written = st.floats().map(repr) | st.integers(-10, 20_000).map(str) | st.from_regex(NUMBER, fullmatch=True)


@given(st.sampled_from([p for p in SETTABLE if p != "health/shelve"]), st.sampled_from(WORDS) | written)
@settings(max_examples=1000, deadline=None)
def test_a_message_to_a_settable_property_is_accepted_only_if_it_is_valid(path: str, text: str) -> None:
    answer = parse(LAYOUT, RESERVOIRS, Incoming(f"{BASE}/{path}/set", text.encode(), False, 5.0))
    if isinstance(answer, Accepted):
        assert answer.command == meant(path, text)
    else:
        assert meant(path, text) is None or len(text.encode()) > 256


shelvings = st.fixed_dictionaries(
    {},
    optional={
        "alarm": st.sampled_from([*ALARM_WORDS, "none"]) | st.none() | st.integers(),
        "minutes": st.integers(-5, 1500) | st.floats() | st.booleans() | st.text(max_size=3),
        "until": st.just(1),
    },
)


@given(shelvings)
@settings(max_examples=500, deadline=None)
def test_an_alarm_is_shelved_only_if_alarm_and_time_are_right(asked: dict[str, object]) -> None:
    alarm, minutes = asked.get("alarm"), asked.get("minutes")
    right = (
        set(asked) == {"alarm", "minutes"}
        and alarm in ALARM_WORDS
        and isinstance(minutes, int | float)
        and not isinstance(minutes, bool)
        and 0 <= minutes <= 1440
    )
    answer = read("health/shelve", json.dumps(asked).encode())
    assert isinstance(answer, Accepted) == right
    if isinstance(answer, Accepted):
        command = of_kind(Shelve, answer.command)
        assert command.alarm is not None
        assert (command.alarm.value, command.minutes) == (alarm, minutes)
