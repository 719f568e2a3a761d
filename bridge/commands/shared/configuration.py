"""The configuration and the log that a command works with, and where an installed service keeps its files.

``config/INSTALL.md`` says where those are. A person's environment does not have what the service manager puts
into the daemon's: the state directory and the directory of the credentials. Commands that look after the
service find both by the paths of its unit.

A command that reads the log also gets its errors, a progress bar and a closed pipe from here.
"""

import os
import stat
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bridge.errors import InputError, LogError
from bridge.units import DisplayUnits

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

    from bridge.config.loading import Configuration
    from bridge.history.reader import Reader
    from bridge.history.records import EntryRow
    from bridge.mqtt.broker import BrokerSettings
    from bridge.station.plan import StationPlan


HOST, PORT = "localhost", 1883
"""The broker if neither an option nor a configuration names one."""
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
    """The scale of each reservoir, purifier by hand and shelf, in ppm for each µS/cm."""


AS_RECORDED = Shown()


def shown_by(config: Path | None) -> Shown:
    """Show quantities as the table ``[display]`` says; as recorded if no configuration was named.

    Raises:
        InputError: The configuration is wrong.
    """
    if config is None:
        return AS_RECORDED
    plan = configuration_in_use(config).plan
    return Shown(plan.display, plan.factors)


