"""Topics of the Homie convention, version 5, and the messages and description documents published on them.

Source of every rule in this room that says "the convention": The Homie Convention, version 5.0
(homieiot.github.io/specification, repository homieiot/convention).

A bridge is the *root device*; each reservoir is a *child device* whose id is the bridge's id, a hyphen and
the reservoir's id, so that two bridges with a reservoir of the same name can share a broker::

    homie/5/<bridge>/$state                          init, ready, disconnected; lost by the last will
    homie/5/<bridge>-<reservoir>/$description        what there is, as JSON
    homie/5/<bridge>-<reservoir>/<node>/<property>   a value
    homie/5/<bridge>-<reservoir>/<node>/<property>/set
    homie/5/<bridge>-<reservoir>/$alert/<alarm>      an alarm that is not normal and not shelved
    homie/5/<bridge>-<reservoir>/$log/<level>        one line, never retained

By the description documents a Homie controller discovers devices, nodes and properties.
"""

import json
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from enum import Enum

from bridge.errors import InputError
from bridge.mqtt.properties import NODES, PROPERTIES, Property
from bridge.station.plan import StationIdentity

STATE_QOS = 1
"""For everything retained: at least once. The convention allows this, and recommends exactly once because a
repeated message could arrive after a newer one. Here nothing is repeated: each connection starts a clean
session and publishes everything again. Exactly once would add two packets, and the broker would pass an alarm
on only after a second round trip. One level for everything keeps the order."""
COMMAND_QOS = 2
"""For commands: exactly once, so that one message does not change a cartridge twice."""
EVENT_QOS = 0
"""For everything that is not retained: it is delivered now or never (the convention's rule for events)."""

_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*", re.ASCII)


class Lifecycle(Enum):
    """The states of a device that the bridge uses. The convention's ``sleeping`` does not apply to it."""

    INIT = "init"
    READY = "ready"
    DISCONNECTED = "disconnected"
    LOST = "lost"


class Level(Enum):
    """The levels of ``$log``."""

    DEBUG = "debug"
    INFO = "info"
    WARN = "warn"
    ERROR = "error"
    FATAL = "fatal"


@dataclass(frozen=True, slots=True)
class Publication:
    """One message for the broker. An empty payload with ``retain`` deletes the retained message."""

    topic: str
    payload: str
    qos: int
    retain: bool
    properties: tuple[tuple[str, str], ...] = ()
    """The user properties of MQTT 5; left out on 3.1.1."""


def retained(topic: str, payload: str) -> Publication:
    """Make a message that the broker retains."""
    return Publication(topic, payload, STATE_QOS, True)


def deleted(topic: str) -> Publication:
    """Make the message that deletes a retained one."""
    return Publication(topic, "", STATE_QOS, True)


def event(topic: str, payload: str) -> Publication:
    """Make a message that only present subscribers get."""
    return Publication(topic, payload, EVENT_QOS, False)


@dataclass(frozen=True, slots=True)
class Layout:
    """The names that all topics start with.

    Args:
        bridge: id of the root device: lower-case letters and digits in groups joined by hyphens.
        name: the name that people see.
        prefix: the first level of every topic. Every controller discovers ``homie`` by itself.

    Raises:
        InputError: the id or the prefix cannot be part of a topic.
    """

    bridge: str
    name: str
    prefix: str = "homie"

    def __post_init__(self) -> None:
        """Check the values."""
        if not _ID.fullmatch(self.bridge):
            raise InputError(
                f"hub: the bridge's id {self.bridge!r} cannot be part of a topic; use lower-case letters "
                "and digits, in groups joined by hyphens, for example 'garden-bridge'."
            )
        if not self.prefix or set(self.prefix) & set("/+#$\0") or not self.prefix.isprintable():
            raise InputError(
                f"hub: the topic prefix {self.prefix!r} is not one level of a topic; "
                "use a word without '/', '+', '#' and '$', for example 'homie'."
            )

    def device(self, reservoir: str) -> str:
        """Return the device id of a reservoir.

        Raises:
            InputError: the reservoir's id cannot be part of a topic.
        """
        if not _ID.fullmatch(reservoir):
            raise InputError(
                f"hub: the reservoir's id {reservoir!r} cannot be part of a topic; use lower-case letters "
                "and digits, in groups joined by hyphens, for example 'north-barrel'."
            )
        return f"{self.bridge}-{reservoir}"

    def base(self, device: str) -> str:
        """Return the topic above all topics of a device."""
        return f"{self.prefix}/5/{device}"

    def state(self, device: str, state: Lifecycle) -> Publication:
        """Make a device's ``$state``."""
        return retained(f"{self.base(device)}/$state", state.value)

    def log(self, device: str, level: Level, sentence: str) -> Publication:
        """Make one line of a device's ``$log``."""
        return event(f"{self.base(device)}/$log/{level.value}", sentence)

    @property
    def will(self) -> Publication:
        """The last will, which the broker publishes when the bridge is lost.

        It sets the root's state only: by the convention, the children of a lost root are lost too.
        """
        return self.state(self.bridge, Lifecycle.LOST)


