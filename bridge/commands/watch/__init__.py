"""``clearwell watch``: shows any running bridge in the terminal, through the broker."""

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import HOST, PORT, broker_without_config
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.mqtt.broker import BrokerSettings
    from bridge.units import DisplayUnits

PREFIX = "homie"


@click.command("watch")
@click.argument("config", required=False, type=click.Path(path_type=Path))
@click.option("--host", metavar="H", help=f"The broker's host.  [default: the configuration's, or {HOST}]")
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    metavar="P",
    help=f"The broker's port.  [default: the configuration's, or {PORT}]",
)
@click.option(
    "--prefix",
    metavar="WORD",
    help=f"First level of the topics.  [default: the configuration's, or {PREFIX}]",
)
@click.option("--reservoir", metavar="ID", help="Only this reservoir.")
@click.option("--once", is_flag=True, help="Print one view and exit.")
@click.option("--plain", is_flag=True, help="Print each changed line, instead of drawing in place.")
@click.option(
    "--exact", is_flag=True, help="Show dissolved solids with all their digits and their uncertainty."
)
@click.option(
    "--wait",
    "wait_s",
    type=click.FloatRange(0.5, 600.0),
    default=5.0,
    show_default=True,
    metavar="S",
    help="With --once: how long to wait for a bridge.",
)
def command(
    config: Path | None,
    host: str | None,
    port: int | None,
    prefix: str | None,
    reservoir: str | None,
    once: bool,
    plain: bool,
    exact: bool,
    wait_s: float,
) -> int:
    """Show in the terminal what bridges publish, on this machine or another one.

    With the configuration file CONFIG it shows that bridge, through its broker, in the units of its table
    [display]. Without CONFIG it shows every bridge on the broker. It publishes nothing.

    User name and password come from the same place as the daemon's: CLEARWELL_HUB__USERNAME and
    CLEARWELL_HUB__PASSWORD, or the secret files. An account with the right to read is enough.

    On a terminal each reservoir has a line, and the keys below open one of them. Below a tenth of the target
    dissolved solids are shown as a bound; F or --exact shows the full figures.

    It runs until you interrupt it. A conductivity reading never shows that water is safe to drink.
    """
    import asyncio
    import logging

    from bridge.commands.shared.configuration import closed_pipe_is_an_end
    from bridge.daemon import service

    broker, words, bridge, units = _from(config, host, port, prefix)
    # The view itself shows the faults of the broker.
    service.configure_log(level=logging.CRITICAL)
    logging.getLogger().setLevel(logging.CRITICAL)
    from bridge.display.terminal import Selection

    selection = Selection(f"{broker.address} under {words}/5", bridge, reservoir)
    from bridge.commands.watch.follow import follow, once_only

    with closed_pipe_is_an_end():
        if once:
            asyncio.run(once_only(broker, words, selection, units, wait_s, exact=exact))
        else:
            in_place = not plain and sys.stdout.isatty() and os.environ.get("TERM", "dumb") != "dumb"
            asyncio.run(follow(broker, words, selection, units, in_place=in_place, exact=exact))
    return 0


def _from(
    config: Path | None, host: str | None, port: int | None, prefix: str | None
) -> "tuple[BrokerSettings, str, str | None, DisplayUnits]":
    """Return the broker, the first level of the topics, the bridge's id (None for all), and the units."""
    from dataclasses import replace
    from uuid import uuid4

    from bridge.mqtt.broker import MqttVersion
    from bridge.mqtt.topics import Layout
    from bridge.units import DisplayUnits

    # The bridge's own client id would disconnect the bridge.
    client_id = f"clearwell-watch-{uuid4().hex[:8]}"
    if config is None:
        # Every broker supports this version, and a subscriber needs nothing of the newer one.
        broker = replace(broker_without_config(host, port, client_id), version=MqttVersion.V311)
        return broker, Layout("any", "any", PREFIX if prefix is None else prefix).prefix, None, DisplayUnits()
    from bridge.config.loading import read

    plan = read(config, os.environ).plan
    if plan.hub is None:
        raise InputError(
            f"{config}: there is no table [hub], so this bridge publishes nothing; add one with the "
            "broker's host"
        )
    configured = plan.hub.broker
    broker = replace(
        configured, client_id=client_id, host=host or configured.host, port=port or configured.port
    )
    layout = replace(plan.hub.layout, prefix=prefix or plan.hub.layout.prefix)
    return broker, layout.prefix, layout.bridge, plan.display
