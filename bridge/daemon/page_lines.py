"""The messages between daemon and page: one JSON object a line, in both directions. Core.

    daemon to page   setup    once, first: where to listen, what to show, the token
                     view     a reservoir's newest view
                     result   the result of a command
    page to daemon   opened   once: where the page listens
                     trouble  why the page cannot be served, as a sentence
                     command  a command from a browser

Both programs are ours, but the page faces the network. So the daemon does not trust the page: it refuses a
line that is not one of these.
"""

import base64
import json
import math
import pickle
import re
import zlib
from dataclasses import astuple, dataclass, fields, replace
from operator import attrgetter
from typing import TYPE_CHECKING, Any

from bridge.mqtt.broker import Secret
from bridge.mqtt.properties import PROPERTIES, SAMPLE_MAX_PPM
from bridge.station.plan import StationIdentity
from bridge.station.view import ActiveAlarm, StationView
from bridge.trays.ahead import RoundDay
from bridge.units import DisplayUnits, SolidsUnit, TemperatureUnit, VolumeUnit

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan

LONGEST_LINE = 256 * 1024
"""Bytes; the longest view is a tenth of it."""
LONGEST_PROPERTY = 64
LONGEST_VALUE = 256
LONGEST_UNIT = 16
LONGEST_KEY = 64
"""Characters; no command is longer."""
BY_HAND = frozenset(row.path for row in PROPERTIES if row.settable and row.unit == SolidsUnit.PPM.value)
"""The properties that take a measurement by hand."""
_NUMBER = re.compile(r"(\d+(\.\d*)?|\.\d+)([eE]-?\d+)?", re.ASCII)
_DIGITS = 10
"""Significant digits; more would only show the binary fraction."""


@dataclass(frozen=True, slots=True)
class Fittings:
    """The parts of a reservoir's plan that only the page shows. A field is None if there is no such part."""

    refill_l: float | None = None
    """At this volume a fill begins."""
    fill_l: float | None = None
    """At this volume a fill ends."""
    lead_days: float | None = None
    """Days from the order until a new cartridge is fitted; None without a cartridge."""
    calibrated_ms: tuple[tuple[str, int | None], ...] = ()
    """Each cell, and when it was calibrated, UTC; None if never."""
    has_overflow_float: bool = False


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything that the page needs at its start."""

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
    """The log's file; None if there is no log."""
    reservoirs: tuple[StationIdentity, ...]
    fittings: tuple[Fittings, ...] = ()
    """In the order of the reservoirs; empty if nothing is known."""
    broker: tuple[str, str] | None = None
    """Address and security scheme of the hub's broker, for descriptions; None if there is no broker."""
    garden: str = ""
    """The trays and their waters, as :func:`packed` returns them; empty if there are no trays."""


@dataclass(frozen=True, slots=True)
class CommandResult:
    """The result of a command."""

    number: int
    status: str
    """``done``, ``refused`` by the guard, or ``malformed``."""
    sentence: str


@dataclass(frozen=True, slots=True)
class Opened:
    """Where the page listens."""

    host: str
    port: int


@dataclass(frozen=True, slots=True)
class Trouble:
    """The page cannot be served."""

    sentence: str


@dataclass(frozen=True, slots=True)
class CommandRequest:
    """A command as a browser sent it: a property's path and a value, not checked yet."""

    number: int
    reservoir: str
    property: str
    value: str
    unit: str = ""
    """The unit of a figure; empty if the value is in the property's own unit."""
    key: str = ""
    """The same for each attempt to send this command, so that it is carried out once. Empty for none."""
    expires_at: float = math.inf
    """Monotonic seconds, which all processes of a machine share. A command that the daemon reads later is
    refused, because the page has reported by then that it was not carried out."""


@dataclass(frozen=True, slots=True)
class Unfit:
    """A value that cannot be used; the sentence says what would be right."""

    sentence: str


