"""A checker at the hub: watches a whole broker and reports each deviation from the Homie convention 5.

    python -m tests.strangers.checker PORT

Written from the convention alone, see ``convention.py``. It subscribes with MQTT 5 and *retain as published*,
so that it sees the retain flag of each message as its sender set it. Standard input takes ``report`` lines.
Each is answered on standard output by one JSON line, after all earlier messages have been checked:

    {"deviations": [...], "devices": {...}, "messages": 123}

A *deviation* breaks the convention. One is a described property without a value while its device is ready,
because "ready" is the state after all values were sent (section Device Lifecycle).
"""

import json
import sys
import threading
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from tests.strangers import convention

MARK = "checker/mark"


@dataclass
class Device:
    """One device, as its messages show it."""

    state: str | None = None
    states: list[str] = field(default_factory=list)
    raw_description: str | None = None
    description: dict[str, Any] = field(default_factory=dict)
    highest_version: int | None = None
    values: dict[str, str] = field(default_factory=dict)
    targets: dict[str, str] = field(default_factory=dict)
    ever_valued: set[str] = field(default_factory=set)
    alerts: dict[str, str] = field(default_factory=dict)

    def declared(self, path: str) -> dict[str, Any] | None:
        """Returns the declaration of a property ``node/property``."""
        node, _, name = path.partition("/")
        found = self.description.get("nodes", {}).get(node, {}).get("properties", {}).get(name)
        return found if isinstance(found, dict) else None

    def unvalued(self) -> list[str]:
        """Returns every declared retained property that has no value."""
        return [
            f"{node}/{name}"
            for node, one in self.description.get("nodes", {}).items()
            for name, declared in one.get("properties", {}).items()
            if declared.get("retained", True) and f"{node}/{name}" not in self.values
        ]


