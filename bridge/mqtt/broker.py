"""Where the broker is and how to be let in.

What went wrong with the broker, as one sentence: what happened, where, and what would be right.
"""

import socket
import ssl
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from paho.mqtt.reasoncodes import ReasonCode

from bridge.errors import HubError, InputError


class Secret:
    """A text that shows itself only when asked by name: not in a repr, a log line or a traceback."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """The text itself. Hand it on, do not keep it."""
        return self._text

    def __repr__(self) -> str:
        return "Secret(...)"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Secret) and self._text == other._text

    def __hash__(self) -> int:
        return hash(self._text)


class MqttVersion(Enum):
    """The version of the protocol; 5 tells more, 3.1.1 is understood by every broker."""

    V5 = "5"
    V311 = "3.1.1"


@dataclass(frozen=True, slots=True)
class TlsSettings:
    """Encryption: whom to trust, and how to identify oneself.

    :param ca_file: the certificate authority's certificate (PEM); None trusts those of the operating system.
    :param cert_file: a client certificate (PEM), for a broker that asks for one...
    :param key_file: ...and its key (PEM, without a passphrase, as nobody is there to type one).
    :raises InputError: only one of certificate and key is given.
    """

    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    def __post_init__(self) -> None:
        if (self.cert_file is None) != (self.key_file is None):
            raise InputError(
                "hub: a client certificate needs its key, and a key its certificate; give both or none."
            )


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """The broker.

    :param client_id: the bridge's alone on this broker: a second client with it throws the first one out.
    :param keepalive_s: the broker publishes the last will after one and a half times this without a word.
    :raises InputError: a value out of range.
    """

    host: str
    client_id: str
    port: int = 1883
    username: str | None = None
    password: Secret | None = None
    version: MqttVersion = MqttVersion.V5
    tls: TlsSettings | None = None
    keepalive_s: int = 30

    def __post_init__(self) -> None:
        if not self.host or not self.client_id:
            raise InputError("hub: the broker's host and the client id may not be empty.")
        if not 1 <= self.port <= 65535:
            raise InputError(
                f"hub: port {self.port} does not exist; a port is 1 to 65535, for MQTT usually 1883."
            )
        if not 5 <= self.keepalive_s <= 3600:
            raise InputError(f"hub: a keepalive of {self.keepalive_s} s is out of range; use 5 to 3600 s.")
        if self.password is not None and self.username is None:
            raise InputError("hub: a password is given without a user name; give both or none.")

    @property
    def address(self) -> str:
        """Host and port, for a sentence."""
        return f"{self.host}:{self.port}"


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
