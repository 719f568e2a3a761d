"""What daemon and page say to each other: one JSON object a line, both ways. Core.

    daemon to page   setup    once, first: where to listen, what to show, the token
                     view     a reservoir's newest view
                     answer   what became of a command
    page to daemon   opened   once: where it listens
                     trouble  why it cannot serve, as a sentence
                     asked    a command

Both ends are ours, but the page faces the network, so the daemon trusts no line of it: a line that is none of
these is refused whole.
"""

import json
from dataclasses import astuple, dataclass, fields
from operator import attrgetter
from typing import Any

from bridge.mqtt.broker import Secret
from bridge.station.plan import StationIdentity
from bridge.station.view import ActiveAlarm, StationView
from bridge.units import DisplayUnits, SolidsUnit, TemperatureUnit, VolumeUnit

LONGEST_LINE = 256 * 1024
"""Bytes; the longest view is a tenth of it."""
LONGEST_PROPERTY = 64
LONGEST_VALUE = 256
LONGEST_UNIT = 16
"""Characters; no command is longer."""


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything that the page is told at its start."""

    bridge_id: str
    bridge_name: str
    prefix: str
    """The first level of the hub's topics."""
    version: str
    units: DisplayUnits
    host: str
    port: int
    names: tuple[str, ...]
    token: Secret | None
    log: str | None
    """The file of the log; None where none is kept."""
    spill: str | None
    reservoirs: tuple[StationIdentity, ...]
    broker: tuple[str, str] | None = None
    """Where the hub's broker is, and how one is let in, for descriptions; None without one."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a command: ``done``, ``refused`` by the guard, or ``malformed``."""

    number: int
    status: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Opened:
    """The page is served here."""

    host: str
    port: int


@dataclass(frozen=True, slots=True)
class Trouble:
    """The page cannot be served."""

    sentence: str


@dataclass(frozen=True, slots=True)
class Asked:
    """A command as a browser sent it: a property's path and a value, neither looked at yet."""

    number: int
    reservoir: str
    property: str
    value: str
    unit: str = ""
    """In which a figure was asked for; empty where the value is as the property has it."""


_NAMES = tuple(field.name for field in fields(StationView) if field.name != "identity")
_VALUES = attrgetter(*_NAMES)


def view_line(view: StationView) -> bytes:
    """A reservoir's view, without the identity, which the other end knows from the setup."""
    return _line({"view": view.identity.reservoir, "values": _VALUES(view)})


def answer_line(answer: Answer) -> bytes:
    """What became of a command."""
    return _line({"answer": [answer.number, answer.status, answer.sentence]})


def setup_line(setup: Setup) -> bytes:
    """The first line, with the token in it: it goes through the pipe and nowhere else."""
    units = setup.units
    return _line(
        {
            "bridge": [setup.bridge_id, setup.bridge_name, setup.prefix, setup.version],
            "units": [
                units.volume.value, units.temperature.value, units.solids.value, units.currency, units.zone,
            ],
            "listen": [setup.host, setup.port, list(setup.names)],
            "token": None if setup.token is None else setup.token.reveal(),
            "log": [setup.log, setup.spill],
            "reservoirs": [astuple(one) for one in setup.reservoirs],
            "broker": setup.broker,
        }
    )  # fmt: skip


def opened_line(opened: Opened) -> bytes:
    """Where the page listens."""
    return _line({"opened": [opened.host, opened.port]})


def trouble_line(trouble: Trouble) -> bytes:
    """Why the page cannot be served."""
    return _line({"trouble": trouble.sentence})


def asked_line(asked: Asked) -> bytes:
    """A command on its way to the daemon."""
    return _line({"asked": [asked.number, asked.reservoir, asked.property, asked.value, asked.unit]})


def read_setup(line: bytes) -> Setup:
    """The setup out of the daemon's first line.

    :raises ValueError: it is none.
    """
    said = _read(line)
    try:
        volume, temperature, solids, currency, zone = said["units"]
        units = DisplayUnits(
            VolumeUnit(volume), TemperatureUnit(temperature), SolidsUnit(solids), currency, zone
        )
        bridge_id, bridge_name, prefix, version = said["bridge"]
        host, port, names = said["listen"]
        log, spill = said["log"]
        token = None if said["token"] is None else Secret(said["token"])
        reservoirs = tuple(StationIdentity(*one) for one in said["reservoirs"])
        return Setup(
            bridge_id, bridge_name, prefix, version, units, host, port, tuple(names), token, log, spill,
            reservoirs, None if said["broker"] is None else tuple(said["broker"]),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError):
        raise ValueError("the daemon's first line is no setup") from None


def read_from_daemon(line: bytes, identities: dict[str, StationIdentity]) -> StationView | Answer:
    """A later line of the daemon.

    :raises ValueError: it is neither a view nor an answer.
    """
    said = _read(line)
    try:
        if "answer" in said:
            return Answer(*said["answer"])
        named = dict(zip(_NAMES, said["values"], strict=True))
        for name in ("missing_permissives", "latched_trips"):
            named[name] = tuple(named[name])
        named["alarms"] = tuple(ActiveAlarm(*one) for one in named["alarms"])
        return StationView(identities[said["view"]], **named)
    except (KeyError, TypeError, ValueError):
        raise ValueError("the daemon's line is neither a view nor an answer") from None


def read_from_page(line: bytes) -> Opened | Trouble | Asked:
    """A line of the page.

    :raises ValueError: it is none of those that the page may say.
    """
    match _read(line):
        case {"asked": [int(number), str(reservoir), str(path), str(value), str(unit)]} if (
            len(path) <= LONGEST_PROPERTY and len(value) <= LONGEST_VALUE and len(unit) <= LONGEST_UNIT
        ):
            return Asked(number, reservoir, path, value, unit)
        case {"opened": [str(host), int(port)]}:
            return Opened(host, port)
        case {"trouble": str(sentence)}:
            return Trouble(sentence[:500])
    raise ValueError("the page's line is none that it may say")


def _read(line: bytes) -> dict[str, Any]:
    try:
        said = json.loads(line)
    except (ValueError, RecursionError):
        # The decoder's own message may quote the line, and the line may hold a secret.
        raise ValueError("a line between daemon and page is no JSON") from None
    if not isinstance(said, dict):
        raise ValueError("a line between daemon and page is no object")
    return said


def _line(said: dict[str, object]) -> bytes:
    return json.dumps(said, default=_alarm, separators=(",", ":")).encode() + b"\n"


def _alarm(value: object) -> object:
    if isinstance(value, ActiveAlarm):
        return [value.alarm, value.state, value.sentence, value.shelved]
    raise TypeError(f"{type(value).__name__} does not go between daemon and page")
