"""What went wrong with the broker, as one sentence: what happened, where, and what would be right."""

import socket
import ssl

from paho.mqtt.reasoncodes import ReasonCode

from bridge.errors import HubError
from bridge.hub.broker import BrokerSettings, MqttVersion

_REFUSALS = {
    0x84: "it does not speak this version of MQTT; set the other one (5 or 3.1.1)",
    0x85: "it does not accept the client id; set another one",
    0x86: "it does not know this user name and password; check both",
    0x87: "this user may not connect; check the user name and password, and the broker's access rules",
    0x88: "it is not available just now",
    0x89: "it is busy",
    0x8A: "it has banned this client; check the broker's access rules",
}
"""Reason codes of CONNACK. Source: MQTT Version 5.0 (OASIS Standard), section 3.2.2.2. The client library
turns those of 3.1.1 into these."""


class BrokerTrouble(Exception):
    """The broker refused, or the connection to it is over.

    :param code: the broker's own reason, where it gave one.
    """

    def __init__(self, what: str, code: ReasonCode | None = None) -> None:
        super().__init__(what)
        self.code = code


def explain(error: BaseException, settings: BrokerSettings) -> HubError:
    """Any error of a connection as a sentence. It holds neither the user name nor the password."""
    return HubError(f"The broker at {settings.address} cannot be used: {_reason(error, settings)}.")


def _reason(error: BaseException, settings: BrokerSettings) -> str:
    if isinstance(error, HubError):
        return str(error)
    if isinstance(error, BrokerTrouble) and error.code is not None and error.code.value in _REFUSALS:
        return _REFUSALS[error.code.value]
    for cause in _causes(error):
        match cause:
            case ssl.SSLCertVerificationError():
                return (
                    f"its certificate is not trusted ({cause.verify_message}); check the host name and the "
                    "file of the certificate authority"
                )
            case ssl.SSLError():
                return (
                    f"no encrypted connection came about ({cause.reason or 'TLS error'}); check that "
                    "this port speaks TLS, the file of the certificate authority, and the client certificate"
                )
            case ConnectionRefusedError():
                return "nothing listens there; check that the broker runs, its host and its port"
            case socket.gaierror():
                return "the host name is not known; check its spelling and the name server"
            case TimeoutError():
                return (
                    f"it does not answer in time; check the host, the port and the network{_hint(settings)}"
                )
    port = "this port speaks TLS" if settings.tls else "this port speaks plain MQTT, without TLS"
    what = str(error).rstrip(".") or type(error).__name__
    return f"the connection broke ({what}); check that {port}{_hint(settings)}"


def _hint(settings: BrokerSettings) -> str:
    """Some brokers of the older version do not refuse the newer one, but fall silent or hang up."""
    return (
        ", and set version 3.1.1 if the broker speaks no other" if settings.version is MqttVersion.V5 else ""
    )


def _causes(error: BaseException) -> list[BaseException]:
    """The error and what led to it, the first cause first."""
    chain: list[BaseException] = []
    at: BaseException | None = error
    while at is not None and at not in chain:
        chain.append(at)
        at = at.__cause__ or at.__context__
    return chain[::-1]
