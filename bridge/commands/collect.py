"""``clearwell collect``: writes the records of any number of bridges to one database."""

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.terminal import sentence_of
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.mqtt.broker import BrokerSettings

HOST, PORT = "localhost", 1883


@click.command("collect")
@click.argument("config", required=False, type=click.Path(path_type=Path))
@click.option(
    "--to",
    "url",
    required=True,
    envvar="CLEARWELL_COLLECT_TO",
    metavar="URL",
    help="The database: postgresql://USER@HOST/NAME or sqlite:///FILE. Also by the variable "
    "CLEARWELL_COLLECT_TO, which other users of the machine cannot read.",
)
@click.option(
    "--broker", metavar="HOST[:PORT]", help=f"The broker.  [default: the configuration's, or {HOST}:{PORT}]"
)
@click.option(
    "--topic-root", default="clearwell", show_default=True, metavar="WORD", help="First part of the topics."
)
@click.option(
    "--name",
    default="collector",
    show_default=True,
    metavar="WORD",
    help="The name of this collector, the same at each start: the broker keeps undelivered records for it.",
)
@click.option("--quiet", is_flag=True, help="Log warnings and errors only.")
def command(
    config: Path | None, url: str, broker: str | None, topic_root: str, name: str, quiet: bool
) -> int:
    """Write the records of every bridge on a broker to one database, each once, until interrupted.

    The tables and views are on the page "collect" of the manual. While the database is away, the records wait
    at the broker; while the broker is away, they wait at the bridges.

    With the configuration file CONFIG it uses the broker, the account and the encryption of its table [hub].
    Without CONFIG, user name and password come from CLEARWELL_HUB__USERNAME and CLEARWELL_HUB__PASSWORD. An
    account that may read the topics of the records is enough.
    """
    import asyncio
    import logging
    import signal

    from bridge.collect.collector import Collector
    from bridge.collect.store import store_at
    from bridge.daemon import service

    settings = _broker(config, broker, name)
    store = store_at(url, name)
    service.configure_log(level=logging.WARNING if quiet else logging.INFO, for_people=sentence_of)
    log = service.logger()

    def report(sentence: str, is_trouble: bool) -> None:
        log.log(logging.WARNING if is_trouble else logging.INFO, "collect", sentence=sentence)

    async def collect() -> None:
        collector = Collector(settings, topic_root, store, report)
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, collector.stop)
        try:
            await asyncio.to_thread(store.open)
            await collector.run()
        finally:
            store.close()
            counts = collector.counts
            log.info(
                "stopped",
                messages=counts.messages,
                stored=counts.stored,
                again=counts.again,
                refused=counts.refused,
                asked=counts.asked,
            )

    asyncio.run(collect())
    return 0


def _broker(config: Path | None, address: str | None, name: str) -> "BrokerSettings":
    """Return the broker, with the client id of this collector."""
    from dataclasses import replace

    from bridge.mqtt.broker import BrokerSettings, MqttVersion, Secret

    if not name.replace("-", "").isalnum() or not name.isascii():
        raise InputError(f"--name {name!r}: use letters, digits and hyphens")
    host, port = _address(address)
    client_id = f"clearwell-collect-{name}"
    if config is None:
        password = os.environ.get("CLEARWELL_HUB__PASSWORD")
        return BrokerSettings(
            host or HOST,
            client_id,
            port or PORT,
            username=os.environ.get("CLEARWELL_HUB__USERNAME"),
            password=None if password is None else Secret(password),
        )
    from bridge.config.loading import read

    hub = read(config, os.environ).plan.hub
    if hub is None:
        raise InputError(f"{config}: there is no table [hub]; add one with the broker's host")
    # Only version 5 lets the broker keep a session for a known time.
    return replace(
        hub.broker,
        client_id=client_id,
        version=MqttVersion.V5,
        host=host or hub.broker.host,
        port=port or hub.broker.port,
    )


def _address(text: str | None) -> tuple[str | None, int | None]:
    if text is None:
        return None, None
    host, colon, port = text.rpartition(":")
    if not colon:
        return text, None
    if "://" in text or not port.isdecimal() or not 1 <= int(port) <= 65535:
        raise InputError(f"--broker {text!r} is not HOST or HOST:PORT, such as garden-pi.local:1883")
    return host.strip("[]"), int(port)
