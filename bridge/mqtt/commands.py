"""Commands from the hub: one message becomes one whole command, or is refused with one plain sentence.

Refused are: messages that the broker had kept (*retained*: a command must not be carried out again with each
connection), messages that waited too long before they were read, and everything that is not exactly what the
property's description promises. Whether a well-formed command may have its way is for the guard to say.

On MQTT 3.1.1 a broker does not tell a subscriber that a message which it passes on at once is also kept. Such
a command is fresh and is obeyed; at the next connection the kept copy comes marked, and is refused.
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
)
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.mqtt.properties import (
    ALARM_WORDS,
    ALL,
    PROPERTIES,
    SAMPLE_MAX_PPM,
    SHELVE_MAX_MINUTES,
    TRIP_WORDS,
    Property,
)
from bridge.mqtt.topics import Layout, Publication, event
from bridge.station.plan import StationIdentity

MAX_PAYLOAD = 256
"""Bytes; the longest command that means anything is a third of it."""
MAX_WAIT_S = 10.0
_NUMBER = re.compile(r"-?(\d+(\.\d*)?|\.\d+)([eE]-?\d+)?", re.ASCII)
_SETTABLE: dict[str, Property] = {row.path: row for row in PROPERTIES if row.settable}


@dataclass(frozen=True, slots=True)
class Incoming:
    """One message as it came.

    :param retained: the broker had kept it.
    :param received_at: monotonic seconds when it was read.
    :param waited_s: how long it may have lain unread before that.
    """

    topic: str
    payload: bytes
    retained: bool
    received_at: float
    waited_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Accepted:
    """A whole command for one reservoir.

    :param echo: the message that closes the control loop for a property that is not retained; None where the
        next view shows the new value.
    """

    reservoir: str
    command: GuardCommand
    echo: Publication | None


@dataclass(frozen=True, slots=True)
class Refused:
    """Nothing is done; the sentence belongs on the ``$log`` of the device."""

    device: str
    sentence: str


@dataclass(frozen=True, slots=True)
class _Unfit:
    """What would have been right."""

    wanted: str


_Sent = tuple[float, str]
"""When the command was received, and who sent it."""


def parse(
    layout: Layout, reservoirs: Mapping[str, StationIdentity], message: Incoming, sender: str = "hub"
) -> Accepted | Refused:
    """Read one message from a ``/set`` topic.

    :param reservoirs: identity by device id.
    :param sender: for the record; MQTT does not tell who sent a message.
    """
    found = _addressed(layout, reservoirs, message.topic)
    if isinstance(found, Refused):
        return found
    device, identity, row = found
    where = f"{row.path} of {identity.reservoir}"

    def refused(sentence: str) -> Refused:
        return Refused(device, f"The command {where} was refused: {sentence}")

    if not message.payload:
        return refused("the message is empty, which asks for nothing.")
    if message.retained:
        return refused(
            "it was kept by the broker (a retained message), so it may be old. Send it without the retain "
            f"flag, and delete the kept one with an empty retained message on {message.topic}."
        )
    if not 0.0 <= message.waited_s <= MAX_WAIT_S:
        return refused(f"it may have waited {message.waited_s:.0f} s before it was read; send it again.")
    if len(message.payload) > MAX_PAYLOAD:
        return refused(f"it has {len(message.payload)} bytes; no command is longer than {MAX_PAYLOAD}.")
    try:
        text = message.payload.decode("utf-8")
    except UnicodeDecodeError:
        return refused("it is not text in UTF-8.")
    command = _MEANINGS[row.path](text, (message.received_at, sender))
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
            layout.bridge, f"A message on {_excerpt(topic)} was ignored: that is no command topic."
        )
    device, path = levels[0], f"{levels[1]}/{levels[2]}"
    if device not in reservoirs:
        return Refused(layout.bridge, f"A command was refused: there is no device {_excerpt(device)} here.")
    row = _SETTABLE.get(path)
    if row is None or not row.is_fitted(reservoirs[device]):
        return Refused(
            device, f"A command was refused: {_excerpt(path)} cannot be set; {', '.join(_SETTABLE)} can be."
        )
    return device, reservoirs[device], row


def _excerpt(text: str) -> str:
    """What came, fit for a line of a log: short, and without control characters."""
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


def _shelve(text: str, sent: _Sent) -> GuardCommand | _Unfit:
    wanted = _Unfit(
        'of the form {"alarm": "reservoir-low", "minutes": 60} with an alarm and '
        f"0 to {SHELVE_MAX_MINUTES} minutes"
    )
    try:
        pairs = json.loads(text, object_pairs_hook=tuple, parse_constant=_no_number)
    except (ValueError, RecursionError):
        return wanted
    if not isinstance(pairs, tuple) or len(pairs) != 2:
        return wanted
    asked = dict(pairs)
    alarm, minutes = asked.get("alarm"), asked.get("minutes")
    if not isinstance(alarm, str) or alarm not in ALARM_WORDS:
        return wanted
    if (
        isinstance(minutes, bool)
        or not isinstance(minutes, int | float)
        or not 0 <= minutes <= SHELVE_MAX_MINUTES
    ):
        return wanted
    return Shelve(*sent, alarm=_alarm(alarm), minutes=float(minutes))


def _no_number(word: str) -> float:
    raise ValueError(word)


_MEANINGS: dict[str, Callable[[str, _Sent], GuardCommand | _Unfit]] = {
    "valve/hold": _hold,
    "fill/start": _exactly("start", StartFill),
    "product/retest": _ppm(Retest),
    "reservoir/sample": _ppm(ReservoirSample),
    "purifier/cartridge-changed": _exactly("changed", CartridgeChanged),
    "health/acknowledge": _acknowledge,
    "health/reset": _reset,
    "health/shelve": _shelve,
}
"""One row for each settable property."""
