"""``clearwell reset``, ``acknowledge``, ``hold`` and others: commands for the bridge on this machine.

They go through the socket of the daemon. The guard decides on them as on a command from the hub.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from bridge.commands.shared.configuration import configuration_in_use, station_of, usual_config
from bridge.commands.shared.terminal import print_text
from bridge.errors import InputError

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
    "--minutes", type=click.FloatRange(0), default=60.0, show_default=True, help="For how long; 0 ends it."
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
