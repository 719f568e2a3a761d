"""``clearwell restore``: go on from a backup of the log."""

import json
import os
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import environ_as_daemon, usual_config
from bridge.commands.shared.log_file import Bar
from bridge.errors import ClearwellError, InputError, LogError

if TYPE_CHECKING:
    from bridge.config.plan import BridgePlan
    from bridge.history.records import StateRow


@click.command("restore")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("config", required=False, type=click.Path(path_type=Path))
def command(file: Path, config: Path | None) -> None:
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

    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".clearwell-restore-", dir=log.parent) as folder:
            part = Path(folder) / log.name
            held = _prepared(file, part)
            with alone_with(log):
                told = _latched(plan, log, part)
                kept = set_aside(log)
                os.replace(part, log)
            _as_its_directory(log)
    except OSError as error:
        raise ClearwellError(
            f"{error.filename or log}: {error.strerror}; run this as the user that the daemon runs as, or "
            "as root"
        ) from error
    end = datetime.fromtimestamp(held / 1000.0, UTC)
    click.echo(f"{log} is that of {file} now; it ends at {end:%Y-%m-%d %H:%M} UTC.")
    if kept is not None:
        click.echo(f"The log that was there is kept as {kept}.")
    click.echo(told)
    added = _calibrations(log, config)
    if added:
        click.echo(f"{added}")


def _check_file(file: Path, log: Path) -> None:
    """Refuses a file that is not a sound log of this program or an older one.

    Raises:
        InputError: The file is missing, is not a log, or is damaged.
        LogTrouble: The file is from a newer program.
    """
    import sqlite3

    from bridge.history.backup import faults_in, layout_of
    from bridge.history.log_file import LAYOUT, newer

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
    """A copy of the backup, on the disk of the log, and the last time in it."""
    import sqlite3

    from bridge.history.backup import duplicate
    from bridge.history.log_file import trouble_from

    with Bar("restore", to_terminal=False) as bar:
        try:
            return duplicate(file, part, progress=bar).span_ms[1]
        except sqlite3.Error as error:
            raise trouble_from(error, part) from error


def _latched(plan: "BridgePlan", log: Path, part: Path) -> str:
    """See that nothing that is latched is forgotten; the sentence on it."""
    from dataclasses import replace

    from bridge.daemon import saved_state
    from bridge.history.backup import save_state

    now = _state_of(log)
    if now:
        save_state(part, [row for key, row in now.items() if key.startswith(saved_state.latched_key(""))])
        return "What is latched (trips, alarms, a hold) was taken over from that log."
    lifted = plan.hub is not None or (plan.page is not None and plan.page.token is not None)
    look_first = "Look at the purifier and the reservoir, and send a sample of the reservoir"
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


def _calibrations(log: Path, config: Path) -> str:
    """Add the calibrations of the backup that the file lacks.

    Returns:
        A sentence on the added calibrations, or an empty text.
    """
    from bridge.config.calibration_file import append, history, place_of
    from bridge.history.backup import CALIBRATIONS

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
    _as_its_directory(place)
    if not missing:
        return ""
    return f"{len(missing)} calibration(s) of the backup were added to {place}."


def _state_of(log: Path) -> "dict[str, StateRow]":
    """The saved values of a log; none where there is no log or it cannot be read."""
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


def _as_its_directory(file: Path) -> None:
    """Give a file to whoever owns its directory, when root made it: the daemon is often another user."""
    if os.geteuid() == 0 and file.exists():
        owner = file.parent.stat()
        os.chown(file, owner.st_uid, owner.st_gid)
