"""The description documents, by which a Homie controller discovers devices, nodes and properties."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from bridge.mqtt.properties import NODES, PROPERTIES, Property
from bridge.mqtt.topics import Layout, Publication, retained
from bridge.station.plan import StationIdentity

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
    layout: Layout, identity: StationIdentity, utc_s: float, previous: Description | None = None
) -> Description:
    """Describe a child device: one reservoir with its nodes and properties.

    Args:
        layout: the names that topics start with.
        identity: the reservoir.
        utc_s: seconds since 1970. The convention requires a higher version with each change and suggests a
            timestamp: it also grows over a restart, after which the earlier version is not known.
        previous: the present description, if there is one. The same content keeps its version.

    Raises:
        InputError: the reservoir's id cannot be part of a topic.
    """
    rows = fitted(identity)
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
    if previous is None:
        return Description(device, text, int(utc_s))
    if previous.content == text:
        return previous
    return Description(device, text, max(int(utc_s), previous.version + 1))
