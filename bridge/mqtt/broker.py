"""Address and login of the broker, and its errors as sentences."""

import socket
import ssl
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from paho.mqtt.reasoncodes import ReasonCode

from bridge.errors import HubError, InputError


class Secret:
    """A text that never appears in a repr, a log line or a traceback.

    Args:
        text: the secret.
    """

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """Return the text itself. Pass it on; do not store it."""
        return self._text

    def __repr__(self) -> str:
        """Hide the text."""
        return "Secret(...)"

    def __eq__(self, other: object) -> bool:
        """Compare two secrets."""
        return isinstance(other, Secret) and self._text == other._text

    def __hash__(self) -> int:
        """Hash the text."""
        return hash(self._text)


class MqttVersion(Enum):
    """The version of the protocol. 5 reports more errors; every broker supports 3.1.1."""

    V5 = "5"
    V311 = "3.1.1"


@dataclass(frozen=True, slots=True)
class TlsSettings:
    """Files for an encrypted connection.

    Args:
        ca_file: the certificate authority's certificate (PEM); None trusts those of the operating system.
        cert_file: a client certificate (PEM), for a broker that asks for one.
        key_file: its key (PEM), without a passphrase, because nobody is there to type it.

    Raises:
        InputError: only one of certificate and key is given.
    """

    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    def __post_init__(self) -> None:
        """Check the values."""
        if (self.cert_file is None) != (self.key_file is None):
            raise InputError(
                "hub: a client certificate needs its key, and a key its certificate; give both or none."
            )


def tls_context(tls: TlsSettings) -> ssl.SSLContext:
    """Read the files of an encrypted connection. Blocks on the disk.

    Args:
        tls: the files; without an authority's certificate those of the operating system are trusted.

    Raises:
        HubError: a file is missing, is not a certificate or key, or certificate and key do not match.
    """
    try:
        context = ssl.create_default_context(cafile=None if tls.ca_file is None else str(tls.ca_file))
        if tls.cert_file is not None and tls.key_file is not None:
            # Without this, OpenSSL would ask on the terminal for the passphrase of a locked key, and wait.
            context.load_cert_chain(tls.cert_file, tls.key_file, password=lambda: "")
    except (OSError, ValueError) as error:
        files = ", ".join(
            str(file) for file in (tls.ca_file, tls.cert_file, tls.key_file) if file is not None
        )
        raise HubError(f"the TLS files ({files}) cannot be used: {error}") from error
    return context


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """The broker.

    Args:
        host: name or address.
        client_id: must be unique on the broker: a second client with the same id disconnects the first.
        port: TCP port.
        username: None if the broker wants no login.
        password: None if the account has none.
        version: the version of MQTT.
        tls: None for an unencrypted connection.
        keepalive_s: the broker publishes the last will after 1.5 times this without a packet.

    Raises:
        InputError: a value is out of range.
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
        """Check the values."""
        if not self.host or not self.client_id:
            raise InputError("hub: the broker's host and the client id may not be empty.")
        if not 1 <= self.port <= 65535:
            raise InputError(
                f"hub: port {self.port} does not exist; a port is 1 to 65535, normally 1883 for MQTT."
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
    0x8E: "another client with the same client id has connected, perhaps a daemon on another machine; give "
    "each its own bridge.id or hub.client_id",
}
"""Reason codes of CONNACK and, for the last one, of DISCONNECT. Source: MQTT Version 5.0 (OASIS Standard),
sections 3.2.2.2 and 3.14.2.1. The client library converts the codes of 3.1.1 into these."""


class BrokerTrouble(Exception):
    """The broker refused, or the connection to it has ended.

    Args:
        what: what happened.
        code: the broker's reason, if it gave one.
        was_up: whether the broker had accepted the connection, so that the settings are right.
    """

    def __init__(self, what: str, code: ReasonCode | None = None, *, was_up: bool = False) -> None:
        super().__init__(what)
        self.code = code
        self.was_up = was_up


def explain(error: BaseException, settings: BrokerSettings) -> HubError:
    """Turn any error of a connection into a sentence, which contains neither user name nor password."""
    return HubError(f"The broker at {settings.address} cannot be used: {_reason(error, settings)}.")


def _reason(error: BaseException, settings: BrokerSettings) -> str:
    if isinstance(error, HubError):
        return str(error)
    if isinstance(error, BrokerTrouble) and error.code is not None and error.code.value in _REFUSALS:
        return _REFUSALS[error.code.value]
    if isinstance(error, BrokerTrouble) and error.was_up:
        return (
            f"the connection broke ({error}); the broker may have ended, or another client with the same "
            f"client id ({settings.client_id}) has connected. If that repeats, look for a second daemon"
        )
    for cause in _causes(error):
        match cause:
            case ssl.SSLCertVerificationError():
                return (
                    f"its certificate is not trusted ({cause.verify_message}); check the host name and the "
                    "file of the certificate authority"
                )
            case ssl.SSLError():
                return (
                    f"the encrypted connection failed ({cause.reason or 'TLS error'}); check that "
                    "this port speaks TLS, the file of the certificate authority, and the client certificate"
                )
            case ConnectionRefusedError():
                return "nothing listens there; check that the broker runs, and its host and port"
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
    """Return a hint for brokers that do not refuse an unknown version, but stay silent or disconnect."""
    return (
        ", and set version 3.1.1 if the broker speaks no other" if settings.version is MqttVersion.V5 else ""
    )


def _causes(error: BaseException) -> list[BaseException]:
    """Return the error and its causes, the first cause first."""
    chain: list[BaseException] = []
    at: BaseException | None = error
    while at is not None and at not in chain:
        chain.append(at)
        at = at.__cause__ or at.__context__
    return chain[::-1]
