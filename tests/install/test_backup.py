"""A backup is one sound file of one moment, and restoring one never loses anything."""

import os
import resource
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from bridge.config.calibration_file import CalibrationTable, append, history
from bridge.guard.model import Trip
from bridge.history.duplicate import duplicate, faults_in
from bridge.history.log import Log
from bridge.history.reader import Reader
from bridge.history.records import AlarmChange, AlarmRow, Stamp
from bridge.history.recovery import look_only
from bridge.history.schema import LAYOUT, MIGRATIONS, block_id, entry_floor, hour_of
from tests.history.conftest import START_MS, barrel, measured, packed
from tests.install.conftest import ROOT
from tests.running import clearwell
from tests.security.conftest import Start

ALWAYS = 2**50
HOUR = 3600
BLOCKED, WAITING = range(0, HOUR, 10), range(HOUR, HOUR + 600, 10)
LATER = range(HOUR + 600, HOUR + 900, 10)


def alarm(second: int) -> AlarmRow:
    stamp = Stamp(1, 100_000 + second, START_MS + 1000 * second)
    return AlarmRow(stamp, "barrel", Trip.NO_RISE, AlarmChange.RAISED, "The level did not rise.")


@pytest.fixture
def living(tmp_path: Path) -> Iterator[tuple[Log, Path, Path]]:
    """A log that is being written: an hour in a block, ten minutes that wait, and a latched trip."""
    path, spill = tmp_path / "clearwell.db", tmp_path / "clearwell.db.spill"
    log = Log(path, spill=spill)
    log.start().result(20)
    log.append(*(barrel(second) for second in BLOCKED))
    log.append(*(barrel(second) for second in WAITING))
    log.append(alarm(HOUR + 600), state={"latched.barrel": b'{"a trip": 1}'})
    assert log.settle().result(20)
    yield log, path, spill
    log.close(20)


@pytest.fixture
def configuration(configured: Callable[..., Path]) -> Path:
    return configured()


def readings_in(path: Path) -> list[int]:
    with Reader(path) as reader:
        return [row.stamp.sequence for row in reader.readings("barrel", 0, ALWAYS)]


# --- the copy -------------------------------------------------------------------------------------------


def test_one_file_holds_everything_up_to_its_moment_also_what_waited_outside_the_log(
    living: tuple[Log, Path, Path], tmp_path: Path
) -> None:
    out = tmp_path / "elsewhere"
    out.mkdir()
    done = clearwell("backup", "--log", living[1], "--out", out / "copy.db")
    assert done.status == 0, done.stderr
    assert "checked and sound" in done.stdout
    assert [one.name for one in out.iterdir()] == ["copy.db"]
    assert (out / "copy.db").stat().st_mode & 0o777 == 0o600
    assert readings_in(out / "copy.db") == [*BLOCKED, *WAITING]
    with Reader(out / "copy.db") as reader:
        assert reader.check() == ["ok"]
        assert [row.stamp.sequence for row in reader.events(0, ALWAYS)] == [100_000 + HOUR + 600]
    assert look_only(out / "copy.db", None).state["latched.barrel"] == b'{"a trip": 1}'
    # Not in the write-ahead mode, which would need files beside it.
    assert sqlite3.connect(out / "copy.db").execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_the_daemons_commits_go_through_while_the_copy_is_made_and_are_not_in_it(
    living: tuple[Log, Path, Path], tmp_path: Path
) -> None:
    log, path, spill = living
    # Some megabytes, so that it takes many pieces.
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE ballast (body BLOB)")
    connection.executemany("INSERT INTO ballast VALUES (?)", ((os.urandom(60_000),) for _ in range(60)))
    connection.commit()
    connection.close()
    committed: list[bool] = []

    def between(fraction: float) -> None:
        log.append(alarm(HOUR + 700 + len(committed)))
        committed.append(log.settle().result(20))

    duplicate(path, spill, tmp_path / "copy.db", progress=between)
    assert len(committed) > 10
    assert all(committed), "an alarm could not be committed while a backup was made"
    assert faults_in(tmp_path / "copy.db") == []
    with Reader(tmp_path / "copy.db") as reader:
        assert [row.stamp.sequence for row in reader.events(0, ALWAYS)] == [100_000 + HOUR + 600]
    with Reader(path) as reader:
        assert len(list(reader.events(0, ALWAYS))) == 1 + len(committed)


