"""Commands from the hub: one message becomes one valid command, or is refused with one plain sentence.

Three kinds of messages are refused: *retained* ones, because a command must not be carried out again at each
connection; messages that waited too long before they were read; and messages that do not have the format in
the property's description. The guard decides whether a valid command is carried out.

On MQTT 3.1.1 a message that is passed on at once does not show that the broker also retains it. Such a
command is fresh and is carried out. At the next connection the retained copy is marked, and is refused.
"""

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

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
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.mqtt.properties import (
    ALARM_WORDS,
    ALL,
    PROPERTIES,
    SAMPLE_MAX_PPM,
    SHELVE_MAX_MINUTES,
    TRIP_WORDS,
    WEATHER_RANGES,
    Property,
)
from bridge.mqtt.topics import Layout, Publication, event
from bridge.station.plan import StationIdentity

MAX_PAYLOAD = 256
"""Bytes; the longest valid command is a third of it."""
MAX_WAIT_S = 10.0
_NUMBER = re.compile(r"-?(\d+(\.\d*)?|\.\d+)([eE]-?\d+)?", re.ASCII)
_SETTABLE: dict[str, Property] = {row.path: row for row in PROPERTIES if row.settable}


@dataclass(frozen=True, slots=True)
class Incoming:
    """One message as it was received.

    Attributes:
        topic: its topic.
        payload: its payload.
        retained: whether the broker had retained it.
        received_at: monotonic seconds when it was read.
        waited_s: how long it may have waited unread before that.
    """

    topic: str
    payload: bytes
    retained: bool
    received_at: float
    waited_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Accepted:
    """A valid command for one reservoir.

    Attributes:
        reservoir: the reservoir's id.
        command: the command for the guard.
        echo: the message that confirms the command for a property that is not retained; None if the next
            view shows the new value.
    """

    reservoir: str
    command: GuardCommand
    echo: Publication | None


@dataclass(frozen=True, slots=True)
class Refused:
    """A message that is not carried out; the sentence goes to the ``$log`` of the device."""

    device: str
    sentence: str


@dataclass(frozen=True, slots=True)
class _Unfit:
    """The value does not fit; the words name what would be right."""

    wanted: str


_Sent = tuple[float, str]
"""When the command was received, and its sender."""


def parse(
    layout: Layout, reservoirs: Mapping[str, StationIdentity], message: Incoming, sender: str = "hub"
) -> Accepted | Refused:
    """Parse one message from a ``/set`` topic.

    Args:
        layout: the names that topics start with.
        reservoirs: the reservoirs' identities, by device id.
        message: the message.
        sender: the sender for the record; MQTT does not name the sender of a message.
    """
    found = _addressed(layout, reservoirs, message.topic)
    if isinstance(found, Refused):
        return found
    device, identity, row = found
    where = f"{row.path} of {identity.reservoir}"

    def refused(sentence: str) -> Refused:
        return Refused(device, f"The command {where} was refused: {sentence}")

    if not message.payload:
        return refused("the message is empty.")
    if message.retained:
        return refused(
            "the broker had retained it, so it may be old. Send it without the retain flag, and delete the "
            f"retained one with an empty retained message on {message.topic}."
        )
    if not 0.0 <= message.waited_s <= MAX_WAIT_S:
        return refused(f"it may have waited {message.waited_s:.0f} s before it was read; send it again.")
    if len(message.payload) > MAX_PAYLOAD:
        return refused(f"it has {len(message.payload)} bytes; no command is longer than {MAX_PAYLOAD}.")
    try:
        text = message.payload.decode("utf-8")
    except UnicodeDecodeError:
        return refused("it is not text in UTF-8.")
    command = _PARSERS[row.path](text, (message.received_at, sender))
    if isinstance(command, _Unfit):
        return refused(f"{_excerpt(text)} is not {command.wanted}.")
    topic = message.topic.removesuffix("/set")
    return Accepted(identity.reservoir, command, None if row.retained else event(topic, text))


def _addressed(
    layout: Layout, reservoirs: Mapping[str, StationIdentity], topic: str
) -> tuple[str, StationIdentity, Property] | Refused:
    levels = topic.removeprefix(layout.base("")).split("/")
    if not topic.startswith(layout.base("")) or len(levels) != 4 or levels[3] != "set":
        return Refused(
            layout.bridge, f"A message on {_excerpt(topic)} was ignored: that is not a topic of a command."
        )
    device, path = levels[0], f"{levels[1]}/{levels[2]}"
    if device not in reservoirs:
        return Refused(layout.bridge, f"A command was refused: there is no device {_excerpt(device)} here.")
    row = _SETTABLE.get(path)
    if row is None or not row.is_fitted(reservoirs[device]):
        there = ", ".join(one for one, row in _SETTABLE.items() if row.is_fitted(reservoirs[device]))
        return Refused(device, f"A command was refused: {_excerpt(path)} cannot be set; {there} can be.")
    return device, reservoirs[device], row


