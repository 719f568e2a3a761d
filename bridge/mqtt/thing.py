"""A reservoir as a W3C Web of Things Thing Description, for a program that does not support Homie.

Sources: Web of Things (WoT) Thing Description 1.1 (W3C Recommendation, 5 December 2023); for MQTT in a form:
Web of Things (WoT) MQTT Binding Template (W3C editor's draft, repository w3c/wot-binding-templates):

- ``href`` contains the broker only; ``mqv:filter`` is the topic to subscribe to, ``mqv:topic`` the topic to
  publish on; the quality of service is a string of one digit.
- A retained value can be read at any time and also observed, so one form has both operations. A command is
  never retained, so its form has ``mqv:retain`` false.

The affordances are the rows of the table of properties: a row with a value is a *property*, an action is an
*action*, and every alarm is an *event* with the alarm's sentence as its data. An empty message means that the
alarm has ended.

There are no forms for HTTP: the page takes every command at one address in one format, and no form of a
single affordance can describe that.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from bridge.guard.faults import FAULTS
from bridge.mqtt.broker import BrokerSettings
from bridge.mqtt.properties import NODES, Datatype, Property
from bridge.mqtt.topics import COMMAND_QOS, STATE_QOS, Layout, Lifecycle, Publication, fitted, retained
from bridge.station.plan import StationIdentity

MEDIA_TYPE = "application/td+json"
"""The registered media type of a Thing Description (TD 1.1, section 10)."""
CONTEXT: list[object] = [
    "https://www.w3.org/2022/wot/td/v1.1",
    {"@language": "en", "mqv": "https://www.w3.org/2019/wot/mqtt#"},
]
CAUTION = (
    "A conductivity reading says nothing of microbes, pesticides, lead or solvents: it never shows that "
    "water is safe to drink."
)
_TEXT, _JSON = "text/plain;charset=utf-8", "application/json"
_COUNT = "#"
"""The Homie convention's unit of a count; elsewhere a count has no unit."""
Member = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Access:
    """Address and security scheme of the broker, without any secret.

    Attributes:
        uri: scheme, host and port, such as ``mqtt://broker.local:1883``.
        scheme: a security scheme of TD 1.1: ``nosec``, ``basic`` (user and password) or ``auto`` (by the
            protocol itself, here a client certificate).
    """

    uri: str
    scheme: str

    @classmethod
    def of(cls, broker: BrokerSettings) -> "Access":
        """Return the access that the bridge itself uses.

        A program on another machine must replace ``localhost`` with the broker's name.
        """
        host = f"[{broker.host}]" if ":" in broker.host else broker.host
        scheme = "nosec"
        if broker.username is not None:
            scheme = "basic"
        elif broker.tls is not None and broker.tls.cert_file is not None:
            scheme = "auto"
        return cls(f"{'mqtt' if broker.tls is None else 'mqtts'}://{host}:{broker.port}", scheme)


def thing_description(
    identity: StationIdentity, layout: Layout, access: Access, version: str
) -> dict[str, Any]:
    """Make the Thing Description of one reservoir, ready for JSON.

    Args:
        identity: the reservoir.
        layout: the names that topics start with.
        access: address and security scheme of the broker.
        version: the program's version, as the version of this instance.

    Raises:
        InputError: the reservoir's id cannot be part of a topic.
    """
    forms = _Forms(access.uri, layout.base(layout.device(identity.reservoir)))
    rows = fitted(identity)
    root_state = f"{layout.base(layout.bridge)}/$state"
    properties = {_name(row): _property(row, forms) for row in rows if row.retained}
    properties["bridge-state"] = {
        "title": "State of the bridge; lost when it ended without a clean stop",
        "type": "string",
        "enum": [state.value for state in Lifecycle],
        "readOnly": True,
        "observable": True,
        "forms": [forms.value(root_state, _TEXT)],
    }
    scheme: Member = {"scheme": access.scheme}
    if access.scheme == "basic":
        scheme["in"] = "auto"
    return {
        "@context": CONTEXT,
        "id": uuid5(NAMESPACE_URL, f"{access.uri}/{forms.base}").urn,
        "title": identity.name or identity.reservoir,
        "description": f"A reservoir of purified water for plants, kept filled by {layout.name}. {CAUTION}",
        "version": {"instance": version},
        "securityDefinitions": {"broker": scheme},
        "security": "broker",
        "properties": properties,
        "actions": {_name(row): _action(row, forms) for row in rows if not row.retained},
        "events": {
            alarm.value: {
                "title": alarm.value.replace("-", " ").capitalize(),
                "description": fault.what,
                "data": {"type": "string"},
                "forms": [forms.event(f"$alert/{alarm.value}")],
            }
            for alarm, fault in FAULTS.items()
        },
    }


