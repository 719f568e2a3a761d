"""Where a service that was installed by ``config/INSTALL.md`` keeps its things.

A person's environment does not have what the service manager puts into the daemon's: the state directory, and
the directory of the credentials. Commands that look after the service find both by the places of the unit.

What commands share: whose log it is, which reservoir is meant, and in what units people are told.
"""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from bridge.commands.shared.log_file import SERVICE_STATE
from bridge.errors import InputError
from bridge.station.plan import StationPlan
from bridge.units import DisplayUnits


@dataclass(frozen=True, slots=True)
class Shown:
    """How a command tells people what it found. JSON and CSV are always as recorded."""

    units: DisplayUnits = DisplayUnits()
    factors: Mapping[str, float] = field(default_factory=dict)
    """The scale of each reservoir, and of whatever is kept by hand, in ppm for each µS/cm."""


AS_RECORDED = Shown()


def shown_by(config: Path | None) -> Shown:
    """As the configuration's table ``[display]`` has it; as recorded where no configuration was named.

    :raises InputError: the configuration is wrong.
    """
    if config is None:
        return AS_RECORDED
    from bridge.config.loading import read

    plan = read(config, environ_of_service(config, os.environ)).plan
    factors = {one.identity.reservoir: one.identity.factor for one in plan.stations}
    return Shown(plan.display, factors | {ident: one.factor for ident, one in plan.kept_by_hand.items()})


def environ_of_service(config: Path, environ: Mapping[str, str]) -> dict[str, str]:
    """The environment with the service's state directory in it, where the daemon keeps this log there.

    A person's environment does not have what the service manager puts into the daemon's.
    """
    from bridge.config.building import LOG_NAME
    from bridge.config.loading import STATE_DIRECTORY, read

    own = dict(environ)
    if own.get(STATE_DIRECTORY):
        return own
    log = read(config, own).plan.log
    # Without a right to look there, it is simply not there; Path.exists would raise.
    kept_there = os.path.exists(f"{SERVICE_STATE}/{LOG_NAME}")
    if log is not None and log.path == config.parent / LOG_NAME and not log.path.exists() and kept_there:
        own[STATE_DIRECTORY] = SERVICE_STATE
    return own


def station_of(stations: Sequence[StationPlan], reservoir: str | None) -> StationPlan:
    """The reservoir that is meant. Raises :class:`InputError`, naming those there are."""
    ids = [station.identity.reservoir for station in stations]
    if reservoir is None and len(stations) == 1:
        return stations[0]
    for station in stations:
        if station.identity.reservoir == reservoir:
            return station
    if reservoir is None:
        raise InputError(f"--reservoir: which one? There are {', '.join(ids)}")
    raise InputError(f"--reservoir {reservoir}: there is no such reservoir; there are {', '.join(ids)}")


SERVICE_ETC = Path("/etc/clearwell")
NAME = "clearwell.toml"
SECRETS = "secrets"


def usual_config(config: Path | None, what: str) -> Path:
    """The configuration that was named, else the service's, else the one in this directory.

    :param what: the command, for the sentence.
    :raises InputError: none was named, and none lies there.
    """
    if config is not None:
        return config
    places = (SERVICE_ETC / NAME, Path(NAME))
    for place in places:
        if os.path.isfile(place):
            return place
    there = " and none at ".join(map(str, places))
    raise InputError(f"{what}: which configuration? Give its file; there is none at {there}")


def environ_as_daemon(
    config: Path, environ: Mapping[str, str], etc: Path = SERVICE_ETC, state: str = SERVICE_STATE
) -> dict[str, str]:
    """The environment as the daemon of this configuration has it, as far as a person may see it.

    Only for the configuration of the service does the unit say where log and credentials are.
    """
    from bridge.config.loading import STATE_DIRECTORY
    from bridge.config.sources import CREDENTIALS

    own = dict(environ)
    if os.path.realpath(config.parent) != os.path.realpath(etc):
        return own
    own.setdefault(STATE_DIRECTORY, state)
    secrets = config.parent / SECRETS
    if os.path.isdir(secrets) and os.access(secrets, os.R_OK | os.X_OK):
        own.setdefault(CREDENTIALS, str(secrets))
    return own