CONVENTION = "5.0"


@dataclass(frozen=True, slots=True)
class Description:
    """A device's ``$description``.

    Attributes:
        device: the device id.
        content: the document without its version, in one normal form, so that two can be compared.
        version: the document's version.
    """

    device: str
    content: str
    version: int

    def publication(self, layout: Layout) -> Publication:
        """Make the retained message with the document."""
        document = json.dumps({**json.loads(self.content), "version": self.version}, ensure_ascii=False)
        return retained(f"{layout.base(self.device)}/$description", document)


def fitted(identity: StationIdentity) -> tuple[Property, ...]:
    """Return the rows of the table that this reservoir has."""
    return tuple(row for row in PROPERTIES if row.is_fitted(identity))


def describe_bridge(
    layout: Layout, reservoirs: Iterable[str], utc_s: float, previous: Description | None = None
) -> Description:
    """Describe the root device: the bridge with its reservoirs as children.

    Args:
        layout: the names that topics start with.
        reservoirs: the reservoirs' ids.
        utc_s: seconds since 1970, for the version; see `describe_reservoir`.
        previous: the present description, if there is one.
    """
    content: dict[str, object] = {
        "homie": CONVENTION,
        "name": layout.name,
        "type": "clearwell/bridge",
        "children": [layout.device(reservoir) for reservoir in reservoirs],
    }
    return _versioned(layout.bridge, content, utc_s, previous)


def describe_reservoir(
    layout: Layout,
    identity: StationIdentity,
    utc_s: float,
    previous: Description | None = None,
    unknown: Collection[str] = (),
) -> Description:
    """Describe a child device: one reservoir with its nodes and properties.

    Args:
        layout: the names that topics start with.
        identity: the reservoir.
        utc_s: seconds since 1970. The convention requires a higher version with each change and suggests a
            timestamp: it also grows over a restart, after which the earlier version is not known.
        previous: the present description, if there is one. The same content keeps its version.
        unknown: the paths of the properties that have no value now. They are left out.

    Raises:
        InputError: the reservoir's id cannot be part of a topic.
    """
    rows = tuple(row for row in fitted(identity) if row.path not in unknown)
    content: dict[str, object] = {
        "homie": CONVENTION,
        "name": identity.name,
        "type": "clearwell/reservoir",
        "root": layout.bridge,
        "parent": layout.bridge,
        "nodes": {
            node: {"name": name, "properties": {row.id: _described(row) for row in rows if row.node == node}}
            for node, name in NODES.items()
            if any(row.node == node for row in rows)
        },
    }
    return _versioned(layout.device(identity.reservoir), content, utc_s, previous)


def _described(row: Property) -> dict[str, object]:
    described: dict[str, object] = {"name": row.name, "datatype": row.datatype.value}
    if row.format is not None:
        described["format"] = row.format
    if row.unit is not None:
        described["unit"] = row.unit
    if row.settable:
        described["settable"] = True
    if not row.retained:
        described["retained"] = False
    return described


def _versioned(
    device: str, content: Mapping[str, object], utc_s: float, previous: Description | None
) -> Description:
    text = json.dumps(content, ensure_ascii=False)
    # In milliseconds, because a description can change several times in the second before a restart.
    version = int(1000.0 * utc_s)
    if previous is None:
        return Description(device, text, version)
    if previous.content == text:
        return previous
    return Description(device, text, max(version, previous.version + 1))
