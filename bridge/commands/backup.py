"""``clearwell backup`` and ``clearwell restore``: the log as one file, and how to continue from it."""

import json
import os
import shutil
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import Bar, chosen, environ_as_daemon, usual_config
from bridge.commands.shared.terminal import check_out, print_text
from bridge.errors import ClearwellError, InputError, LogError

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan
    from bridge.history.backup import Duplicate
    from bridge.history.records import StateRow

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
def backup(config: Path | None, out: Path, log_file: Path | None, force: bool) -> None:
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
    print_text(
        f"{path} from {start:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} UTC is in {out}: "
        f"{made.size_bytes / 2**20:.1f} MiB, checked and sound."
    )


def _log_of(config: Path | None, log_file: Path | None) -> Path:
    """Return the log to copy.

    Raises:
        InputError: There is no log, or this user may not read it.
    """
    if log_file is None and config is not None:
        from bridge.config.loading import read

        plan = read(config, environ_as_daemon(config, os.environ)).plan
        if plan.log is not None and os.path.exists(plan.log.path):
            return chosen(plan.log.path, None)
        return chosen(None, config)
    return chosen(log_file, None)


def _calibrations(config: Path | None, log: Path) -> str:
    """Return the text of every calibration that the daemon would read."""
    from bridge.config.calibration_file import history, place_of

    places = [place_of(log, log)] if config is None else [place_of(config, log), place_of(config, None)]
    texts = []
    for place in dict.fromkeys(places):
        if history(place):
            texts.append(place.read_text("utf-8"))
    return "\n".join(texts)


def _made(log: Path, part: Path, calibrations: str) -> "Duplicate":
    """Copy the log to a file with a working name, and check the copy.

    Raises:
        InputError: The file is not a log.
        LogError: The log is damaged.
        ClearwellError: There is too little room, or the copy cannot be written.
    """
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
            f"{part.parent}: {_bytes(free)} are free there and the copy takes {_bytes(_ROOM * size)}; make "
            "room or give another place"
        )


def _bytes(size: float) -> str:
    return f"{size / 2**20:.1f} MiB" if size >= 2**20 else f"{size / 2**10:.1f} KiB"


def _unwritable(out: Path, why: str) -> ClearwellError:
    return ClearwellError(f"{out}: cannot be written ({why}); nothing was left there")


def _on_the_disk(directory: Path) -> None:
    """Sync the directory, because the sync of a file does not cover its name."""
    descriptor = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    except OSError:
        # Some file systems of memory sticks cannot sync a directory; the content is on the disk already.
        return
    finally:
        os.close(descriptor)


@click.command("restore")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("config", required=False, type=click.Path(path_type=Path))
def restore(file: Path, config: Path | None) -> None:
    """Put FILE, made by clearwell backup, in the place of the log that CONFIG names.

    The daemon must be stopped. The log that is there now is not overwritten: it is set aside beside it, under
    a name with the time. FILE is checked first and stays as it is. One of an older program is brought up to
    date when the daemon starts; one of a newer program is refused.

    What is latched now (trips, alarms, a hold) is taken out of the present log, because it is newer than
    FILE. Where there is no present log that can be read, filling is put on hold: look at purifier and
    reservoir, then release it. Calibrations in FILE that clearwell-calibration.toml lacks are added to it.

    Without CONFIG it is /etc/clearwell/clearwell.toml, or clearwell.toml in this directory.
    """
    from bridge.config.loading import read

    config = usual_config(config, "restore")
    plan = read(config, environ_as_daemon(config, os.environ)).plan
    if plan.log is None:
        raise InputError(f"{config}: this configuration keeps no log, so there is nothing to restore to")
    log = plan.log.path
    _check_file(file, log)

    from bridge.history.backup import alone_with, set_aside
    from bridge.history.log_file import as_its_directory

    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".clearwell-restore-", dir=log.parent) as folder:
            part = Path(folder) / log.name
            held = _prepared(file, part)
            with alone_with(log):
                about_trips = _latched(plan, log, part)
                kept = set_aside(log)
                os.replace(part, log)
            as_its_directory(log)
    except OSError as error:
        raise ClearwellError(
            f"{error.filename or log}: {error.strerror}; run this as the user that the daemon runs as, or "
            "as root"
        ) from error
    end = datetime.fromtimestamp(held / 1000.0, UTC)
    print_text(f"{log} is that of {file} now; it ends at {end:%Y-%m-%d %H:%M} UTC.")
    if kept is not None:
        print_text(f"The log that was there is kept as {kept}.")
    print_text(about_trips)
    added = _added_calibrations(log, config)
    if added:
        print_text(f"{added}")