class Checker:
    """Checks one message after the other."""

    def __init__(self) -> None:
        self.devices: dict[str, Device] = {}
        self.deviations: list[dict[str, str]] = []
        self.messages = 0

    def see(self, topic: str, payload: bytes, *, retained: bool, qos: int) -> None:
        """Checks a message."""
        parts = topic.split("/")
        if len(parts) < 4 or parts[1] != "5" or parts[2] == "$broadcast":
            return
        self.messages += 1
        device_id, rest = parts[2], parts[3:]
        if rest[-1] == "set":
            return  # A controller's message, whatever it holds.
        faults = [f"{part!r} is no ID" for part in (parts[0], device_id) if not convention.ID.match(part)]
        text, faulty = convention.text_of(payload)
        device = self.devices.setdefault(device_id, Device())
        check = {
            "$state": self._state, "$description": self._description, "$log": self._log,
            "$alert": self._alert,
        }  # fmt: skip
        faults += faulty + check.get(rest[0], self._property)(device_id, device, rest, text, retained, qos)
        self.deviations += [{"topic": topic, "fault": fault, "payload": text[:200]} for fault in faults]

    def report(self) -> dict[str, Any]:
        """Returns all deviations so far, with those of the present state."""
        now = [*self.deviations]
        for device_id, device in self.devices.items():
            if device.state is None:
                now.append({"topic": device_id, "fault": "a device without $state"})
            elif not device.description:
                now.append({"topic": device_id, "fault": "a device without $description"})
            if device.state == "ready":
                now += [
                    {"topic": f"{device_id}/{one}", "fault": "no value while ready"}
                    for one in device.unvalued()
                ]
            root = device.description.get("root")
            if root is not None and device_id not in self._family(root):
                now.append({"topic": device_id, "fault": f"its root {root!r} does not have it as a child"})
            now += [
                {"topic": device_id, "fault": f"its child {child!r} does not exist, or has another root"}
                for child in device.description.get("children", [])
                if self.devices.get(child, Device()).description.get("root") != (root or device_id)
            ]
        devices = {
            name: {
                "states": one.states, "alerts": one.alerts, "values": one.values,
                "root": one.description.get("root"), "state": self._effective(one),
            }
            for name, one in self.devices.items()
        }  # fmt: skip
        return {"deviations": now, "devices": devices, "messages": self.messages}

    def _effective(self, device: Device) -> str | None:
        root = self.devices.get(str(device.description.get("root")))
        return "lost" if root is not None and root.state == "lost" else device.state

    def _family(self, root: str) -> set[str]:
        found, open_ones = set(), [root]
        while open_ones:
            for child in self.devices.get(open_ones.pop(), Device()).description.get("children", []):
                if child not in found:
                    found.add(child)
                    open_ones.append(child)
        return found

    def _state(
        self, name: str, device: Device, rest: list[str], text: str, retained: bool, qos: int
    ) -> list[str]:
        if not text:
            device.state = None
            return []
        faults = [] if retained else ["$state is not retained"]
        if len(rest) > 1 or text not in convention.STATES:
            faults.append(f"{'/'.join(rest)} {text!r} is no state")
        if text == "ready" and not device.description:
            faults.append("ready comes before the description")
        if text == "lost" and device.state in ("disconnected", None):
            faults.append(f"lost comes after {device.state}")
        if text == "ready":
            faults += [f"ready comes before a value of {one}" for one in device.unvalued()]
        if text != device.state:
            device.states.append(text)
        device.state = text
        return faults

    def _description(
        self, name: str, device: Device, rest: list[str], text: str, retained: bool, qos: int
    ) -> list[str]:
        faults = [] if retained else ["$description is not retained"]
        if not text or text == device.raw_description:
            return faults
        if device.raw_description is not None and device.state not in convention.DESCRIPTION_FREE:
            faults.append(f"the description changes while the state is {device.state}")
        device.raw_description = text
        try:
            document = json.loads(text)
        except ValueError:
            return [*faults, "the description is no JSON"]
        wrong = convention.description_faults(name, document)
        faults += wrong
        if not wrong:
            device.description = document
            version = document.get("version")
            if isinstance(version, int):
                if device.highest_version is not None and version <= device.highest_version:
                    faults.append(f"a changed description has the version {version}, not a higher one")
                device.highest_version = version
        return faults

    def _log(
        self, name: str, device: Device, rest: list[str], text: str, retained: bool, qos: int
    ) -> list[str]:
        faults = ["a message of the log is retained"] if retained else []
        if len(rest) != 2 or rest[1] not in convention.LEVELS:
            faults.append("no level of the log")
        return faults

    def _alert(
        self, name: str, device: Device, rest: list[str], text: str, retained: bool, qos: int
    ) -> list[str]:
        faults = [] if retained else ["an alert is not retained"]
        if len(rest) != 2 or not convention.ID.match(rest[1]):
            return [*faults, "no ID of an alert"]
        if text:
            device.alerts[rest[1]] = text
        else:
            device.alerts.pop(rest[1], None)
        return faults

    def _property(
        self, name: str, device: Device, rest: list[str], text: str, retained: bool, qos: int
    ) -> list[str]:
        path, what = "/".join(rest[:2]), rest[2:]
        if len(rest) < 2 or what not in ([], ["$target"]):
            return ["the convention has no such topic"]
        declared = device.declared(path)
        kept = device.targets if what else device.values
        if declared is None:
            kept.pop(path, None)
            return [] if not text else ["the description has no such property"]
        lasting = declared.get("retained", True)
        faults = [] if retained == lasting else [f"the flag retained is {retained}, declared {lasting}"]
        if not lasting and qos:
            faults.append(f"QoS {qos} for a property that is not retained")
        if not text:
            if lasting and kept.pop(path, None) is not None and device.state == "ready":
                faults.append("a described value is deleted while ready")
            return faults
        if what and path in device.ever_valued and path not in device.targets:
            faults.append("$target is not used for every update")
        if not what:
            device.ever_valued.add(path)
        if lasting:
            kept[path] = text
        return [*faults, *convention.value_faults(declared, text)]


def main() -> None:
    """Runs until standard input ends."""
    checker, marked, subscribed = Checker(), threading.Event(), threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "checker", protocol=mqtt.MQTTv5)

    def connected(*_: object) -> None:
        client.subscribe("#", options=SubscribeOptions(qos=2, retainAsPublished=True))

    def came(_client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        if message.topic == MARK:
            marked.set()
            return
        checker.see(message.topic, bytes(message.payload), retained=message.retain, qos=message.qos)

    client.on_connect, client.on_message = connected, came
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", int(sys.argv[1]), clean_start=True)
    client.loop_start()
    if not subscribed.wait(30):
        sys.exit("the broker accepts no subscription")
    print(json.dumps({"subscribed": True}), flush=True)
    for _ in sys.stdin:
        marked.clear()
        client.publish(MARK, "", qos=2)
        if not marked.wait(30):
            sys.exit("the broker does not return the mark")
        print(json.dumps(checker.report()), flush=True)


if __name__ == "__main__":
    main()