def test_what_is_there_is_replaced_only_when_forced_and_the_log_never(
    living: tuple[Log, Path, Path], tmp_path: Path
) -> None:
    out = tmp_path / "copy"
    out.write_text("dear to somebody")
    done = clearwell("backup", "--log", living[1], "--out", out)
    assert (done.status, out.read_text()) == (2, "dear to somebody")
    assert "--force" in done.stderr
    assert clearwell("backup", "--log", living[1], "--out", out, "--force").status == 0
    assert readings_in(out) == [*BLOCKED, *WAITING]
    done = clearwell("backup", "--log", living[1], "--out", living[1], "--force")
    assert done.status == 2
    assert "that is the log itself" in done.stderr


def test_a_disk_that_fills_leaves_nothing_half_done(living: tuple[Log, Path, Path], tmp_path: Path) -> None:
    out = tmp_path / "copy.db"
    done = subprocess.run(
        [sys.executable, "-m", "bridge", "backup", "--log", str(living[1]), "--out", str(out)],
        cwd=ROOT, capture_output=True, text=True, check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (8192, 8192)),
    )  # fmt: skip
    assert done.returncode == 1
    assert "cannot be written" in done.stderr
    assert "nothing was left there" in done.stderr
    assert not [one for one in tmp_path.iterdir() if "copy.db" in one.name]


def test_a_damaged_log_gives_no_backup(living: tuple[Log, Path, Path], tmp_path: Path) -> None:
    log, path, _ = living
    assert log.settle(blocks=True).result(20)
    log.close(20)
    content = bytearray(path.read_bytes())
    content[5 * 1024 : 9 * 1024] = os.urandom(4 * 1024)
    path.write_bytes(content)
    done = clearwell("backup", "--log", path, "--out", tmp_path / "copy.db")
    assert done.status != 0
    assert "damaged" in done.stderr
    assert not (tmp_path / "copy.db").exists()


# --- the way back ---------------------------------------------------------------------------------------


@pytest.fixture
def backup(living: tuple[Log, Path, Path], configuration: Path, tmp_path: Path) -> Path:
    """A backup of the living log, with a calibration; the log goes on after it."""
    append(tmp_path / "clearwell-calibration.toml", calibration(0.1003))
    out = tmp_path / "backup.db"
    done = clearwell("backup", configuration, "--out", out)
    assert done.status == 0, done.stderr
    return out


def calibration(constant: float) -> CalibrationTable:
    return CalibrationTable.model_validate(
        {
            "reservoir": "barrel", "cell": "product", "made": "2025-04-01T10:00:00Z", "standard": "84",
            "temperature_c": 24.9, "cell_constant_per_cm": constant, "offset_us": 0.0,
            "cell_constant_percent": 0.6, "before_cell_constant_per_cm": 0.1, "before_offset_us": 0.0,
            "configured_cell_constant_per_cm": 0.1,
        },
        strict=False,
    )  # fmt: skip


def set_aside(folder: Path) -> list[str]:
    return sorted(one.name for one in folder.iterdir() if ".before-restore-" in one.name)


def test_a_log_that_a_daemon_holds_is_not_touched(
    living: tuple[Log, Path, Path], backup: Path, configuration: Path, tmp_path: Path
) -> None:
    done = clearwell("restore", backup, configuration)
    assert done.status == 1
    assert "Stop the daemon first" in done.stderr
    assert set_aside(tmp_path) == []
    living[0].append(alarm(HOUR + 900))
    assert living[0].settle().result(20)


