"""What commands share: whose log it is, which reservoir is meant, and in what units people are told."""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from bridge.commands.logfile import SERVICE_STATE
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