def topic(layout: Layout, reservoir: str) -> str:
    """Return the topic of a reservoir's description."""
    return f"clearwell/{layout.bridge}/things/{reservoir}"


def publication(identity: StationIdentity, layout: Layout, access: Access, version: str) -> Publication:
    """Make the retained message with the description."""
    document = thing_description(identity, layout, access, version)
    return retained(topic(layout, identity.reservoir), json.dumps(document, ensure_ascii=False))


@dataclass(frozen=True, slots=True)
class _Forms:
    """Makes the forms for the topics below ``base``."""

    uri: str
    base: str

    def value(self, filter_: str, content: str) -> Member:
        """Make the form of a retained value, which can be read and observed."""
        return self._form(["readproperty", "observeproperty", "unobserveproperty"], content, STATE_QOS) | {
            "mqv:retain": True,
            "mqv:filter": filter_,
        }

    def command(self, op: str, row: Property) -> Member:
        """Make the form of a message on a ``/set`` topic, which is never retained."""
        return self._form([op], _content(row), COMMAND_QOS) | {
            "mqv:retain": False,
            "mqv:topic": f"{self.base}/{row.path}/set",
        }

    def event(self, path: str) -> Member:
        """Make the form of an alert, which is retained while it lasts."""
        return self._form(["subscribeevent", "unsubscribeevent"], _TEXT, STATE_QOS) | {
            "mqv:retain": True,
            "mqv:filter": f"{self.base}/{path}",
        }

    def _form(self, op: list[str], content: str, qos: int) -> Member:
        return {"href": self.uri, "op": op, "contentType": content, "mqv:qos": str(qos)}


def _name(row: Property) -> str:
    return f"{row.node}-{row.id}"


def _property(row: Property, forms: _Forms) -> Member:
    reached = [forms.value(f"{forms.base}/{row.path}", _content(row))]
    if row.settable:
        reached.append(forms.command("writeproperty", row))
    return {
        "title": f"{NODES[row.node]}: {row.name}",
        **_schema(row),
        "readOnly": not row.settable,
        "observable": True,
        "forms": reached,
    }


def _action(row: Property, forms: _Forms) -> Member:
    return {
        "title": f"{NODES[row.node]}: {row.name}",
        "description": "The guard may refuse it; the reason is published on the device's $log/warn.",
        "input": _schema(row),
        "safe": False,
        "idempotent": False,
        "synchronous": False,
        "forms": [forms.command("invokeaction", row)],
    }


def _content(row: Property) -> str:
    """Return the media type of a payload: a word has no quotation marks, so it is not JSON."""
    return _TEXT if row.datatype in (Datatype.ENUM, Datatype.STRING) else _JSON


def _schema(row: Property) -> Member:
    """Return the row's datatype, unit and format as a data schema."""
    schema: Member = {}
    match row.datatype:
        case Datatype.FLOAT | Datatype.INTEGER:
            schema["type"] = "number" if row.datatype is Datatype.FLOAT else "integer"
            low, _, high = (row.format or ":").partition(":")
            schema |= {bound: float(edge) for bound, edge in (("minimum", low), ("maximum", high)) if edge}
        case Datatype.ENUM:
            schema |= {"type": "string", "enum": (row.format or "").split(",")}
        case Datatype.JSON:
            described: Mapping[str, Any] = json.loads(row.format or "{}")
            schema |= described
        case _:
            schema["type"] = row.datatype.value
    if row.unit is not None and row.unit != _COUNT:
        schema["unit"] = row.unit
    return schema