def test_the_present_log_is_set_aside_whole_and_what_is_latched_now_stays_latched(
    living: tuple[Log, Path, Path], backup: Path, configuration: Path, tmp_path: Path
) -> None:
    log, path, spill = living
    log.append(*(barrel(second) for second in LATER))
    log.append(alarm(HOUR + 901), state={"latched.barrel": b'{"another trip": 1}'})
    assert log.settle().result(20)
    log.close(20)
    done = clearwell("restore", backup, configuration)
    assert done.status == 0, done.stderr
    assert "was taken over from that log" in done.stdout
    assert readings_in(path) == [*BLOCKED, *WAITING]
    assert look_only(path, None).state["latched.barrel"] == b'{"another trip": 1}'
    (name,) = set_aside(tmp_path)
    assert name in done.stdout
    assert readings_in(tmp_path / name) == [*BLOCKED, *WAITING, *LATER]
    assert backup.exists()
    # The daemon goes on from it.
    again = Log(path, spill=spill)
    assert again.start().result(20).state["latched.barrel"] == b'{"another trip": 1}'
    again.append(barrel(2 * HOUR, boot=9))
    assert again.settle(blocks=True).result(20)
    again.close(20)
    # A second time nothing of the first is overwritten.
    assert clearwell("restore", tmp_path / name, configuration).status == 0
    assert len(set_aside(tmp_path)) == 2
    assert readings_in(path) == [*BLOCKED, *WAITING, *LATER]


def test_what_a_killed_daemon_left_waiting_goes_with_its_own_log(
    backup: Path, configuration: Path, tmp_path: Path
) -> None:
    """Left where it was, the next daemon would write it into the log that was restored."""
    (tmp_path / "living").mkdir()
    log = Log(tmp_path / "living" / "clearwell.db", spill=tmp_path / "living" / "clearwell.db.spill")
    log.start().result(20)
    log.append(*(barrel(second) for second in range(100)))
    assert log.settle().result(20)
    # What lies there at this moment is what a process leaves that is killed at it.
    shutil.copytree(tmp_path / "living", tmp_path / "killed")
    log.close(20)
    config = configuration.with_name("killed.toml")
    config.write_text(configuration.read_text().replace('"clearwell.db"', '"killed/clearwell.db"'))
    assert clearwell("restore", backup, config).status == 0
    names = set_aside(tmp_path / "killed")
    assert [name.partition(".before")[2][-6:] for name in names if name.endswith(".spill")] == [".spill"]
    aside = tmp_path / "killed" / next(name for name in names if name + ".spill" in names)
    with Reader(aside, aside.with_name(aside.name + ".spill")) as reader:
        assert len(list(reader.readings("barrel", 0, ALWAYS))) == 100
    assert not (tmp_path / "killed" / "clearwell.db.spill").exists()


@pytest.mark.parametrize("hub", ['[hub]\nhost = "localhost"', ""], ids=["with a hub", "without one"])
def test_where_no_log_tells_what_is_latched_nothing_is_filled_before_somebody_has_looked(
    backup: Path, configured: Callable[..., Path], tmp_path: Path, hub: str
) -> None:
    """Without a hub nobody could release a hold, so there a sentence has to do."""
    from bridge.config.loading import load
    from bridge.station import saved

    (tmp_path / "new").mkdir()
    config = configured(hub=hub, log="new/clearwell.db")
    (tmp_path / "clearwell-calibration.toml").unlink()
    done = clearwell("restore", backup, config)
    assert done.status == 0, done.stderr
    assert ("filling is on hold" in done.stdout) == bool(hub)
    assert "is not known" in done.stdout
    kept = look_only(tmp_path / "new" / "clearwell.db", None).state
    limits = load(config, {}).stations[0].limits
    moment = saved.Moment(0.0, START_MS / 1000)
    if hub:
        assert saved.guard_state(kept["latched.barrel"], None, limits, moment).hold
    # One file is enough: the calibration comes along.
    made = history(tmp_path / "new" / "clearwell-calibration.toml")
    assert [one.cell_constant_per_cm for one in made] == [0.1003]
    assert load(config, {}).stations[0].product.chain.cell.constant_per_cm == 0.1003


