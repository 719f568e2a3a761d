"""Announcements: messages whose topics and payloads the user writes, for a hub without Homie and SenML.

The project ships no product's dialect. A template is a text with named placeholders, in the notation of
Python's ``string.Template``: ``${name}`` is a placeholder and ``$$`` is a dollar sign. It is used once for
the bridge, once for each reservoir or once for each property. A template with ``${value}`` in its payload is
published whenever that property's value is; one without is published once at each connection.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from string import Template

from bridge.errors import InputError
from bridge.mqtt.properties import NODES, PROPERTIES, Property
from bridge.mqtt.topics import EVENT_QOS, STATE_QOS, Layout, Publication, fitted
from bridge.station.plan import StationIdentity


class Each(Enum):
    """What a template is repeated for."""

    BRIDGE = "bridge"
    RESERVOIR = "reservoir"
    PROPERTY = "property"


_BRIDGE = ("prefix", "bridge", "bridge_state_topic")
_RESERVOIR = (*_BRIDGE, "reservoir", "device", "device_state_topic")
_PROPERTY = (*_RESERVOIR, "node", "property", "value_topic", "set_topic")
_BRIDGE_TEXT = ("bridge_name",)
_RESERVOIR_TEXT = (*_BRIDGE_TEXT, "reservoir_name", "capacity_l", "limit_ppm", "target_ppm", "factor")
_PROPERTY_TEXT = (
    *_RESERVOIR_TEXT,
    *("node_name", "property_name", "datatype", "unit", "format", "settable", "retained", "value"),
)

TOPIC_PLACEHOLDERS: dict[Each, tuple[str, ...]] = {
    Each.BRIDGE: _BRIDGE,
    Each.RESERVOIR: _RESERVOIR,
    Each.PROPERTY: _PROPERTY,
}
"""Only ids: a name that people choose may contain characters that a topic cannot."""
PAYLOAD_PLACEHOLDERS: dict[Each, tuple[str, ...]] = {
    Each.BRIDGE: _BRIDGE + _BRIDGE_TEXT,
    Each.RESERVOIR: _RESERVOIR + _RESERVOIR_TEXT,
    Each.PROPERTY: _PROPERTY + _PROPERTY_TEXT,
}


@dataclass(frozen=True, slots=True)
class AnnouncementTemplate:
    """One template from the configuration.

    Args:
        topic: the topic's template.
        payload: the payload's template.
        each: what the template is repeated for.
        retain: whether the broker retains the message.
        escape_json: escape values for a JSON string, so that a quotation mark in a name cannot break the
            document. The payload must then be JSON.
        only: if ``each`` is property: the paths it is used for, such as ``product/ppm``; empty for all.

    Raises:
        InputError: an unknown placeholder, a lone dollar sign, a wildcard in the topic, an unknown path, or
            a payload that is not JSON although it should be.
    """

    topic: str
    payload: str
    each: Each
    retain: bool = True
    escape_json: bool = True
    only: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Check the values."""
        _check("topic", self.topic, TOPIC_PLACEHOLDERS[self.each])
        _check("payload", self.payload, PAYLOAD_PLACEHOLDERS[self.each])
        if not self.topic or set(self.topic) & set("+#\0"):
            raise self._wrong("its topic is empty or has a '+' or '#' in it; a message needs one plain topic")
        paths = {row.path for row in PROPERTIES}
        for path in self.only:
            if self.each is not Each.PROPERTY or path not in paths:
                raise self._wrong(
                    f"'only' names {path!r}; with each = 'property' it may name {sorted(paths)}"
                )
        if self.escape_json:
            sample = dict.fromkeys(PAYLOAD_PLACEHOLDERS[self.each], "0")
            try:
                json.loads(Template(self.payload).substitute(sample))
            except ValueError as error:
                raise self._wrong(
                    f"its payload is not JSON once its placeholders are filled ({error}); correct it, or set "
                    "escape_json = false if it is to be plain text"
                ) from error

    @property
    def has_value(self) -> bool:
        """Whether the payload contains the property's value."""
        return "value" in Template(self.payload).get_identifiers()

    def fill(self, values: Mapping[str, str]) -> Publication:
        """Make the message for one bridge, reservoir or property.

        Args:
            values: the value of each placeholder.
        """
        escaped = (
            {name: json.dumps(text)[1:-1] for name, text in values.items()} if self.escape_json else values
        )
        return Publication(
            Template(self.topic).substitute(values),
            Template(self.payload).substitute(escaped),
            STATE_QOS if self.retain else EVENT_QOS,
            self.retain,
        )

    def _wrong(self, reason: str) -> InputError:
        return InputError(f"hub: the announcement with the topic {self.topic!r} cannot be used: {reason}.")


