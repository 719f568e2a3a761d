"""Where the broker is and how to be let in."""

from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from bridge.errors import InputError


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