def environ_of_service(config: Path, environ: Mapping[str, str]) -> dict[str, str]:
    """Add the service's state directory to the environment if the daemon keeps its log there.

    The daemon does so if the service has a log and none lies beside the configuration. A path of the log in
    the configuration overrides the state directory.
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

    The unit names the places of log and credentials for the service's own configuration only.
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


F = TypeVar("F", bound=Callable[..., Any])
BAR_AFTER_S = 0.5
"""Shorter work needs no bar."""
_STEPS = 1000


class NoLogYet(InputError):
    """There is no log at the path that was named."""


def broker_without_config(host: str | None, port: int | None, client_id: str) -> "BrokerSettings":
    """Return a broker whose user name and password are in the environment, as those of the daemon can be."""
    from bridge.mqtt.broker import BrokerSettings, Secret

    password = os.environ.get("CLEARWELL_HUB__PASSWORD")
    return BrokerSettings(
        host or HOST,
        client_id,
        port or PORT,
        username=os.environ.get("CLEARWELL_HUB__USERNAME"),
        password=None if password is None else Secret(password),
    )


def which_log(command: F) -> F:
    """Add the options that name a log."""
    for option in (
        click.option(
            "--config",
            type=click.Path(path_type=Path),
            help="Take the log's path from this configuration.",
        ),
        click.option("--log", "log_file", type=click.Path(path_type=Path), help="The file of the log."),
    ):
        command = option(command)
    return command


def which_time(command: F) -> F:
    """Add the options of a range of time."""
    for option in (
        click.option("--to", "until", metavar="T", help="Until this moment; a day is meant whole."),
        click.option("--from", "since", metavar="T", help="From this moment on."),
    ):
        command = option(command)
    return command


def log_path(config: Path) -> Path:
    """Find the log that a configuration names, or the one that the service keeps if it names none.

    Raises:
        InputError: The configuration is wrong, or keeps no log.
    """
    from bridge.config.building import LOG_NAME
    from bridge.config.loading import STATE_DIRECTORY

    log = configuration_in_use(config).plan.log
    if log is None:
        raise InputError(f"{config}: this configuration keeps no log; give the file of one with --log")
    defaults = {config.parent / LOG_NAME, Path(os.environ.get(STATE_DIRECTORY, "")) / LOG_NAME}
    of_service = Path(SERVICE_STATE) / LOG_NAME
    if log.path in defaults and _stands_at(log.path) is None and _stands_at(of_service) is not None:
        return of_service
    return log.path


def chosen(log_file: Path | None, config: Path | None) -> Path:
    """Return the file that the options name, if it exists and can be read.

    Raises:
        InputError: None or both are named, or there is no such file.
    """
    if (log_file is None) == (config is None):
        raise InputError("which log? Give either --log with its file or --config with the configuration")
    path = log_path(config) if log_file is None and config is not None else log_file
    assert path is not None
    what = _stands_at(path)
    if what is _Stands.FILE:
        return path
    if what is _Stands.HIDDEN:
        raise InputError(f"{path}: this user may not read it; the service's user and root may")
    if what is None:
        raise NoLogYet(f"{path}: there is no such file; give the log that the daemon writes")
    raise InputError(f"{path}: is not a file; give the log that the daemon writes")


class _Stands(Enum):
    FILE = 1
    OTHER = 2
    HIDDEN = 3
    """A path that this user may not see or read."""


def _stands_at(path: Path) -> _Stands | None:
    """Return the kind of thing at a path; None if there is nothing."""
    try:
        regular = stat.S_ISREG(path.stat().st_mode)
    except PermissionError:
        return _Stands.HIDDEN
    except (OSError, ValueError):
        return None
    if not regular:
        return _Stands.OTHER
    return _Stands.FILE if os.access(path, os.R_OK) else _Stands.HIDDEN


@contextmanager
def reading(path: Path) -> Iterator["Reader"]:
    """Open the log for reading, and explain its errors to the person who reads it.

    Raises:
        InputError: The file is not a log.
        LogError: The file is a log that cannot be read now.
    """
    from bridge.history.opening import LogFault, LogTrouble
    from bridge.history.reader import Reader

    try:
        reader = Reader(path)
    except LogTrouble as error:
        if error.fault is LogFault.NEWER:
            raise
        if error.fault is LogFault.LOCKED:
            raise _locked(path) from error
        cause = error.__cause__ or error
        raise InputError(
            f"{path}: this is no log, or a damaged one ({cause}); give the file that the daemon writes"
        ) from error
    with reader:
        try:
            yield reader
        except LogTrouble as error:
            if error.fault is LogFault.LOCKED:
                raise _locked(path) from error
            raise LogError(f"The log {path} cannot be read on ({error.__cause__ or error}).") from error


def passed_on(log: Path, config: Path | None) -> str:
    """Announce a new entry of the log to the daemon that runs.

    Args:
        log: The log.
        config: The configuration, which may name another socket than the one beside the log.

    Returns:
        When the daemon reads the entry, as a sentence; an empty text if no daemon runs.
    """
    from bridge.config.building import SOCKET_ENDING
    from bridge.daemon.local_socket import READ_ENTRIES, NoBridge, ask
    from bridge.history.log_file import holder

    socket = log.with_name(log.name + SOCKET_ENDING)
    if config is not None:
        socket = configuration_in_use(config).plan.socket or socket
    try:
        return ask(socket, READ_ENTRIES).sentence
    except (NoBridge, InputError):
        return "" if holder(log) is None else "The running bridge reads it within a minute."


def _locked(path: Path) -> LogError:
    return LogError(f"Another program holds the log {path} locked; try again in a moment.")


class Bar:
    """A progress bar on a terminal's error stream, for work that takes longer than a moment.

    A context manager; call it with the fraction done. Where the error stream is no terminal, or the work's
    own output goes to one, it shows nothing.
    """

    def __init__(self, label: str, *, to_terminal: bool) -> None:
        self._label = label
        self._wanted = sys.stderr.isatty() and not to_terminal
        self._began = time.monotonic()
        self._bar: ProgressBar[int] | None = None
        self._done = 0

    def __enter__(self) -> "Bar":
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.render_finish()

    def __call__(self, fraction: float) -> None:
        """Show the progress, from 0 to 1."""
        if not self._wanted or (self._bar is None and time.monotonic() - self._began < BAR_AFTER_S):
            return
        if self._bar is None:
            self._bar = click.progressbar(length=_STEPS, label=self._label, file=sys.stderr)
        step = round(fraction * _STEPS) - self._done
        if step > 0:
            self._done += step
            self._bar.update(step)


@contextmanager
def closed_pipe_is_an_end() -> Iterator[None]:
    """Accept that the reader of our output stops early, as ``head`` does."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        # The interpreter must not try to write the rest of the buffer when it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def check_reservoirs(reader: "Reader", path: Path, names: tuple[str, ...], *, entries: bool) -> None:
    """Refuse a reservoir that the log does not know.

    Args:
        reader: The open log.
        path: The file of the log, for messages.
        names: The reservoirs.
        entries: Whether a reservoir without readings that an event names is known too.

    Raises:
        InputError: The log does not know a reservoir.
    """
    if not names:
        return
    known = reader.reservoirs()
    start, end = reader.span_ms()
    for name in names:
        if name in known:
            continue
        if entries and next(reader.events(start, end + 1, reservoir=name), None) is not None:
            continue
        there = ", ".join(known) or "none"
        raise InputError(f"--reservoir {name}: {path} has no such reservoir; it has {there}")


def entries_of(path: Path, ident: str) -> "list[EntryRow]":
    """Read all entries of one purifier or shelf; there are none if there is no log yet.

    Raises:
        LogError: The log cannot be read.
    """
    if not path.exists():
        return []
    with reading(path) as reader:
        return reader.entries_by_hand(ident)
