"""Connects to the broker as the bridge does, with a client id of its own. Shell.

It publishes only on trial topics below the bridge's. These messages are not retained, and their text names
their purpose. The daemon's connection is not disturbed.
"""

import socket
import ssl
import threading
import time
from collections.abc import Callable
from uuid import uuid4

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from bridge.config.plan import BridgePlan
from bridge.doctor.judge_hub import NODE, PROPERTY, DeviceFacts, Echo, HubFacts, Publishing
from bridge.errors import HubError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, MqttVersion, explain
from bridge.mqtt.session import tls_context

ANSWER_S = 5.0
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
        with socket.create_connection((broker.host, broker.port), ANSWER_S) as line:
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
    except (OSError, HubError, BrokerTrouble, TimeoutError) as error:
        return HubFacts(certificate_days=days, rights_trouble=str(explain(error, broker)))
    try:
        found = [
            DeviceFacts(
                one,
                connection.publishing(one),
                None if one == bases[0] else _echo(connection, one, daemon_runs),
            )
            for one in bases
        ]
    except (OSError, HubError, TimeoutError) as error:
        return HubFacts(certificate_days=days, rights_trouble=str(explain(error, broker)))
    finally:
        connection.end()
    return HubFacts(certificate_days=days, devices=tuple(found))


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
        client.connect_timeout = ANSWER_S
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
            self._wait(lambda: self._accepted is not None, ANSWER_S)
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
        self._wait(lambda: mid in self._granted, ANSWER_S)
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
        self._wait(lambda: sent.mid in self._codes, ANSWER_S)
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