def _check(part: str, text: str, allowed: tuple[str, ...]) -> None:
    template = Template(text)
    if not template.is_valid():
        raise InputError(
            f"hub: the announcement's {part} {text!r} has a '$' that starts no placeholder; write "
            "'${{name}}' for a placeholder and '$$' for a dollar sign."
        )
    for name in template.get_identifiers():
        if name not in allowed:
            raise InputError(
                f"hub: the announcement's {part} {text!r} has the placeholder '${{{name}}}'; there are only "
                f"{', '.join(allowed)}."
            )


class Announcements:
    """The templates, sorted by when they are published.

    Args:
        templates: the templates from the configuration.
        layout: the names that topics start with.
    """

    def __init__(self, templates: Iterable[AnnouncementTemplate], layout: Layout) -> None:
        self._layout = layout
        self._all = tuple(templates)
        self._with_value = tuple(template for template in self._all if template.has_value)

    def without_value(self, reservoirs: Iterable[StationIdentity]) -> tuple[Publication, ...]:
        """Return the messages for each connection: all whose payload has no value in it."""
        messages = []
        for template in self._all:
            if template in self._with_value:
                continue
            if template.each is Each.BRIDGE:
                messages.append(template.fill(self._bridge()))
                continue
            for identity in reservoirs:
                if template.each is Each.RESERVOIR:
                    messages.append(template.fill(self._reservoir(identity)))
                    continue
                messages += [
                    template.fill(self._property(identity, row))
                    for row in fitted(identity)
                    if not template.only or row.path in template.only
                ]
        return tuple(messages)

    def with_values(
        self, identity: StationIdentity, published: Iterable[Publication]
    ) -> tuple[Publication, ...]:
        """Return the messages that go with values that were just published."""
        if not self._with_value:
            return ()
        base = self._layout.base(self._layout.device(identity.reservoir))
        rows = {f"{base}/{row.path}": row for row in fitted(identity)}
        messages = []
        for publication in published:
            row = rows.get(publication.topic)
            if row is None or not publication.payload:
                continue
            for template in self._with_value:
                if not template.only or row.path in template.only:
                    values = self._property(identity, row) | {"value": publication.payload}
                    messages.append(template.fill(values))
        return tuple(messages)

    def _bridge(self) -> dict[str, str]:
        layout = self._layout
        return {
            "prefix": layout.prefix,
            "bridge": layout.bridge,
            "bridge_name": layout.name,
            "bridge_state_topic": f"{layout.base(layout.bridge)}/$state",
        }

    def _reservoir(self, identity: StationIdentity) -> dict[str, str]:
        device = self._layout.device(identity.reservoir)
        return self._bridge() | {
            "reservoir": identity.reservoir,
            "reservoir_name": identity.name,
            "device": device,
            "device_state_topic": f"{self._layout.base(device)}/$state",
            "capacity_l": f"{identity.capacity_l:g}",
            "limit_ppm": f"{identity.limit_ppm:g}",
            "target_ppm": f"{identity.target_ppm:g}",
            "factor": f"{identity.factor:g}",
        }

    def _property(self, identity: StationIdentity, row: Property) -> dict[str, str]:
        topic = f"{self._layout.base(self._layout.device(identity.reservoir))}/{row.path}"
        return self._reservoir(identity) | {
            "node": row.node,
            "node_name": NODES[row.node],
            "property": row.id,
            "property_name": row.name,
            "value_topic": topic,
            "set_topic": f"{topic}/set",
            "datatype": row.datatype.value,
            "unit": row.unit or "",
            "format": row.format or "",
            "settable": "true" if row.settable else "false",
            "retained": "true" if row.retained else "false",
        }
