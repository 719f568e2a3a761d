"""From retained topics to the facts that people see, for a subscriber. Core.

It applies the table of ``bridge.mqtt.properties`` in reverse, so it can show any bridge on any machine. If
the messages are old, incomplete or invalid, no value is shown as live, and a sentence gives the reason.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import NoneType
from typing import Any, get_args, get_type_hints

from bridge.display import Facts
from bridge.display.from_view import facts_of
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.mqtt.properties import NONE, PROPERTIES, Datatype, Property
from bridge.mqtt.topics import Lifecycle
from bridge.station.plan import StationIdentity
from bridge.station.view import ActiveAlarm, StationView
from bridge.trays.ahead import RoundDay
from bridge.units import DisplayUnits

BRIDGE_TYPE, RESERVOIR_TYPE = "clearwell/bridge", "clearwell/reservoir"
LARGEST_DESCRIPTION = 256 * 1024

LOST = (
    "LOST: the bridge ended without a clean stop. It was killed, or its machine, its power or its network "
    "failed. A controller shuts its valve by itself when its lease runs out; a plain relay does not, so look "
    "there."
)
REASONS = {
    Lifecycle.LOST.value: LOST,
    Lifecycle.DISCONNECTED.value: "STOPPED: the bridge was stopped, and shut every valve first.",
    Lifecycle.INIT.value: "STARTING: the bridge has not published every value yet.",
}
UNDESCRIBED = "Nothing was received from it yet."
FOREIGN = "The bridge publishes a value that this program does not know; the two may have different versions."


@dataclass(frozen=True, slots=True)
class RemoteReservoir:
    """One reservoir of a bridge, as published on the broker."""

    id: str
    name: str
    device: str
    facts: Facts | None
    """None if the present state is not known."""
    reason: str
    """Why there are no facts, as a sentence; empty if there are."""


@dataclass(frozen=True, slots=True)
class RemoteBridge:
    """One bridge, discovered by its description."""

    id: str
    name: str
    state: str
    """Its ``$state``; empty if none was received."""
    reservoirs: tuple[RemoteReservoir, ...]

    @property
    def is_complete(self) -> bool:
        """Whether everything was received: the facts of each reservoir, or that the bridge has stopped."""
        gone = self.state in (Lifecycle.LOST.value, Lifecycle.DISCONNECTED.value)
        return gone or (bool(self.reservoirs) and all(one.facts is not None for one in self.reservoirs))


def bridges(
    retained: Mapping[str, str], prefix: str, units: DisplayUnits, times: Mapping[str, str]
) -> tuple[RemoteBridge, ...]:
    """Return every bridge on the broker, in the order of their ids.

    Args:
        retained: the retained messages, by topic.
        prefix: the first level of the topics.
        units: the units of the quantities.
        times: the formatted time of the last message of each device, by device id.
    """
    start, end = f"{prefix}/5/", "/$description"
    found = []
    for topic in sorted(retained):
        if not (topic.startswith(start) and topic.endswith(end)):
            continue
        ident = topic[len(start) : -len(end)]
        about = _document(retained[topic])
        if about.get("type") != BRIDGE_TYPE:
            continue
        state = retained.get(f"{start}{ident}/$state", "")
        children = about.get("children")
        found.append(
            RemoteBridge(
                ident,
                _text(about.get("name")) or ident,
                state,
                tuple(
                    [
                        _reservoir(retained, start, ident, child, state, units, times.get(child, ""))
                        for child in (children if isinstance(children, list) else ())
                        if isinstance(child, str)
                    ]
                ),
            )
        )
    return tuple(found)


def _reservoir(
    retained: Mapping[str, str],
    start: str,
    bridge: str,
    device: str,
    root: str,
    units: DisplayUnits,
    time: str,
) -> RemoteReservoir:
    base = f"{start}{device}"
    ident = device.removeprefix(f"{bridge}-")
    about = _document(retained.get(f"{base}/$description", ""))
    if about.get("type") != RESERVOIR_TYPE:
        return RemoteReservoir(ident, ident, device, None, REASONS.get(root, UNDESCRIBED))
    name = _text(about.get("name")) or ident
    # The convention: if the root is not ready, neither are its children, whatever their own state is.
    state = root if root != Lifecycle.READY.value else retained.get(f"{base}/$state", "")
    if state != Lifecycle.READY.value:
        return RemoteReservoir(ident, name, device, None, REASONS.get(state, UNDESCRIBED))
    try:
        view = _view(retained, base, ident, name, about)
        facts = facts_of(view, units, time)
    except _MissingError:
        return RemoteReservoir(ident, name, device, None, REASONS[Lifecycle.INIT.value])
    except (ValueError, KeyError, ArithmeticError):
        # A factor of 0 on the broker, for example, would divide by zero.
        return RemoteReservoir(ident, name, device, None, FOREIGN)
    return RemoteReservoir(ident, name, device, facts, "")


# --- one view ---------------------------------------------------------------------------------------


class _MissingError(Exception):
    """A value that is always published was not received."""


_SHOWN = tuple(row for row in PROPERTIES if row.source is not None and row.retained)
_OPTIONAL = frozenset(
    name
    for values in (StationView, StationIdentity)
    for name, kind in get_type_hints(values).items()
    if NoneType in get_args(kind)
)
"""The attributes that may be None."""


def _view(
    retained: Mapping[str, str], base: str, ident: str, name: str, about: Mapping[str, Any]
) -> StationView:
    """Return the view that was published.

    Raises:
        _MissingError: a value was not received.
        ValueError: a value is not valid.
    """
    of_identity: dict[str, Any] = {
        "reservoir": ident,
        "name": name,
        # By properties that always have a value, because others are not described while theirs is unknown.
        "has_feed_probe": _has(about, "feed", "health"),
        "has_check_cell": _has(about, "check", "health"),
        "has_volume": _has(about, "fill", "volume"),
        "has_trays": _has(about, "round", "date"),
        "needs_weather": _has(about, "weather", "temperature"),
        # Drain valve and forecast have no such property, and no fact depends on them.
        "has_forecast": False,
        "has_drain": False,
    }
    values: dict[str, Any] = {}
    for row in _SHOWN:
        source = str(row.source)
        attribute = source.removeprefix("identity.")
        value = _value(row, retained.get(f"{base}/{row.path}"))
        if value is None and attribute not in _OPTIONAL:
            if row.needs is None:
                raise _MissingError
            value = "good" if row.datatype is Datatype.ENUM else value
        (values if attribute == source else of_identity)[attribute] = value
    values["alarms"] = tuple([_alarm(one, retained, base) for one in values["alarms"]])
    for one in (*values["missing_permissives"], *values["latched_trips"]):
        if not isinstance(one, str):
            raise ValueError(one)
    values["first_out"] = None if values["first_out"] == NONE else values["first_out"]
    for name in ("last_reading", "reservoir_sampled", "round_date", "round_summary"):
        values[name] = None if values[name] in (NONE, "") else values[name]
    if values["round_ahead"] is not None:
        values["round_ahead"] = tuple([_round_day(one) for one in values["round_ahead"]])
    return StationView(identity=StationIdentity(**of_identity), **values)


def _value(row: Property, payload: str | None) -> Any:
    """Return a payload as the attribute's own type; None if it was not received.

    Raises:
        ValueError: it does not fit the row's datatype.
    """
    if payload is None:
        return "" if row.datatype is Datatype.STRING else None
    match row.datatype:
        case Datatype.FLOAT | Datatype.INTEGER:
            number = float(payload)
            if not math.isfinite(number):
                raise ValueError(payload)
            return int(number) if row.datatype is Datatype.INTEGER else number / row.scale
        case Datatype.BOOLEAN:
            return {"true": True, "false": False}[payload]
        case Datatype.ENUM:
            if payload not in (row.format or "").split(","):
                raise ValueError(payload)
            return payload
        case Datatype.JSON:
            try:
                made = json.loads(payload)
            except RecursionError:
                raise ValueError(payload) from None
            if not isinstance(made, list):
                raise ValueError(payload)
            return tuple(made)
        case _:
            return payload


def _alarm(one: Any, retained: Mapping[str, str], base: str) -> ActiveAlarm:
    """Return an alarm, with the bridge's own sentence if it has an alert; a shelved alarm has none."""
    if not isinstance(one, dict):
        raise ValueError(one)
    ident = str(one["alarm"])
    known: AlarmId = _ALARMS[ident]
    sentence = retained.get(f"{base}/$alert/{ident}") or FAULTS[known].sentence
    return ActiveAlarm(ident, str(one["state"]), sentence, one["shelved"] is True)


def _round_day(one: Any) -> RoundDay:
    """Return a day of the watering round."""
    if not isinstance(one, dict):
        raise ValueError(one)
    trays, flushes = (tuple([str(name) for name in one[key]]) for key in ("trays", "flushes"))
    return RoundDay(str(one["day"]), float(one["litres"]), trays, flushes)


_ALARMS: dict[str, AlarmId] = {one.value: one for one in (*Trip, *Advisory)}


def _has(about: Mapping[str, Any], node: str, ident: str) -> bool:
    at: Any = about
    for key in ("nodes", node, "properties"):
        at = at.get(key) if isinstance(at, dict) else None
    return isinstance(at, dict) and ident in at


@lru_cache(maxsize=64)
def _document(text: str) -> Mapping[str, Any]:
    """Parse a description; an invalid one is empty. Cached, because it changes less often than the values."""
    if len(text) > LARGEST_DESCRIPTION:
        return {}
    try:
        made = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return made if isinstance(made, dict) else {}


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""
