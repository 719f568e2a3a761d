"""``clearwell backup``: the log as one file, also while the daemon writes it."""

import json
import os
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import environ_as_daemon, usual_config
from bridge.commands.shared.files import check_out
from bridge.commands.shared.log_file import Bar, chosen
from bridge.errors import ClearwellError, InputError, LogError

if TYPE_CHECKING:
    from bridge.history.backup import Duplicate

_ROOM = 1.1
"""Beside the copy itself there must be room for what its last steps need."""


@click.command("backup")
@click.argument("config", required=False, type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="The file to make.")
@click.option(
    "--log",
    "log_file",
    type=click.Path(path_type=Path),
    help="The file of the log.  [default: the one that CONFIG names]",
)
@click.option("--force", is_flag=True, help="Replace the file if it is there.")
def command(config: Path | None, out: Path, log_file: Path | None, force: bool) -> None:
    """Copy the log into one file, also while the daemon writes it, and check the copy.

    The file holds everything of one moment: readings, events, alarms, samples, cartridges, what is latched,
    what waited to be written, and the calibrations of clearwell-calibration.toml. With clearwell restore it
    is enough to go on. It does not hold the configuration and the secrets, which are files of yours: keep
    copies of them.

    Without CONFIG it is /etc/clearwell/clearwell.toml, or clearwell.toml in this directory. The file appears
    under its name when it is whole and sound; only its owner may read it.
    """
    if log_file is None:
        config = usual_config(config, "backup")
    path = _log_of(config, log_file)
    check_out(out, path, force)
    texts = _calibrations(config, path)
    part = out.resolve().with_name(f".{out.name}.{os.getpid()}.part")
    try:
        made = _made(path, part, texts)
        if out.exists() and not force:
            raise InputError(f"--out {out}: the file has appeared meanwhile; give another name")
        part.replace(out.resolve())
        _on_the_disk(out.resolve().parent)
    except OSError as error:
        raise _unwritable(out, error.strerror or str(error)) from error
    finally:
        for ending in ("", "-journal", "-wal", "-shm"):
            part.with_name(part.name + ending).unlink(missing_ok=True)
    start, end = (datetime.fromtimestamp(at / 1000.0, UTC) for at in made.span_ms)
    click.echo(
        f"{path} from {start:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} UTC is in {out}: "
        f"{made.size_bytes / 2**20:.1f} MiB, checked and sound."
    )


def _log_of(config: Path | None, log_file: Path | None) -> Path:
    """The log that is meant; it is there and can be read. Raises :class:`InputError`."""
    if log_file is None and config is not None:
        from bridge.config.loading import read

        plan = read(config, environ_as_daemon(config, os.environ)).plan
        if plan.log is not None and os.path.exists(plan.log.path):
            return chosen(plan.log.path, None)
        return chosen(None, config)
    return chosen(log_file, None)


def _calibrations(config: Path | None, log: Path) -> str:
    """The text of every calibration that the daemon would read."""
    from bridge.config.calibration_file import history, place_of

    places = [place_of(log, log)] if config is None else [place_of(config, log), place_of(config, None)]
    texts = []
    for place in dict.fromkeys(places):
        if history(place):
            texts.append(place.read_text("utf-8"))
    return "\n".join(texts)


def _made(log: Path, part: Path, calibrations: str) -> "Duplicate":
    """The copy under its working name."""
    import sqlite3

    from bridge.history.backup import CALIBRATIONS, duplicate, faults_in, size_bytes
    from bridge.history.records import StateRow

    try:
        _check_room(part, size_bytes(log))
    except sqlite3.Error as error:
        raise InputError(
            f"{log}: this is no log, or a damaged one ({error}); give the file that the daemon writes"
        ) from error
    state = [StateRow(CALIBRATIONS, 1, json.dumps(calibrations))] if calibrations else []
    with Bar("backup", to_terminal=False) as bar:
        try:
            made = duplicate(log, part, progress=lambda fraction: bar(0.8 * fraction), state=state)
        except sqlite3.Error as error:
            code = getattr(error, "sqlite_errorcode", 0) & 0xFF
            if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN):
                raise _unwritable(part.with_name(part.name.split(".")[1]), str(error)) from error
            raise LogError(f"The log {log} cannot be copied ({error}); nothing was written.") from error
        faults = faults_in(part)
        bar(1.0)
    if faults:
        raise LogError(
            f"The log {log} is damaged ({faults[0]}), and so would its copy be; nothing was written. The "
            "daemon "
            "sets a damaged log aside by itself; keep your last sound backup."
        )
    return made


def _check_room(part: Path, size: int) -> None:
    free = shutil.disk_usage(part.parent).free
    if free < _ROOM * size:
        raise ClearwellError(
            f"{part.parent}: {free / 2**20:.1f} MiB are free there and the copy takes "
            f"{_ROOM * size / 2**20:.1f} MiB; "
            "make room or give another place"
        )


def _unwritable(out: Path, why: str) -> ClearwellError:
    return ClearwellError(f"{out}: cannot be written ({why}); nothing was left there")


def _on_the_disk(directory: Path) -> None:
    """The name too, not only what it names."""
    descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    except OSError:
        # Some file systems of memory sticks know no such thing; the content is there already.
        return
    finally:
        os.close(descriptor)
