"""Where a service that was installed by ``config/INSTALL.md`` keeps its things.

A person's environment does not have what the service manager puts into the daemon's: the state directory, and
the directory of the credentials. Commands that look after the service find both by the places of the unit.
"""

import os
from collections.abc import Mapping
from pathlib import Path

from bridge.commands.logfile import SERVICE_STATE
from bridge.errors import InputError

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
