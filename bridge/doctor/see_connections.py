"""Collects facts about a serial port with its controller, and about the broker. Shell.

It never opens the valve: the first and the last frame is a close, and every frame between them only asks for
the identity. Opening a port resets many boards, which shut their valves when they start.

It connects to the broker as the bridge does, with a client id of its own, and publishes only on trial topics
below the bridge's. These messages are not retained, and their text names their purpose. The daemon's
connection is not disturbed.
"""

import asyncio
import grp
import os
import pwd
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from uuid import uuid4

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from bridge.config.plan import BridgePlan
from bridge.doctor.judge_connections import (
    NODE,
    PROPERTY,
    ControllerFacts,
    DeviceFacts,
    Echo,
    Holder,
    HubFacts,
    PortFacts,
    Publishing,
)
from bridge.errors import HubError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, MqttVersion, explain, tls_context
from bridge.protocol.frame import Damaged, Ignored, IgnoreReason
from bridge.protocol.messages import FromController, Hello, Identify, Reading
from bridge.protocol.session import DownCause, LinkDown, LinkUp
from bridge.station.plan import StationPlan
from bridge.transport.link import link_to

CONTROLLER_ANSWER_S = 8.0
"""Opening a port resets many boards, and their hello may then take three seconds."""
ASK_AGAIN_S = 1.0
_BY_ID = Path("/dev/serial/by-id")
_PSEUDO_TERMINALS = range(136, 144)
"""Major numbers. Source: Linux, Documentation/admin-guide/devices.txt."""


def see_port(path: str) -> PortFacts:
    """Collect the facts about a path, with the processes that have it open, as far as this user may see."""
    me = _user(os.geteuid())
    try:
        found = os.stat(path)
    except (OSError, ValueError):
        others = sorted(str(one) for one in _BY_ID.iterdir()) if _BY_ID.is_dir() else []
        return PortFacts(path, None, me=me, others=tuple(others))
    locked = set(_lockers(found))
    # The program at the other end of a pseudo-terminal often has this end open too, which does no harm.
    opened = set() if os.major(found.st_rdev) in _PSEUDO_TERMINALS else set(openers(path))
    holders = tuple(holder(pid) for pid in sorted((locked | opened) - {os.getpid()}))
    may = os.access(path, os.R_OK | os.W_OK, effective_ids=True)
    return PortFacts(path, found.st_mode, _user(found.st_uid), _group(found.st_gid), me, may, holders)


def _lockers(found: os.stat_result) -> list[int]:
    # proc(5), /proc/locks: "1: FLOCK ADVISORY WRITE <pid> <major>:<minor>:<inode> 0 EOF", the device in hex.
    where = f"{os.major(found.st_dev):02x}:{os.minor(found.st_dev):02x}:{found.st_ino}"
    try:
        lines = Path("/proc/locks").read_text("ascii", "replace").splitlines()
    except OSError:
        return []
    fields = [line.split() for line in lines]
    return [int(one[4]) for one in fields if len(one) > 5 and one[5] == where and one[4].isdigit()]


def openers(path: str) -> Iterator[int]:
    """Yield the processes that have a file open: all of them for root, else those of this user."""
    real = os.path.realpath(path)
    for process in Path("/proc").iterdir():
        if not process.name.isdigit():
            continue
        try:
            descriptors = list((process / "fd").iterdir())
        except OSError:
            continue
        if any(_points_to(one, real) for one in descriptors):
            yield int(process.name)


def _points_to(link: Path, real: str) -> bool:
    try:
        return os.readlink(link) == real
    except OSError:
        return False


