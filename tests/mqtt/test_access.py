"""Access to the broker: secret passwords, checked certificates, and error messages that help."""

import asyncio
import logging
import subprocess
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import HubError, InputError
from bridge.mqtt.broker import BrokerSettings, MqttVersion, Secret, TlsSettings
from bridge.mqtt.client import HubClient, Timeouts
from bridge.mqtt.topics import Layout
from tests.brokers import AnyBroker, Mosquitto
from tests.waiting import DEADLINE_S, within

PASSWORD = "correct-horse-99"
SECURE = (
    "allow_anonymous true",
    "cafile {0}/ca.pem",
    "certfile {0}/broker.pem",
    "keyfile {0}/broker.key",
)


async def first_report(settings: BrokerSettings, answer_s: float = DEADLINE_S) -> HubError | None:
    """Returns the client's report of its first attempt, or None if it is connected."""
    heard: asyncio.Future[HubError | None] = asyncio.get_running_loop().create_future()

    def report(trouble: HubError | None) -> None:
        if not heard.done():
            heard.set_result(trouble)

    layout = Layout("garden", "Garden bridge")
    client = HubClient(
        settings,
        layout,
        [],
        on_command=lambda *_: None,
        report=report,
        timeouts=Timeouts(answer_s, 0.05, 0.1),
    )
    run = asyncio.create_task(client.run())
    try:
        return await within(asyncio.shield(heard), "the client reported nothing")
    finally:
        await client.stop()
        await run