def in_ppm(path: str, text: str, unit: str, factor: float) -> str | Unfit:
    """Convert a measurement from the page's form to the unit that its property has.

    The browser sends the unit that the form showed, so that a change of the setting cannot turn a figure in
    one unit into a figure in the other.

    Args:
        path: the property, such as ``product/retest``.
        text: the value as a person typed it.
        unit: the unit of the value; empty if it is the property's own.
        factor: the reservoir's scale, ppm for each µS/cm at 25 °C.

    Returns:
        The value in ppm if it was in µS/cm, else the text unchanged, which its property's parser checks.
    """
    if unit == "" or (unit == SolidsUnit.PPM.value and path in BY_HAND):
        return text
    if unit != SolidsUnit.US_CM.value or path not in BY_HAND:
        return Unfit(f"The command {_excerpt(path)} was refused: it is not set in {_excerpt(unit)}.")
    ppm = factor * float(text) if _NUMBER.fullmatch(text) else -1.0
    if not 0.0 <= ppm <= SAMPLE_MAX_PPM:
        return Unfit(
            f"The command {path} was refused: {_excerpt(text)} is not a number of µS/cm from 0 to "
            f"{SAMPLE_MAX_PPM / factor:.0f}, with a point before the decimals."
        )
    return f"{ppm:.{_DIGITS}g}"


def _excerpt(text: str) -> str:
    return f"{text[:40]!a}..." if len(text) > 40 else f"{text!a}"


def packed(plan: "BridgePlan") -> str:
    """Pack the part of a plan that the watering round needs; return an empty text if there are no trays.

    Hub, page and socket are left out, so the text contains no secret.
    """
    if plan.trays is None:
        return ""
    fed_from = {tray.fed_from for tray in plan.trays.trays}
    stations = tuple(one for one in plan.stations if one.identity.reservoir in fed_from)
    garden = replace(plan, stations=stations, hub=None, page=None, socket=None)
    # Both ends are the same program, and only the daemon writes this text.
    return base64.b64encode(zlib.compress(pickle.dumps(garden))).decode("ascii")


def unpacked(text: str) -> "BridgePlan":
    """Return what :func:`packed` packed."""
    plan: BridgePlan = pickle.loads(zlib.decompress(base64.b64decode(text)))
    return plan


_NAMES = tuple(field.name for field in fields(StationView) if field.name != "identity")
_VALUES = attrgetter(*_NAMES)


def view_line(view: StationView) -> bytes:
    """Encode a view, without its identity, which the page has from the setup."""
    return _line({"view": view.identity.reservoir, "values": _VALUES(view)})


def command_result_line(result: CommandResult) -> bytes:
    """Encode the result of a command."""
    return _line({"result": [result.number, result.status, result.sentence]})


def setup_line(setup: Setup) -> bytes:
    """Encode the setup. It contains the token, so it goes through the pipe and nowhere else."""
    units = setup.units
    return _line(
        {
            "bridge": [setup.bridge_id, setup.bridge_name, setup.prefix, setup.version],
            "units": [
                units.volume.value, units.temperature.value, units.solids.value, units.currency, units.zone,
            ],
            "listen": [setup.host, setup.port, list(setup.names)],
            "token": None if setup.token is None else setup.token.reveal(),
            "log": setup.log,
            "reservoirs": [astuple(one) for one in setup.reservoirs],
            "fittings": [astuple(one) for one in setup.fittings],
            "broker": setup.broker,
            "garden": setup.garden,
        }
    )  # fmt: skip


def opened_line(opened: Opened) -> bytes:
    """Encode where the page listens."""
    return _line({"opened": [opened.host, opened.port]})


def trouble_line(trouble: Trouble) -> bytes:
    """Encode why the page cannot be served."""
    return _line({"trouble": trouble.sentence})


def command_request_line(request: CommandRequest) -> bytes:
    """Encode a command for the daemon."""
    return _line(
        {
            "command": [
                request.number, request.reservoir, request.property, request.value, request.unit,
                request.key, None if math.isinf(request.expires_at) else request.expires_at,
            ]
        }
    )  # fmt: skip


