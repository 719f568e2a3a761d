"""The daemon and an encrypted broker: trusted authorities, client certificates, and error messages."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.brokers import Mosquitto
from tests.security.conftest import Start, sentence


@pytest.fixture
async def encrypted(mosquitto: Mosquitto, certificates: Path) -> Mosquitto:
    """A mosquitto that accepts TLS connections only and has no accounts."""
    await mosquitto.stop()
    mosquitto.settings = (
        "allow_anonymous true",
        f"cafile {certificates}/ca.pem",
        f"certfile {certificates}/broker.pem",
        f"keyfile {certificates}/broker.key",
    )
    await mosquitto.start()
    return mosquitto


def tls(authority: Path, **files: Path) -> str:
    lines = [f'ca_file = "{authority}"', *(f'{key}_file = "{file}"' for key, file in files.items())]
    return "\n".join(["[hub.tls]", *lines])


async def test_a_broker_of_our_own_authority_is_trusted(
    encrypted: Mosquitto, certificates: Path, configured: Callable[..., Path], start: Start
) -> None:
    config = configured(encrypted.port, hub=tls(certificates / "ca.pem"))
    start("run", "--config", config).has_printed('"event": "hub-connected"')


@pytest.mark.parametrize(
    ("host", "authority"),
    [("localhost", "other.pem"), ("127.0.0.1", "ca.pem")],
    ids=["authority", "host-name"],
)
async def test_a_broker_of_another_authority_or_name_is_reported_and_gets_nothing(
    encrypted: Mosquitto, certificates: Path, configured: Callable[..., Path], start: Start, host: str,
    authority: str,
) -> None:  # fmt: skip
    config = configured(encrypted.port, host=host, hub=tls(certificates / authority))
    daemon = start("run", "--config", config)
    assert "its certificate is not trusted" in sentence(daemon, "hub-away")
    daemon.stop()
    assert "hub-connected" not in daemon.printed


async def test_without_an_authority_named_a_broker_of_our_own_is_not_trusted(
    encrypted: Mosquitto, configured: Callable[..., Path], start: Start
) -> None:
    """An empty table means the system's authorities, and never every authority."""
    daemon = start("run", "--config", configured(encrypted.port, hub="[hub.tls]"))
    assert "its certificate is not trusted" in sentence(daemon, "hub-away")


async def test_a_client_certificate_is_demanded_and_given(
    encrypted: Mosquitto, certificates: Path, configured: Callable[..., Path], start: Start
) -> None:
    await encrypted.stop()
    encrypted.settings = (*encrypted.settings, "require_certificate true")
    await encrypted.start()
    without = start("run", "--config", configured(encrypted.port, hub=tls(certificates / "ca.pem")))
    assert "cannot be used" in sentence(without, "hub-away")
    without.stop()
    assert "hub-connected" not in without.printed
    mine = tls(certificates / "ca.pem", cert=certificates / "client.pem", key=certificates / "client.key")
    start("run", "--config", configured(encrypted.port, hub=mine)).has_printed('"event": "hub-connected"')
