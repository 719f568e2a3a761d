"""Looks for serial ports and for a broker on this machine. Shell.

A port is only listed, never opened: opening one resets many boards. A broker receives one CONNECT and one
DISCONNECT, and nothing is published.
"""

import socket
import ssl
from dataclasses import dataclass
from pathlib import Path

BY_ID = Path("/dev/serial/by-id")
HOST = "localhost"
PORTS = ((1883, False), (8883, True))
"""MQTT without and with TLS. Source: IANA, Service Name and Transport Protocol Port Number Registry."""
_TIMEOUT_S = 1.0
# OASIS MQTT 3.1.1, 3.1: protocol name and level, a clean session, keep alive 30 s, an empty client id.
_CONNECT = b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x1e\x00\x00"
_DISCONNECT = b"\xe0\x00"
_CONNACK = b"\x20\x02"
_ACCEPTED = 0
_REFUSED_LOGINS = (4, 5)
"""The return codes for a bad user name or password and for a client that is not authorized (3.2.2.3)."""


@dataclass(frozen=True, slots=True)
class FoundBroker:
    """A broker that answered."""

    host: str
    port: int
    encrypted: bool
    needs_login: bool


def serial_ports() -> list[str]:
    """List the serial ports of this machine by the names that stay the same."""
    try:
        return sorted(str(one) for one in BY_ID.iterdir())
    except OSError:
        return []


def find_brokers() -> list[FoundBroker]:
    """List the brokers that answer at the usual ports of this machine."""
    found = (_broker(HOST, port, encrypted) for port, encrypted in PORTS)
    return [one for one in found if one is not None]


def _broker(host: str, port: int, encrypted: bool) -> FoundBroker | None:
    try:
        with socket.create_connection((host, port), _TIMEOUT_S) as line:
            if not encrypted:
                return _ask(line, host, port, encrypted)
            trusting = ssl.create_default_context()
            # Nothing secret is sent here; the daemon is the one that checks the certificate.
            trusting.check_hostname = False
            trusting.verify_mode = ssl.CERT_NONE
            with trusting.wrap_socket(line, server_hostname=host) as secured:
                return _ask(secured, host, port, encrypted)
    except OSError:
        return None


def _ask(line: socket.socket, host: str, port: int, encrypted: bool) -> FoundBroker | None:
    line.settimeout(_TIMEOUT_S)
    line.sendall(_CONNECT)
    answer = b""
    while len(answer) < 4:
        piece = line.recv(4 - len(answer))
        if not piece:
            break
        answer += piece
    if answer[:2] != _CONNACK or len(answer) < 4:
        return None
    code = answer[3]
    if code == _ACCEPTED:
        line.sendall(_DISCONNECT)
    elif code not in _REFUSED_LOGINS:
        return None
    return FoundBroker(host, port, encrypted, needs_login=code != _ACCEPTED)
