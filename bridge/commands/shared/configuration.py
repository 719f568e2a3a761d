"""The configuration that a command works with, read once, and where an installed service keeps its files.

``config/INSTALL.md`` says where those are. A person's environment does not have what the service manager puts
into the daemon's: the state directory and the directory of the credentials. Commands that look after the
service find both by the paths of its unit.
"""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.errors import InputError
from bridge.units import DisplayUnits

if TYPE_CHECKING:
    from bridge.config.loading import Configuration
    from bridge.station.plan import StationPlan

SERVICE_ETC = Path("/etc/clearwell")
SERVICE_STATE = "/var/lib/clearwell"
"""Both as ``config/clearwell.service`` has them."""
NAME = "clearwell.toml"
SECRETS = "secrets"


def configuration_in_use(config: Path) -> "Configuration":
    """Read a configuration as the daemon does, once for each invocation of a command.

    Raises:
        InputError: The configuration is wrong.
    """
    from bridge.config.loading import read

    context = click.get_current_context(silent=True)
    known: dict[Path, Configuration] = {} if context is None else context.meta.setdefault(__name__, {})
    if config not in known:
        known[config] = read(config, environ_of_service(config, os.environ))
    return known[config]


@dataclass(frozen=True, slots=True)
class Shown:
    """How a command shows people what it found. JSON and CSV are always as recorded."""

    units: DisplayUnits = DisplayUnits()
    factors: Mapping[str, float] = field(default_factory=dict)
    """The scale of each reservoir, and of whatever is kept by hand, in ppm for each µS/cm."""


AS_RECORDED = Shown()


def shown_by(config: Path | None) -> Shown:
    """Show quantities as the table ``[display]`` says; as recorded if no configuration was named.

    Raises:
        InputError: The configuration is wrong.
    """
    if config is None:
        return AS_RECORDED
    plan = configuration_in_use(config).plan
    factors = {one.identity.reservoir: one.identity.factor for one in plan.stations}
    return Shown(plan.display, factors | {ident: one.factor for ident, one in plan.kept_by_hand.items()})


def environ_of_service(config: Path, environ: Mapping[str, str]) -> dict[str, str]:
    """Add the service's state directory to the environment if the daemon keeps its log there.

    That is so if the service has a log, and none lies beside the configuration. If the configuration names
    the path of its log, the state directory does not matter.
    """
    from bridge.config.building import LOG_NAME
    from bridge.config.loading import STATE_DIRECTORY

    own = dict(environ)
    # os.path.exists is false, where Path.exists raises, if this user may not look there.
    if (
        not own.get(STATE_DIRECTORY)
        and not os.path.exists(config.parent / LOG_NAME)
        and os.path.exists(f"{SERVICE_STATE}/{LOG_NAME}")
    ):
        own[STATE_DIRECTORY] = SERVICE_STATE
    return own


def station_of(stations: "Sequence[StationPlan]", reservoir: str | None) -> "StationPlan":
    """Find the reservoir that is meant: the one named, or the only one.

    Raises:
        InputError: There is no such reservoir, or there are several and none was named.
    """
    ids = [station.identity.reservoir for station in stations]
    if reservoir is None and len(stations) == 1:
        return stations[0]
    for station in stations:
        if station.identity.reservoir == reservoir:
            return station
    if not ids:
        raise InputError(
            "--reservoir: the configuration has no reservoir with a controller; add a table [reservoir.<id>]"
        )
    if reservoir is None:
        raise InputError(f"--reservoir: which one? There are {', '.join(ids)}")
    raise InputError(f"--reservoir {reservoir}: there is no such reservoir; give {' or '.join(ids)}")


def usual_config(config: Path | None, command: str) -> Path:
    """Take the configuration that was named, else the service's, else the one in this directory.

    Raises:
        InputError: None was named, and there is none in those places.
    """
    if config is not None:
        return config
    places = (SERVICE_ETC / NAME, Path(NAME))
    for place in places:
        if os.path.isfile(place):
            return place
    there = " and none at ".join(map(str, places))
    raise InputError(f"{command}: which configuration? Give its file; there is none at {there}")


def environ_as_daemon(
    config: Path, environ: Mapping[str, str], etc: Path = SERVICE_ETC, state: str = SERVICE_STATE
) -> dict[str, str]:
    """Make the environment that the daemon of this configuration has, as far as this user may see it.

    Only for the service's own configuration does the unit say where its log and its credentials are.
    """
    from bridge.config.loading import CREDENTIALS, STATE_DIRECTORY

    own = dict(environ)
    if os.path.realpath(config.parent) != os.path.realpath(etc):
        return own
    own.setdefault(STATE_DIRECTORY, state)
    secrets = config.parent / SECRETS
    if os.path.isdir(secrets) and os.access(secrets, os.R_OK | os.X_OK):
        own.setdefault(CREDENTIALS, str(secrets))
    return own
