"""What the commands at the bench share: whose log it is, and which reservoir is meant."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from bridge.commands.logfile import SERVICE_STATE
from bridge.errors import InputError
from bridge.plan import StationPlan


def environ_of_service(config: Path, environ: Mapping[str, str]) -> dict[str, str]:
    """The environment with the service's state directory in it, where the daemon keeps this log there.

    A person's environment does not have what the service manager puts into the daemon's.
    """
    from bridge.settings.file import STATE_DIRECTORY, read
    from bridge.settings.plan import LOG_NAME

    own = dict(environ)
    if own.get(STATE_DIRECTORY):
        return own
    log = read(config, own).plan.log
    kept_there = (Path(SERVICE_STATE) / LOG_NAME).exists()
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