def _check_file(file: Path, log: Path) -> None:
    """Refuse a file that is not a sound log of this program or an older one.

    Raises:
        InputError: The file is missing, is not a log, or is damaged.
        LogTrouble: The file is from a newer program.
    """
    import sqlite3

    from bridge.history.backup import faults_in, layout_of
    from bridge.history.opening import LAYOUT, newer

    if not file.is_file():
        what = "is not a file" if file.exists() else "there is no such file"
        raise InputError(f"{file}: {what}; give one that clearwell backup made")
    if log.exists() and file.samefile(log):
        raise InputError(f"{file}: that is the present log itself; give a backup of it")
    try:
        layout = layout_of(file)
    except sqlite3.Error as error:
        raise InputError(f"{file}: this is no log ({error}); give one that clearwell backup made") from error
    if layout > LAYOUT:
        raise newer(file, layout, LAYOUT)
    faults = ["it has no layout"] if layout == 0 else faults_in(file)
    if faults:
        raise InputError(
            f"{file}: this is no log, or a damaged one ({faults[0]}); nothing was changed. Give another "
            "backup"
        )


def _prepared(file: Path, part: Path) -> int:
    """Copy the backup to the disk of the log, and return the last time in it."""
    import sqlite3

    from bridge.history.backup import duplicate
    from bridge.history.opening import trouble_from

    with Bar("restore", to_terminal=False) as bar:
        try:
            return duplicate(file, part, progress=bar).span_ms[1]
        except sqlite3.Error as error:
            raise trouble_from(error, part, "The present log was not changed.") from error


def _latched(plan: "BridgePlan", log: Path, part: Path) -> str:
    """Take what is latched in the present log into the copy, or hold filling; return a sentence on it."""
    from dataclasses import replace

    from bridge.daemon import saved_state
    from bridge.history.backup import save_state

    now = _state_of(log)
    if now:
        save_state(part, [row for key, row in now.items() if key.startswith(saved_state.latched_key(""))])
        return "What is latched (trips, alarms, a hold) was taken over from that log."
    lifted = plan.hub is not None or (plan.page is not None and plan.page.token is not None)
    look_first = "Look at the purifier and the reservoir, and enter a sample of the reservoir"
    if not lifted:
        return f"What has happened since then is not known. {look_first}, before you start the daemon."
    then = _state_of(part)
    moment = saved_state.Moment(0.0, time.time())
    held = []
    for station in plan.stations:
        name = station.identity.reservoir
        kept = then.get(saved_state.latched_key(name)), then.get(saved_state.accounts_key(name))
        try:
            state = saved_state.guard_state(*kept, station.limits, moment)
        except LogError:
            state = saved_state.guard_state(None, None, station.limits, moment)
        held.append(saved_state.latched(name, replace(state, hold=True), moment))
    save_state(part, held)
    return (
        f"What has happened since then is not known, so filling is on hold. {look_first}; then release "
        "the hold."
    )


def _added_calibrations(log: Path, config: Path) -> str:
    """Add the calibrations of the backup that the file lacks.

    Returns:
        A sentence on the added calibrations, or an empty text.
    """
    from bridge.config.calibration_file import append, history, place_of
    from bridge.history.backup import CALIBRATIONS
    from bridge.history.log_file import as_its_directory

    row = _state_of(log).get(CALIBRATIONS)
    if row is None:
        return ""
    place = place_of(config, log)
    with tempfile.NamedTemporaryFile(suffix=".toml") as was:
        was.write(json.loads(row.text).encode())
        was.flush()
        kept = history(Path(was.name))
    there = {
        (one.reservoir, one.cell, one.made) for at in {place, place_of(config, None)} for one in history(at)
    }
    missing = [one for one in kept if (one.reservoir, one.cell, one.made) not in there]
    for one in missing:
        append(place, one)
    as_its_directory(place)
    if not missing:
        return ""
    return f"{len(missing)} calibration(s) of the backup were added to {place}."


def _state_of(log: Path) -> "dict[str, StateRow]":
    """Return the saved values of a log; none if there is no log or it cannot be read."""
    import sqlite3

    from bridge.history.backup import state_of
    from bridge.history.log_file import state_of_damaged

    if not log.exists():
        return {}
    try:
        return state_of(log)
    except (sqlite3.Error, OSError, LogError):
        try:
            return state_of_damaged(log)
        except (sqlite3.Error, OSError):
            return {}