def openssl(*arguments: str) -> None:
    subprocess.run(("openssl", *arguments), check=True, capture_output=True)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Our authority ``ca`` with certificates for broker and client, and an ``other`` authority."""
    where = tmp_path_factory.mktemp("certificates")
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    for name in ("ca", "other"):
        files = ("-keyout", f"{where}/{name}.key", "-out", f"{where}/{name}.pem")
        usage = ("-addext", "keyUsage=critical,keyCertSign,cRLSign")
        openssl("req", "-x509", *curve, *files, *usage, "-subj", f"/CN={name}", "-days", "2")
    for name, extension in (
        ("broker", "subjectAltName=DNS:localhost"),
        ("client", "extendedKeyUsage=clientAuth"),
    ):
        (where / f"{name}.ext").write_text(f"{extension}\n")
        files = ("-keyout", f"{where}/{name}.key", "-out", f"{where}/{name}.csr")
        openssl("req", *curve, *files, "-subj", f"/CN={name}")
        authority = ("-CA", f"{where}/ca.pem", "-CAkey", f"{where}/ca.key", "-CAcreateserial")
        signed = (
            "-in",
            f"{where}/{name}.csr",
            "-out",
            f"{where}/{name}.pem",
            "-extfile",
            f"{where}/{name}.ext",
        )
        openssl("x509", "-req", *authority, *signed, "-days", "2")
    openssl(
        "ec", "-in", f"{where}/client.key", "-aes128", "-passout", "pass:x", "-out", f"{where}/locked.key"
    )
    return where


@pytest.fixture
async def secure(mosquitto: Mosquitto, certificates: Path) -> Mosquitto:
    """A mosquitto that accepts TLS connections only."""
    await mosquitto.stop()
    mosquitto.settings = tuple(line.format(certificates) for line in SECURE)
    await mosquitto.start()
    return mosquitto


@pytest.mark.parametrize("version", list(MqttVersion))
async def test_the_right_authority_opens_an_encrypted_connection(
    secure: Mosquitto, certificates: Path, version: MqttVersion
) -> None:
    tls = TlsSettings(certificates / "ca.pem")
    assert await first_report(BrokerSettings("localhost", "x", secure.port, version=version, tls=tls)) is None


async def test_a_broker_of_another_authority_is_not_trusted(secure: Mosquitto, certificates: Path) -> None:
    tls = TlsSettings(certificates / "other.pem")
    trouble = await first_report(BrokerSettings("localhost", "x", secure.port, tls=tls))
    assert "its certificate is not trusted" in str(trouble)


async def test_a_broker_with_another_host_name_is_not_trusted(secure: Mosquitto, certificates: Path) -> None:
    tls = TlsSettings(certificates / "ca.pem")
    trouble = await first_report(BrokerSettings("127.0.0.1", "x", secure.port, tls=tls))
    assert "its certificate is not trusted" in str(trouble)
    assert "check the host name" in str(trouble)


async def test_tls_to_a_port_without_tls_is_reported(mosquitto: Mosquitto, certificates: Path) -> None:
    tls = TlsSettings(certificates / "ca.pem")
    trouble = await first_report(BrokerSettings("localhost", "x", mosquitto.port, tls=tls))
    assert "check that this port speaks TLS" in str(trouble)


async def test_a_client_certificate_is_sent_to_a_broker_that_requires_one(
    secure: Mosquitto, certificates: Path
) -> None:
    await secure.stop()
    secure.settings = (*secure.settings, "require_certificate true")
    await secure.start()
    mine = TlsSettings(certificates / "ca.pem", certificates / "client.pem", certificates / "client.key")
    assert await first_report(BrokerSettings("localhost", "x", secure.port, tls=mine)) is None
    without = TlsSettings(certificates / "ca.pem")
    assert isinstance(
        await first_report(BrokerSettings("localhost", "x", secure.port, tls=without)), HubError
    )


@pytest.mark.parametrize(
    ("authority", "key", "part"),
    [
        ("missing.pem", "client.key", "missing.pem"),
        ("ca.pem", "broker.key", "broker.key"),
        ("ca.pem", "locked.key", ""),
    ],
)
async def test_tls_files_that_cannot_be_used_are_named(
    secure: Mosquitto, certificates: Path, authority: str, key: str, part: str
) -> None:
    tls = TlsSettings(certificates / authority, certificates / "client.pem", certificates / key)
    trouble = await first_report(BrokerSettings("localhost", "x", secure.port, tls=tls))
    assert "the TLS files (" in str(trouble)
    assert part in str(trouble)


@pytest.fixture
def passwords(tmp_path: Path) -> Path:
    file = tmp_path / "passwords"
    make = ("mosquitto_passwd", "-b", "-c", str(file), "bridge", PASSWORD)
    subprocess.run(make, check=True, capture_output=True)
    return file


@pytest.fixture
async def guarded(mosquitto: Mosquitto, passwords: Path) -> Mosquitto:
    """A mosquitto with one user, ``bridge``."""
    await mosquitto.stop()
    mosquitto.settings = ("allow_anonymous false", f"password_file {passwords}")
    await mosquitto.start()
    return mosquitto


@pytest.mark.parametrize("version", list(MqttVersion))
@pytest.mark.parametrize(
    ("username", "password", "refused"),
    [("bridge", PASSWORD, False), ("bridge", "wrong-donkey-11", True), (None, None, True)],
)
async def test_a_wrong_password_is_reported_and_no_password_is_shown(
    guarded: Mosquitto,
    caplog: pytest.LogCaptureFixture,
    version: MqttVersion,
    username: str | None,
    password: str | None,
    refused: bool,
) -> None:
    caplog.set_level(logging.DEBUG)
    secret = None if password is None else Secret(password)
    settings = BrokerSettings("127.0.0.1", "x", guarded.port, username, secret, version)
    trouble = await first_report(settings)
    seen = f"{trouble} {trouble!r} {settings!r} {asdict(settings)!r} {caplog.text}"
    assert (trouble is not None) == refused
    if refused:
        assert "check" in str(trouble)
        assert "user" in str(trouble)
    assert "Sending CONNECT" in seen
    for word in (PASSWORD, "wrong-donkey-11"):
        assert word not in seen


async def test_a_broker_that_does_not_speak_mqtt_5_is_recognised(broker: AnyBroker) -> None:
    settings = BrokerSettings(broker.host, "x", broker.port, version=MqttVersion.V5)
    # A broker that does not support the version may never answer.
    trouble = await first_report(settings, answer_s=DEADLINE_S if broker.newest == "5" else 0.5)
    if broker.newest == "5":
        assert trouble is None
    else:
        assert "3.1.1" in str(trouble)


async def test_an_unknown_host_is_reported() -> None:
    trouble = await first_report(BrokerSettings("no-such-host.invalid", "x"))
    assert "host name is not known" in str(trouble)


def test_a_secret_is_shown_only_by_its_named_method() -> None:
    secret = Secret(PASSWORD)
    assert secret.reveal() == PASSWORD
    assert PASSWORD not in f"{secret} {secret!r} {[secret]}"
    assert secret == Secret(PASSWORD)
    assert secret != Secret("other")


@pytest.mark.parametrize(
    ("wrong", "reason"),
    [
        ({"host": ""}, "may not be empty"),
        ({"client_id": ""}, "may not be empty"),
        ({"port": 0}, "port 0"),
        ({"port": 65536}, "port 65536"),
        ({"keepalive_s": 1}, "keepalive of 1 s"),
        ({"password": Secret(PASSWORD)}, "without a user name"),
    ],
)
def test_settings_out_of_range_are_refused(wrong: dict[str, Any], reason: str) -> None:
    with pytest.raises(InputError, match=reason) as caught:
        BrokerSettings(**({"host": "localhost", "client_id": "x"} | wrong))
    assert PASSWORD not in str(caught.value)


def test_half_a_client_certificate_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="both or none"):
        TlsSettings(cert_file=tmp_path / "client.pem")
    with pytest.raises(InputError, match="both or none"):
        TlsSettings(key_file=tmp_path / "client.key")
