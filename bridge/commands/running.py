"""``clearwell run`` and ``collect``, which work until stopped, and commands for the bridge that runs here.

The commands go through the socket of the daemon. The guard decides on them as on a command from the hub.
"""

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bridge.commands.shared.configuration import (
    HOST,
    PORT,
    broker_without_config,
    configuration_in_use,
    station_of,
    usual_config,
)
from bridge.commands.shared.terminal import print_text, sentence_of
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.mqtt.broker import BrokerSettings


@click.command("run")
@click.option(
    "--config", required=True, type=click.Path(path_type=Path), help="The configuration file (TOML)."
)
@click.option("--quiet", is_flag=True, help="Log warnings and errors only.")
def run(config: Path, quiet: bool) -> None:
    """Keep the reservoirs filled until SIGTERM or SIGINT, which close every valve before anything else."""
    import asyncio
    import logging

    from bridge.config.loading import read
    from bridge.daemon import service
    from bridge.daemon.process import Daemon

    configuration = read(config, os.environ)
    plan = configuration.plan
    if not plan.stations:
        raise InputError(
            f"{config}: there is no [reservoir.<id>] to keep filled; a purifier or a shelf that is kept by "
            "hand needs no daemon: enter it with clearwell sample, and see clearwell forecast"
        )
    service.configure_log(level=logging.WARNING if quiet else logging.INFO, for_people=sentence_of)
    for warning in configuration.warnings:
        service.logger().warning("configuration", sentence=warning)

    async def keep() -> None:
        await Daemon(plan).run()

    asyncio.run(keep())


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
    "--broker",
    metavar="HOST[:PORT]",
    help=f"The broker.  [default: the configuration's, or {HOST}:{PORT}]",
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
def collect(
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

    async def until_stopped() -> None:
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

    asyncio.run(until_stopped())
    return 0


def _broker(config: Path | None, address: str | None, name: str) -> "BrokerSettings":
    """Return the broker, with the client id of this collector."""
    from dataclasses import replace

    from bridge.mqtt.broker import MqttVersion

    if not name.replace("-", "").isalnum() or not name.isascii():
        raise InputError(f"--name {name!r}: use letters, digits and hyphens")
    host, port = _address(address)
    client_id = f"clearwell-collect-{name}"
    if config is None:
        return broker_without_config(host, port, client_id)
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


F = TypeVar("F", bound=Callable[..., Any])
ALL = "all"
WITHOUT_CONFIG = (
    "Without --config it uses /etc/clearwell/clearwell.toml, or clearwell.toml in this directory."
)


def _which_bridge(command: F) -> F:
    """Add the options that name a bridge and one of its reservoirs."""
    for option in (
        click.option("--reservoir", metavar="ID", help="The reservoir; needed if there are several."),
        click.option(
            "--config",
            type=click.Path(path_type=Path),
            help=f"The configuration of the running bridge. {WITHOUT_CONFIG}",
        ),
    ):
        command = option(command)
    return command


def _trips(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    from bridge.guard.model import Trip

    return [word for word in (ALL, *(trip.value for trip in Trip)) if word.startswith(incomplete)]


def _alarms(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
    from bridge.guard.model import Advisory

    return _trips(ctx, param, incomplete) + [
        one.value for one in Advisory if one.value.startswith(incomplete)
    ]


@click.command("reset")
@click.argument("trip", default=ALL, shell_complete=_trips)
@_which_bridge
def reset(trip: str, config: Path | None, reservoir: str | None) -> None:
    """Reset a latched trip of the running bridge, if the rule of the trip allows it.

    TRIP is the id of a trip, such as overflow. Without it, every trip is reset whose rule allows it. First
    remove the cause: clearwell manual faults says what to look for.
    """
    _send("reset", config, reservoir, "health/reset", trip)


@click.command("acknowledge")
@click.argument("alarm", default=ALL, shell_complete=_alarms)
@_which_bridge
def acknowledge(alarm: str, config: Path | None, reservoir: str | None) -> None:
    """Acknowledge an alarm of the running bridge: somebody has seen it. Without ALARM, all of them."""
    _send("acknowledge", config, reservoir, "health/acknowledge", alarm)


@click.command("hold")
@_which_bridge
def hold(config: Path | None, reservoir: str | None) -> None:
    """Shut the valve, and let no fill start until clearwell release."""
    _send("hold", config, reservoir, "valve/hold", "true")


@click.command("release")
@_which_bridge
def release(config: Path | None, reservoir: str | None) -> None:
    """End the hold. Filling continues when the reservoir needs water and every permissive holds."""
    _send("release", config, reservoir, "valve/hold", "false")


@click.command("fill")
@_which_bridge
def fill(config: Path | None, reservoir: str | None) -> None:
    """Fill the reservoir now, although its level is above the refill mark."""
    _send("fill", config, reservoir, "fill/start", "start")


@click.command("cartridge")
@_which_bridge
def cartridge(config: Path | None, reservoir: str | None) -> None:
    """Record that a new cartridge or membrane is in; its load begins at zero."""
    _send("cartridge", config, reservoir, "purifier/cartridge-changed", "changed")


@click.command("shelve")
@click.argument("alarm", shell_complete=_alarms)
@click.option(
    "--minutes",
    type=click.FloatRange(0, 1440),
    default=60.0,
    show_default=True,
    help="For how long; 0 ends it.",
)
@_which_bridge
def shelve(alarm: str, minutes: float, config: Path | None, reservoir: str | None) -> None:
    """Suppress an alarm of the running bridge for a time. A shelved trip still keeps the valve shut."""
    import json

    _send("shelve", config, reservoir, "health/shelve", json.dumps({"alarm": alarm, "minutes": minutes}))


def _send(command: str, config: Path | None, reservoir: str | None, path: str, value: str) -> None:
    """Send a command to the running bridge, and print its answer.

    Raises:
        InputError: The bridge refused the command, or a name or the configuration is wrong.
        NoBridge: No bridge runs.
    """
    from bridge.daemon.local_socket import ask
    from bridge.daemon.page_lines import CommandRequest, command_request_line

    config = usual_config(config, command)
    plan = configuration_in_use(config).plan
    if plan.socket is None:
        raise InputError(
            f"{config}: this bridge keeps no log, so it has no socket for commands; give bridge.socket a path"
        )
    station = station_of(plan.stations, reservoir)
    line = command_request_line(CommandRequest(1, station.identity.reservoir, path, value))
    result = ask(plan.socket, line)
    if result.status != "done":
        raise InputError(result.sentence)
    print_text(result.sentence)