def _excerpt(text: str) -> str:
    """Shorten a text for a line of a log, without control characters."""
    shown = ascii(text[:40])
    return f"{shown}..." if len(text) > 40 else shown


def _hold(text: str, sent: _Sent) -> GuardCommand | _Unfit:
    return Hold(*sent, on=text == "true") if text in ("true", "false") else _Unfit("true or false")


def _exactly(
    word: str, command: Callable[[float, str], GuardCommand]
) -> Callable[[str, _Sent], GuardCommand | _Unfit]:
    return lambda text, sent: command(*sent) if text == word else _Unfit(f"the word {word}")


def _alarm(word: str) -> AlarmId:
    return Trip(word) if word in TRIP_WORDS else Advisory(word)


def _acknowledge(text: str, sent: _Sent) -> GuardCommand | _Unfit:
    if text == ALL:
        return Acknowledge(*sent, alarm=None)
    if text in ALARM_WORDS:
        return Acknowledge(*sent, alarm=_alarm(text))
    return _Unfit(f"an alarm; {ALL}, {', '.join(ALARM_WORDS)} are")


def _reset(text: str, sent: _Sent) -> GuardCommand | _Unfit:
    if text == ALL:
        return Reset(*sent, trip=None)
    if text in TRIP_WORDS:
        return Reset(*sent, trip=Trip(text))
    return _Unfit(f"a trip; {ALL}, {', '.join(TRIP_WORDS)} are")


def _ppm(
    command: Callable[[float, str, float], GuardCommand],
) -> Callable[[str, _Sent], GuardCommand | _Unfit]:
    def read(text: str, sent: _Sent) -> GuardCommand | _Unfit:
        ppm = float(text) if _NUMBER.fullmatch(text) else -1.0
        if 0.0 <= ppm <= SAMPLE_MAX_PPM:
            return command(*sent, ppm + 0.0)
        return _Unfit(f"a number of ppm from 0 to {SAMPLE_MAX_PPM}, with a point before the decimals")

    return read


def _weather(quantity: WeatherQuantity) -> Callable[[str, _Sent], GuardCommand | _Unfit]:
    least, most = WEATHER_RANGES[quantity]

    def read(text: str, sent: _Sent) -> GuardCommand | _Unfit:
        measured = float(text) if _NUMBER.fullmatch(text) else float("nan")
        if least <= measured <= most:
            return WeatherReport(*sent, quantity, measured + 0.0)
        return _Unfit(f"a number of {quantity.unit} from {least:g} to {most:g}")

    return read


def _shelve(text: str, sent: _Sent) -> GuardCommand | _Unfit:
    wanted = _Unfit(
        'of the form {"alarm": "reservoir-low", "minutes": 60} with an alarm and '
        f"0 to {SHELVE_MAX_MINUTES} minutes"
    )
    try:
        pairs = json.loads(text, object_pairs_hook=tuple, parse_constant=_refuse_constant)
    except (ValueError, RecursionError):
        return wanted
    if not isinstance(pairs, tuple) or len(pairs) != 2:
        return wanted
    values = dict(pairs)
    alarm, minutes = values.get("alarm"), values.get("minutes")
    if not isinstance(alarm, str) or alarm not in ALARM_WORDS:
        return wanted
    if (
        isinstance(minutes, bool)
        or not isinstance(minutes, int | float)
        or not 0 <= minutes <= SHELVE_MAX_MINUTES
    ):
        return wanted
    return Shelve(*sent, alarm=_alarm(alarm), minutes=float(minutes))


def _refuse_constant(word: str) -> float:
    raise ValueError(word)


_PARSERS: dict[str, Callable[[str, _Sent], GuardCommand | _Unfit]] = {
    "valve/hold": _hold,
    "fill/start": _exactly("start", StartFill),
    "product/retest": _ppm(Retest),
    "reservoir/sample": _ppm(ReservoirSample),
    "purifier/cartridge-changed": _exactly("changed", CartridgeChanged),
    "health/acknowledge": _acknowledge,
    "health/reset": _reset,
    "health/shelve": _shelve,
    **{f"weather/{quantity.word}": _weather(quantity) for quantity in WeatherQuantity},
}
"""One row for each settable property."""