def read_setup(line: bytes) -> Setup:
    """Decode the daemon's first line.

    Raises:
        ValueError: the line is not a setup.
    """
    message = _read(line)
    try:
        volume, temperature, solids, currency, zone = message["units"]
        units = DisplayUnits(
            VolumeUnit(volume), TemperatureUnit(temperature), SolidsUnit(solids), currency, zone
        )
        bridge_id, bridge_name, prefix, version = message["bridge"]
        host, port, names = message["listen"]
        log = message["log"]
        token = None if message["token"] is None else Secret(message["token"])
        reservoirs = tuple(StationIdentity(*one) for one in message["reservoirs"])
        return Setup(
            bridge_id, bridge_name, prefix, version, units, host, port, tuple(names), token, log,
            reservoirs, tuple(_fittings(*one) for one in message["fittings"]),
            None if message["broker"] is None else tuple(message["broker"]), str(message["garden"]),
        )  # fmt: skip
    except (KeyError, TypeError, ValueError):
        raise ValueError("the daemon's first line is not a setup") from None


def _fittings(
    refill_l: float | None,
    fill_l: float | None,
    lead_days: float | None,
    cells: list[tuple[str, int | None]],
    has_overflow_float: bool,
) -> Fittings:
    calibrated_ms = tuple((name, at_ms) for name, at_ms in cells)
    return Fittings(refill_l, fill_l, lead_days, calibrated_ms, has_overflow_float)


def read_from_daemon(line: bytes, identities: dict[str, StationIdentity]) -> StationView | CommandResult:
    """Decode a later line of the daemon.

    Args:
        line: the line.
        identities: the reservoirs of the setup, by id.

    Raises:
        ValueError: the line is neither a view nor a result.
    """
    message = _read(line)
    try:
        if "result" in message:
            return CommandResult(*message["result"])
        named = dict(zip(_NAMES, message["values"], strict=True))
        for name in ("missing_permissives", "latched_trips"):
            named[name] = tuple(named[name])
        named["alarms"] = tuple(ActiveAlarm(*one) for one in named["alarms"])
        if named["round_ahead"] is not None:
            named["round_ahead"] = tuple(_round_day(*one) for one in named["round_ahead"])
        return StationView(identities[message["view"]], **named)
    except (KeyError, TypeError, ValueError):
        raise ValueError("the daemon's line is neither a view nor a result") from None


def read_from_page(line: bytes) -> Opened | Trouble | CommandRequest:
    """Decode a line of the page.

    Raises:
        ValueError: the line is not a message that the page may send.
    """
    match _read(line):
        case {
            "command": [int(number), str(reservoir), str(path), str(value), str(unit), str(key), expires]
        } if (
            len(path) <= LONGEST_PROPERTY
            and len(value) <= LONGEST_VALUE
            and len(unit) <= LONGEST_UNIT
            and len(key) <= LONGEST_KEY
            and (expires is None or isinstance(expires, float))
        ):
            expires_at = math.inf if expires is None else expires
            return CommandRequest(number, reservoir, path, value, unit, key, expires_at)
        case {"opened": [str(host), int(port)]}:
            return Opened(host, port)
        case {"trouble": str(sentence)}:
            return Trouble(sentence[:500])
    raise ValueError("the page sent a line that is not one of its messages")


def _read(line: bytes) -> dict[str, Any]:
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):
        # The decoder's own message may quote the line, and the line may contain a secret.
        raise ValueError("a line between daemon and page is not JSON") from None
    if not isinstance(message, dict):
        raise ValueError("a line between daemon and page is not a JSON object")
    return message


def _round_day(day: str, litres: float, trays: list[str], flushes: list[str]) -> RoundDay:
    return RoundDay(day, litres, tuple(trays), tuple(flushes))


def _line(message: dict[str, object]) -> bytes:
    return json.dumps(message, default=_parts, separators=(",", ":")).encode() + b"\n"


def _parts(value: object) -> object:
    if isinstance(value, ActiveAlarm):
        return [value.alarm, value.state, value.sentence, value.shelved]
    if isinstance(value, RoundDay):
        return [value.day, value.litres, value.trays, value.flushes]
    raise TypeError(f"{type(value).__name__} cannot be sent between daemon and page")