def holder(pid: int) -> Holder:
    """Describe a process by its name only, because its arguments may contain a secret."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace").split("\0")
        name = Path(f"/proc/{pid}/comm").read_text("utf-8", "replace").strip()
    except OSError:
        return Holder(pid, "a program that has ended", False)
    programs = [os.path.basename(word) for word in words]
    ours = any(now == "run" and before in ("clearwell", "bridge") for before, now in pairwise(programs))
    return Holder(pid, name, ours)


def _user(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return str(uid)


def _group(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return str(gid)


def ask_controller(plan: StationPlan, timeout_s: float = CONTROLLER_ANSWER_S) -> ControllerFacts:
    """Open the line, wait for an identity and a reading, and close it again.

    Args:
        plan: the reservoir's plan.
        timeout_s: how long to wait.

    Raises:
        InputError: the plan needs Modbus and its library is not installed.
    """
    return asyncio.run(_ask(plan, timeout_s))


async def _ask(plan: StationPlan, timeout_s: float) -> ControllerFacts:
    hello: Hello | None = None
    reading: Reading | None = None
    foreign = damaged = 0
    down: LinkDown | None = None
    done = asyncio.Event()

    def on_message(message: FromController) -> None:
        nonlocal hello, reading
        if isinstance(message, Hello):
            hello = message
        elif isinstance(message, Reading):
            reading = message
        if hello is not None and reading is not None:
            done.set()

    def on_link(news: LinkUp | LinkDown) -> None:
        nonlocal down
        if isinstance(news, LinkDown):
            down = news
            if news.cause is not DownCause.SILENT:
                done.set()

    def on_stray(stray: Damaged | Ignored) -> None:
        nonlocal foreign, damaged
        if isinstance(stray, Damaged):
            damaged += 1
        elif stray.reason is IgnoreReason.VERSION:
            foreign += 1

    link = link_to(
        plan.port,
        plan.baud,
        plan.modbus,
        silence_s=plan.limits.stale_after_s,
        on_message=on_message,
        on_link=on_link,
        on_stray=on_stray,
    )
    running = asyncio.create_task(link.run())
    try:
        async with asyncio.timeout(timeout_s):
            while not done.is_set():
                try:
                    await asyncio.wait_for(done.wait(), ASK_AGAIN_S)
                except TimeoutError:
                    # The board may have been starting when the first request arrived.
                    link.send(Identify(link.next_sequence()))
    except TimeoutError:
        # The facts are what was received until now.
        pass
    link.finish()
    await running
    return ControllerFacts(hello, reading, foreign, damaged, down)


BROKER_ANSWER_S = 5.0
ECHO_S = 2.0
_PAYLOAD = "trial message of clearwell doctor"
_DAY_S = 86_400.0


def see_hub(plan: BridgePlan, *, daemon_runs: bool) -> HubFacts:
    """Collect the facts about the broker, up to the first fault.

    Args:
        plan: a plan with a hub.
        daemon_runs: the daemon is connected, so no trial command may be sent.
    """
    hub = plan.hub
    assert hub is not None
    broker = hub.broker
    try:
        with socket.create_connection((broker.host, broker.port), BROKER_ANSWER_S) as line:
            days = None
            if broker.tls is not None:
                try:
                    days = _certificate_days(line, tls_context(broker.tls), broker.host)
                except (OSError, HubError) as error:
                    return HubFacts(trust_trouble=str(explain(error, broker)))
    except OSError as error:
        return HubFacts(reach_trouble=str(explain(error, broker)))
    try:
        connection = _Connection(broker, broker.version)
    except (OSError, HubError, BrokerTrouble, TimeoutError) as error:
        return HubFacts(certificate_days=days, login_trouble=str(explain(error, broker)))
    connection.end()
    base, layout = hub.layout.base, hub.layout
    bases = [base(layout.bridge), *(base(layout.device(one.identity.reservoir)) for one in plan.stations)]
    try:
        connection = _reporting(broker)
        try:
            found = tuple(
                DeviceFacts(
                    one,
                    connection.publishing(one),
                    None if one == bases[0] else _echo(connection, one, daemon_runs),
                )
                for one in bases
            )
        finally:
            connection.end()
    except (OSError, HubError, BrokerTrouble, TimeoutError) as error:
        return HubFacts(certificate_days=days, rights_trouble=str(explain(error, broker)))
    return HubFacts(certificate_days=days, devices=found)


def _echo(connection: "_Connection", base: str, daemon_runs: bool) -> Echo:
    return Echo.NOT_TRIED if daemon_runs else connection.echo(base)


def _certificate_days(line: socket.socket, context: ssl.SSLContext, host: str) -> float | None:
    with context.wrap_socket(line, server_hostname=host) as safe:
        ends = (safe.getpeercert() or {}).get("notAfter")
    return None if not isinstance(ends, str) else (ssl.cert_time_to_seconds(ends) - time.time()) / _DAY_S


def _reporting(broker: BrokerSettings) -> "_Connection":
    """Connect with MQTT 5, which reports whether a message was accepted, if the broker supports it."""
    try:
        return _Connection(broker, MqttVersion.V5)
    except (OSError, HubError, BrokerTrouble, TimeoutError):
        if broker.version is MqttVersion.V5:
            raise
        return _Connection(broker, broker.version)


class _Connection:
    """One connection.

    Raises:
        BrokerTrouble: the broker refuses.
        HubError: a TLS file cannot be used.
        OSError: the broker cannot be reached.
        TimeoutError: the broker does not answer in time.
    """

    def __init__(self, broker: BrokerSettings, version: MqttVersion) -> None:
        self._v5 = version is MqttVersion.V5
        self._accepted: ReasonCode | None = None
        self._codes: dict[int, ReasonCode] = {}
        self._granted: set[int] = set()
        self._received: set[str] = set()
        self._changed = threading.Condition()
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            # The bridge's own id would disconnect the bridge.
            client_id=f"clearwell-doctor-{uuid4().hex[:8]}",
            protocol=mqtt.MQTTv5 if self._v5 else mqtt.MQTTv311,
            reconnect_on_failure=False,
        )
        self._client = client
        client.connect_timeout = BROKER_ANSWER_S
        if broker.username is not None:
            client.username_pw_set(
                broker.username, None if broker.password is None else broker.password.reveal()
            )
        if broker.tls is not None:
            client.tls_set_context(tls_context(broker.tls))
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.connect(broker.host, broker.port, keepalive=30)
        client.loop_start()
        try:
            self._wait(lambda: self._accepted is not None, BROKER_ANSWER_S)
            if self._accepted is None:
                raise TimeoutError
            if self._accepted.is_failure:
                raise BrokerTrouble(str(self._accepted), self._accepted)
        except BaseException:
            self.end()
            raise

    def end(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()

    def publishing(self, base: str) -> Publishing:
        """Return whether the broker accepts a message on a value's topic."""
        code = self._publish(f"{base}/{NODE}/{PROPERTY}")
        if not self._v5:
            return Publishing.UNKNOWN
        return Publishing.REFUSED if code.is_failure else Publishing.ACCEPTED

    def echo(self, base: str) -> Echo:
        """Return whether a message on a command's topic is received by a subscriber to commands."""
        _, mid = self._client.subscribe(f"{base}/+/+/set", qos=1)
        assert mid is not None
        self._wait(lambda: mid in self._granted, BROKER_ANSWER_S)
        topic = f"{base}/{NODE}/{PROPERTY}/set"
        if self._publish(topic).is_failure:
            return Echo.NOT_SENT
        self._wait(lambda: topic in self._received, ECHO_S)
        if topic in self._received:
            return Echo.RECEIVED
        # MQTT 3.1.1 does not report whether publishing or subscribing was refused.
        return Echo.LOST if self._v5 else Echo.NOT_SENT

    def _publish(self, topic: str) -> ReasonCode:
        sent = self._client.publish(topic, _PAYLOAD, qos=1, retain=False)
        if sent.rc is not MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise HubError("the connection broke during the trial of the rights")
        self._wait(lambda: sent.mid in self._codes, BROKER_ANSWER_S)
        if sent.mid not in self._codes:
            raise HubError(f"it did not acknowledge a message on {topic}")
        return self._codes[sent.mid]

    def _wait(self, condition: Callable[[], bool], timeout_s: float) -> None:
        with self._changed:
            self._changed.wait_for(condition, timeout_s)

    def _on_connect(
        self, client: mqtt.Client, data: object, flags: object, code: ReasonCode, more: Properties | None
    ) -> None:
        with self._changed:
            self._accepted = code
            self._changed.notify_all()

    def _on_publish(
        self, client: mqtt.Client, data: object, mid: int, code: ReasonCode, more: Properties | None
    ) -> None:
        with self._changed:
            self._codes[mid] = code
            self._changed.notify_all()

    def _on_subscribe(
        self, client: mqtt.Client, data: object, mid: int, codes: list[ReasonCode], more: Properties | None
    ) -> None:
        with self._changed:
            self._granted.add(mid)
            self._changed.notify_all()

    def _on_message(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        with self._changed:
            self._received.add(message.topic)
            self._changed.notify_all()
