"""Code for commands that read a log: the file, its errors, a progress bar, and a closed pipe."""

import os
import stat
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from bridge.commands.shared.configuration import SERVICE_STATE, configuration_in_use
from bridge.errors import InputError, LogError

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

    from bridge.history.reader import Reader
    from bridge.history.records import EntryRow

F = TypeVar("F", bound=Callable[..., Any])
BAR_AFTER_S = 0.5
"""Shorter work needs no bar."""
_STEPS = 1000


class NoLogYet(InputError):
    """There is no log at the path that was named."""


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
    """Something that this user may not see or not read."""


def _stands_at(path: Path) -> _Stands | None:
    """What is at a path; None for nothing."""
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
    """The log, open; what goes wrong is told as it concerns somebody who reads.

    Raises:
        InputError: The file is not a log.
        LogError: The file is a log that cannot be read now.
    """
    from bridge.history.log_file import LogFault, LogTrouble
    from bridge.history.reader import Reader

    try:
        reader = Reader(path)
    except LogTrouble as error:
        if error.fault is LogFault.NEWER:
            raise
        if error.fault is LogFault.LOCKED:
            raise _locked(path) from error
        cause = error.__cause__ or error
        told = f"{path}: this is no log, or a damaged one ({cause}); give the file that the daemon writes"
        raise InputError(told) from error
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
    from bridge.history.lock import holder

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
    from bridge.history.records import Kind

    if not path.exists():
        return []
    with reading(path) as reader:
        kinds = (Kind.LITRES, Kind.SAMPLE, Kind.CARTRIDGE)
        return list(reader.events(0, reader.span_ms()[1] + 1, kinds=kinds, reservoir=ident))
