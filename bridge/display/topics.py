"""From topics to facts: what a subscriber has heard of bridges, as people are shown it. Core.

It is the map of ``bridge.mqtt.properties`` read backwards, so it shows any bridge that speaks it, wherever
that runs. What is heard may be old, half of it, or nonsense: then nothing is shown as live, and a sentence
says why.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any

from bridge.display.facts import Facts
from bridge.display.from_view import facts_of
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.mqtt.properties import NONE, PROPERTIES, Datatype, Property
from bridge.mqtt.topics import Lifecycle
from bridge.station.plan import StationIdentity
from bridge.station.view import ActiveAlarm, StationView
from bridge.units import DisplayUnits

BRIDGE_TYPE, RESERVOIR_TYPE = "clearwell/bridge", "clearwell/reservoir"
LARGEST_DESCRIPTION = 256 * 1024

LOST = (
    "LOST: the bridge went away without a word. It was killed, or its machine, its power or its network "
    "failed. A controller shuts its valve by itself when its lease runs out; a plain relay does not, so look "
    "there."
)
SILENCES = {
    Lifecycle.LOST.value: LOST,
    Lifecycle.DISCONNECTED.value: "STOPPED: the bridge was stopped, and shut every valve first.",
    Lifecycle.INIT.value: "STARTING: the bridge has not yet told what is so.",
}
UNDESCRIBED = "Nothing has been heard of it yet."
FOREIGN = "The bridge says something that this program does not know; the two may be of different versions."


@dataclass(frozen=True, slots=True)
class HeardReservoir:
    """One reservoir of a bridge."""

    id: str
    name: str
    device: str
    facts: Facts | None
    """None where nothing is known that would hold now."""
    silence: str
    """Why there are no facts, as a sentence; empty where there are."""


@dataclass(frozen=True, slots=True)
class HeardBridge:
    """One bridge, found by its description."""

    id: str
    name: str
    state: str
    """Its ``$state``, an empty text where none was heard."""
    reservoirs: tuple[HeardReservoir, ...]

    @property
    def is_whole(self) -> bool:
        """Whether all was heard that there is to hear: the facts of each reservoir, or that it has gone."""
        gone = self.state in (Lifecycle.LOST.value, Lifecycle.DISCONNECTED.value)
        return gone or (bool(self.reservoirs) and all(one.facts is not None for one in self.reservoirs))


def bridges(
    kept: Mapping[str, str], prefix: str, units: DisplayUnits, times: Mapping[str, str]
) -> tuple[HeardBridge, ...]:
    """Every bridge there is, by its id.

    :param kept: the retained messages, by topic.
    :param prefix: the first level of the topics.
    :param times: when each device was last heard, as people read it, by the device's id.
    """
    start, end = f"{prefix}/5/", "/$description"
    found = []
    for topic in sorted(kept):
        if not (topic.startswith(start) and topic.endswith(end)):
            continue
        ident = topic[len(start) : -len(end)]
        about = _document(kept[topic])
        if about.get("type") != BRIDGE_TYPE:
            continue
        state = kept.get(f"{start}{ident}/$state", "")
        children = about.get("children")
        found.append(
            HeardBridge(
                ident,
                _text(about.get("name")) or ident,
                state,
                tuple(
                    [
                        _reservoir(kept, start, ident, child, state, units, times.get(child, ""))
                        for child in (children if isinstance(children, list) else ())
                        if isinstance(child, str)
                    ]
                ),
            )
        )
    return tuple(found)


def _reservoir(
    kept: Mapping[str, str], start: str, bridge: str, device: str, root: str, units: DisplayUnits, time: str
) -> HeardReservoir:
    base = f"{start}{device}"
    ident = device.removeprefix(f"{bridge}-")
    about = _document(kept.get(f"{base}/$description", ""))
    if about.get("type") != RESERVOIR_TYPE:
        return HeardReservoir(ident, ident, device, None, SILENCES.get(root, UNDESCRIBED))
    name = _text(about.get("name")) or ident
    # The convention: where the root is lost or gone, so are its children, whatever their own state says.
    state = root if root != Lifecycle.READY.value else kept.get(f"{base}/$state", "")
    if state != Lifecycle.READY.value:
        return HeardReservoir(ident, name, device, None, SILENCES.get(state, UNDESCRIBED))
    try:
        view = _view(kept, base, ident, name, about)
        facts = facts_of(view, units, time)
    except _MissingError:
        return HeardReservoir(ident, name, device, None, SILENCES[Lifecycle.INIT.value])
    except (ValueError, KeyError):
        return HeardReservoir(ident, name, device, None, FOREIGN)
    return HeardReservoir(ident, name, device, facts, "")


# --- one view ---------------------------------------------------------------------------------------


class _MissingError(Exception):
    """Something that is always published was not heard."""


_SHOWN = tuple(row for row in PROPERTIES if row.source is not None and row.retained)
_OPTIONAL = frozenset(
    one.name for one in (*fields(StationView), *fields(StationIdentity)) if "None" in str(one.type)
)


def _view(kept: Mapping[str, str], base: str, ident: str, name: str, about: Mapping[str, Any]) -> StationView:
    """The view that was published.

    Raises:
        _MissingError: it was not heard whole.
        ValueError: a value is none of those that there are.
    """
    of_identity: dict[str, Any] = {
        "reservoir": ident,
        "name": name,
        "has_feed_probe": _has(about, "feed", "ppm"),
        "has_volume": _has(about, "reservoir", "volume"),
        "has_forecast": _has(about, "purifier", "days-left"),
        # A drain valve has no property of its own; nothing that is shown depends on it.
        "has_drain": False,
    }
    values: dict[str, Any] = {}
    for row in _SHOWN:
        source = str(row.source)
        attribute = source.removeprefix("identity.")
        value = _value(row, kept.get(f"{base}/{row.path}"))
        if value is None and attribute not in _OPTIONAL:
            if row.needs is None:
                raise _MissingError
            value = "good" if row.datatype is Datatype.ENUM else value
        (values if attribute == source else of_identity)[attribute] = value
    values["alarms"] = tuple([_alarm(one, kept, base) for one in values["alarms"]])
    for one in (*values["missing_permissives"], *values["latched_trips"]):
        if not isinstance(one, str):
            raise ValueError(one)
    values["first_out"] = None if values["first_out"] == NONE else values["first_out"]
    return StationView(identity=StationIdentity(**of_identity), **values)


def _value(row: Property, payload: str | None) -> Any:
    """A payload as the attribute's own type; None for one that was not heard.

    Raises :class:`ValueError` for one that does not fit the row's datatype.
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
            made = json.loads(payload)
            if not isinstance(made, list):
                raise ValueError(payload)
            return tuple(made)
        case _:
            return payload


def _alarm(one: Any, kept: Mapping[str, str], base: str) -> ActiveAlarm:
    """An alarm, with the bridge's own sentence where it has told one; a shelved one has none."""
    if not isinstance(one, dict):
        raise ValueError(one)
    ident = str(one["alarm"])
    known: AlarmId = _ALARMS[ident]
    sentence = kept.get(f"{base}/$alert/{ident}") or FAULTS[known].sentence
    return ActiveAlarm(ident, str(one["state"]), sentence, one["shelved"] is True)


_ALARMS: dict[str, AlarmId] = {one.value: one for one in (*Trip, *Advisory)}


def _has(about: Mapping[str, Any], node: str, ident: str) -> bool:
    at: Any = about
    for key in ("nodes", node, "properties"):
        at = at.get(key) if isinstance(at, dict) else None
    return isinstance(at, dict) and ident in at


@lru_cache(maxsize=64)
def _document(text: str) -> Mapping[str, Any]:
    """A description, or an empty one where it cannot be read. Read once, as it outlives many values."""
    if len(text) > LARGEST_DESCRIPTION:
        return {}
    try:
        made = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return made if isinstance(made, dict) else {}


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""
