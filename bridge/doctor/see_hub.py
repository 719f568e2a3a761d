"""Goes to the broker as the bridge would, under a client id of its own. Shell.

What is published goes to topics of the doctor's own below the bridge's, is not kept by the broker, and says
what it is. The daemon's connection is left alone.
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
from bridge.doctor.judge_hub import NODE, PROPERTY, Answer, DeviceFacts, Echo, HubFacts
from bridge.errors import HubError
from bridge.mqtt.broker import BrokerSettings, BrokerTrouble, MqttVersion, explain
from bridge.mqtt.session import tls_context

PATIENCE_S = 5.0
ECHO_S = 2.0
_PAYLOAD = "clearwell doctor asks whether this arrives"
_DAY_S = 86_400.0


def see_hub(plan: BridgePlan, *, daemon_runs: bool) -> HubFacts:
    """Everything on the way to the broker, up to the first trouble. The plan has a hub."""
    hub = plan.hub
    assert hub is not None
    broker = hub.broker
    try:
        with socket.create_connection((broker.host, broker.port), PATIENCE_S) as line:
            days = None
            if broker.tls is not None:
                try:
                    days = _certificate_days(line, tls_context(broker.tls), broker.host)
                except (OSError, HubError) as error:
                    return HubFacts(trust_trouble=str(explain(error, broker)))
    except OSError as error:
        return HubFacts(reach_trouble=str(explain(error, broker)))
    try:
        visit = _Visit(broker, broker.version)
    except (OSError, HubError, BrokerTrouble, TimeoutError) as error:
        return HubFacts(certificate_days=days, login_trouble=str(explain(error, broker)))
    visit.end()
    base, layout = hub.layout.base, hub.layout
    bases = [base(layout.bridge), *(base(layout.device(one.identity.reservoir)) for one in plan.stations)]
    try:
        visit = _telling(broker)
    except (OSError, HubError, BrokerTrouble, TimeoutError) as error:
        return HubFacts(certificate_days=days, rights_trouble=str(explain(error, broker)))
    try:
        found = [
            DeviceFacts(one, visit.speaks(one), None if one == bases[0] else _hears(visit, one, daemon_runs))
            for one in bases
        ]
    except (OSError, HubError, TimeoutError) as error:
        return HubFacts(certificate_days=days, rights_trouble=str(explain(error, broker)))
    finally:
        visit.end()
    return HubFacts(certificate_days=days, devices=tuple(found))


def _hears(visit: "_Visit", base: str, daemon_runs: bool) -> Echo:
    return Echo.NOT_TRIED if daemon_runs else visit.hears(base)


def _certificate_days(line: socket.socket, context: ssl.SSLContext, host: str) -> float | None:
    with context.wrap_socket(line, server_hostname=host) as safe:
        ends = (safe.getpeercert() or {}).get("notAfter")
    return None if not isinstance(ends, str) else (ssl.cert_time_to_seconds(ends) - time.time()) / _DAY_S


def _telling(broker: BrokerSettings) -> "_Visit":
    """A connection on which the broker says what became of a message, if it speaks MQTT 5 at all."""
    try:
        return _Visit(broker, MqttVersion.V5)
    except (OSError, HubError, BrokerTrouble, TimeoutError):
        if broker.version is MqttVersion.V5:
            raise
        return _Visit(broker, broker.version)


class _Visit:
    """One connection. Raises ``OSError``, ``HubError``, ``MqttCodeError`` or ``TimeoutError`` when none comes
    about."""

    def __init__(self, broker: BrokerSettings, version: MqttVersion) -> None:
        self._newest = version is MqttVersion.V5
        self._answer: ReasonCode | None = None
        self._codes: dict[int, ReasonCode] = {}
        self._granted: set[int] = set()
        self._heard: set[str] = set()
        self._changed = threading.Condition()
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            # Not the bridge's own id, which would throw the bridge out.
            client_id=f"clearwell-doctor-{uuid4().hex[:8]}",
            protocol=mqtt.MQTTv5 if self._newest else mqtt.MQTTv311,
            reconnect_on_failure=False,
        )
        self._client = client
        client.connect_timeout = PATIENCE_S
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
            self._wait(lambda: self._answer is not None, PATIENCE_S)
            if self._answer is None:
                raise TimeoutError
            if self._answer.is_failure:
                raise BrokerTrouble(str(self._answer), self._answer)
        except BaseException:
            self.end()
            raise

    def end(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def speaks(self, base: str) -> Answer:
        """Whether a message on a value's topic is taken."""
        code = self._publish(f"{base}/{NODE}/{PROPERTY}")
        if not self._newest:
            return Answer.UNSAID
        return Answer.REFUSED if code.is_failure else Answer.TAKEN

    def hears(self, base: str) -> Echo:
        """Whether a message on a command's topic comes to who listens to commands."""
        _, mid = self._client.subscribe(f"{base}/+/+/set", qos=1)
        assert mid is not None
        self._wait(lambda: mid in self._granted, PATIENCE_S)
        topic = f"{base}/{NODE}/{PROPERTY}/set"
        if self._publish(topic).is_failure:
            return Echo.NOT_SENT
        self._wait(lambda: topic in self._heard, ECHO_S)
        if topic in self._heard:
            return Echo.HEARD
        # Without a word from the broker nobody knows on which of the two ways it was lost.
        return Echo.LOST if self._newest else Echo.NOT_SENT

    def _publish(self, topic: str) -> ReasonCode:
        sent = self._client.publish(topic, _PAYLOAD, qos=1, retain=False)
        if sent.rc is not MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise HubError("the connection broke while the rights were tried")
        self._wait(lambda: sent.mid in self._codes, PATIENCE_S)
        if sent.mid not in self._codes:
            raise HubError(f"it did not answer to a message on {topic}")
        return self._codes[sent.mid]

    def _wait(self, for_what: Callable[[], bool], patience_s: float) -> None:
        with self._changed:
            self._changed.wait_for(for_what, patience_s)

    def _on_connect(
        self, client: mqtt.Client, data: object, flags: object, code: ReasonCode, more: Properties | None
    ) -> None:
        with self._changed:
            self._answer = code
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
            self._heard.add(message.topic)
            self._changed.notify_all()