def older(path: Path) -> None:
    """A log as the first program wrote it, by that program's own statements."""
    connection = sqlite3.connect(path)
    connection.executescript(MIGRATIONS[0] + "PRAGMA user_version = 1;")
    rows = [measured(barrel(second)) for second in range(100)]
    connection.execute("INSERT INTO reservoir VALUES (1, 'barrel')")
    block = (block_id(hour_of(START_MS), 1, 0), rows[-1].utc_ms, packed(rows))
    connection.execute("INSERT INTO block VALUES (?, 1, 99, ?, 100, ?)", block)
    body = '{"event":"fill-began","sentence":"The level fell."}'
    key = entry_floor(START_MS + 100_000)
    connection.execute("INSERT INTO entry VALUES (?, 1, 100, 'event', 'barrel', ?)", (key, body))
    connection.execute("INSERT INTO state VALUES ('latched.barrel', x'7b7d')")
    connection.commit()
    connection.close()


def test_a_backup_of_an_older_program_is_brought_up_to_date_when_the_daemon_starts(
    configuration: Path, tmp_path: Path
) -> None:
    path = tmp_path / "clearwell.db"
    older(path)
    out = tmp_path / "older.db"
    done = clearwell("backup", configuration, "--out", out)
    assert done.status == 0, done.stderr
    # Not brought up to date by the way: the older program can still be installed again.
    assert sqlite3.connect(out).execute("PRAGMA user_version").fetchone() == (1,)
    path.unlink()
    done = clearwell("restore", out, configuration)
    assert done.status == 0, done.stderr
    assert sqlite3.connect(path).execute("PRAGMA user_version").fetchone() == (1,)
    log = Log(path, spill=None)
    assert log.start().result(20).state == {"latched.barrel": b"{}"}
    assert log.close(20)
    assert sqlite3.connect(path).execute("PRAGMA user_version").fetchone() == (LAYOUT,)
    assert readings_in(path) == list(range(100))
    with Reader(path) as reader:
        assert [row.event for row in reader.events(0, ALWAYS)] == ["fill-began"]  # type: ignore[union-attr]
        assert reader.check() == ["ok"]


def test_what_is_no_sound_log_of_ours_changes_nothing(
    living: tuple[Log, Path, Path], backup: Path, configuration: Path, tmp_path: Path
) -> None:
    living[0].close(20)
    newer, damaged, stranger = tmp_path / "newer.db", tmp_path / "damaged.db", tmp_path / "stranger.db"
    newer.write_bytes(backup.read_bytes())
    with sqlite3.connect(newer) as connection:
        connection.execute(f"PRAGMA user_version = {LAYOUT + 1}")
    damaged.write_bytes(backup.read_bytes()[:-6000])
    stranger.write_text("not a database at all, and long enough to be looked at " * 20)
    sentences = {
        newer: (1, f"layout {LAYOUT + 1}"),
        damaged: (2, "damaged"),
        stranger: (2, "no log"),
        tmp_path / "nothing.db": (2, "there is no such file"),
        living[1]: (2, "that is the present log itself"),
    }
    before = living[1].read_bytes()
    for file, (status, said) in sentences.items():
        done = clearwell("restore", file, configuration)
        assert (done.status, said in done.stderr, "Traceback" in done.stderr) == (status, True, False), done
    assert living[1].read_bytes() == before
    assert set_aside(tmp_path) == []


def test_a_running_daemon_is_backed_up_and_goes_on_and_starts_again_from_the_backup(
    rig: Path, start: Start, configured: Callable[..., Path], tmp_path: Path
) -> None:
    config = configured(port=rig)
    runtime = tmp_path / "runtime"
    runtime.mkdir()
    daemon = start("run", "--config", config, RUNTIME_DIRECTORY=str(runtime))
    daemon.has_printed('"event": "controller-hello"')
    done = clearwell("backup", config, "--out", tmp_path / "b.db", RUNTIME_DIRECTORY=str(runtime))
    assert done.status == 0, done.stderr
    with Reader(tmp_path / "b.db") as reader:
        assert any(getattr(row, "event", "") == "bridge-started" for row in reader.events(0, ALWAYS))
    # Also to somebody who does not know where the daemon keeps its lock.
    assert clearwell("restore", tmp_path / "b.db", config).status == 1
    assert daemon.process.poll() is None
    daemon.stop()
    assert clearwell("restore", tmp_path / "b.db", config).status == 0
    again = start("run", "--config", config, RUNTIME_DIRECTORY=str(runtime))
    again.has_printed('"event": "controller-hello"')
    again.stop()
    assert "log-" not in again.printed
