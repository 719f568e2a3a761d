"""A backup is one sound file of one moment. A restore never loses a record."""

import gzip
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
from bridge.history.backup import duplicate, faults_in, layout_of, state_of
from bridge.history.opening import LAYOUT
from bridge.history.reader import Reader
from bridge.history.records import AlarmChange, AlarmRow, Stamp, StateRow
from bridge.history.writer import Log
from tests.history.conftest import START_MS, barrel
from tests.install.conftest import ROOT
from tests.running import clearwell
from tests.security.conftest import Start
from tests.waiting import DEADLINE_S

ALWAYS = 2**50
HOUR = 3600
EARLIER = range(0, HOUR + 600, 10)
LATER = range(HOUR + 600, HOUR + 900, 10)
A_TRIP = StateRow("latched.barrel", 1, '{"a trip":1}')
ANOTHER_TRIP = StateRow("latched.barrel", 1, '{"another trip":1}')


def alarm(second: int) -> AlarmRow:
    stamp = Stamp(1, 100_000 + second, START_MS + 1000 * second)
    return AlarmRow(stamp, "barrel", Trip.NO_RISE, AlarmChange.RAISED, "The level did not rise.")


@pytest.fixture
def living(tmp_path: Path) -> Iterator[tuple[Log, Path]]:
    """A log that a writer has open, with a latched trip."""
    path = tmp_path / "clearwell.db"
    log = Log(path)
    log.start().result(DEADLINE_S)
    log.write([barrel(second) for second in EARLIER])
    log.write([alarm(HOUR + 600), A_TRIP], durable=True)
    assert log.flush().result(DEADLINE_S)
    yield log, path
    log.close(DEADLINE_S)


@pytest.fixture
def configuration(configured: Callable[..., Path]) -> Path:
    return configured()


def readings_in(path: Path) -> list[int]:
    with Reader(path) as reader:
        return [row.stamp.sequence for row in reader.readings("barrel", 0, ALWAYS)]


# --- the copy -------------------------------------------------------------------------------------------


def test_one_file_holds_everything_up_to_its_moment(living: tuple[Log, Path], tmp_path: Path) -> None:
    out = tmp_path / "elsewhere"
    out.mkdir()
    done = clearwell("backup", "--log", living[1], "--out", out / "copy.db")
    assert done.status == 0, done.stderr
    assert "checked and sound" in done.stdout
    assert [one.name for one in out.iterdir()] == ["copy.db"]
    assert (out / "copy.db").stat().st_mode & 0o777 == 0o600
    assert readings_in(out / "copy.db") == [*EARLIER]
    with Reader(out / "copy.db") as reader:
        assert reader.check() == ["ok"]
        assert [row.stamp.sequence for row in reader.events(0, ALWAYS)] == [100_000 + HOUR + 600]
    assert state_of(out / "copy.db")["latched.barrel"] == A_TRIP
    # The write-ahead mode would need files beside the backup.
    assert sqlite3.connect(out / "copy.db").execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_the_daemons_commits_go_through_while_the_copy_is_made_and_are_not_in_it(
    living: tuple[Log, Path], tmp_path: Path
) -> None:
    log, path = living
    # Some megabytes, so that it takes many pieces.
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE ballast (body BLOB)")
    connection.executemany("INSERT INTO ballast VALUES (?)", ((os.urandom(60_000),) for _ in range(60)))
    connection.commit()
    connection.close()
    committed: list[bool] = []

    def between(fraction: float) -> None:
        log.write([alarm(HOUR + 700 + len(committed))], durable=True)
        committed.append(log.flush().result(DEADLINE_S))

    duplicate(path, tmp_path / "copy.db", progress=between)
    assert len(committed) > 10
    assert all(committed), "an alarm could not be committed while a backup was made"
    assert faults_in(tmp_path / "copy.db") == []
    with Reader(tmp_path / "copy.db") as reader:
        assert [row.stamp.sequence for row in reader.events(0, ALWAYS)] == [100_000 + HOUR + 600]
    with Reader(path) as reader:
        assert len(list(reader.events(0, ALWAYS))) == 1 + len(committed)


def test_an_existing_file_is_replaced_only_with_force_and_the_log_never(
    living: tuple[Log, Path], tmp_path: Path
) -> None:
    out = tmp_path / "copy"
    out.write_text("dear to somebody")
    done = clearwell("backup", "--log", living[1], "--out", out)
    assert (done.status, out.read_text()) == (2, "dear to somebody")
    assert "--force" in done.stderr
    assert clearwell("backup", "--log", living[1], "--out", out, "--force").status == 0
    assert readings_in(out) == [*EARLIER]
    done = clearwell("backup", "--log", living[1], "--out", living[1], "--force")
    assert done.status == 2
    assert "that is the log itself" in done.stderr


def test_a_full_disk_leaves_no_partial_file(living: tuple[Log, Path], tmp_path: Path) -> None:
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


def test_a_disk_without_room_is_described_in_figures_that_differ(
    living: tuple[Log, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Only the free space is invented: no test can fill the disk of the machine.
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=20_000))
    done = clearwell("backup", "--log", living[1], "--out", tmp_path / "copy.db")
    assert done.status == 1
    assert "19.5 KiB are free there" in done.stderr
    assert "0.0 MiB" not in done.stderr


def test_a_damaged_log_gives_no_backup(living: tuple[Log, Path], tmp_path: Path) -> None:
    log, path = living
    assert log.flush().result(DEADLINE_S)
    log.close(DEADLINE_S)
    content = bytearray(path.read_bytes())
    content[4096:12288] = os.urandom(8192)
    path.write_bytes(content)
    done = clearwell("backup", "--log", path, "--out", tmp_path / "copy.db")
    assert done.status != 0
    assert "damaged" in done.stderr
    assert not (tmp_path / "copy.db").exists()


# --- the way back ---------------------------------------------------------------------------------------


@pytest.fixture
def backup(living: tuple[Log, Path], configuration: Path, tmp_path: Path) -> Path:
    """A backup of the open log, with a calibration. The log continues after the backup."""
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


def test_a_log_that_a_daemon_has_open_is_not_changed(
    living: tuple[Log, Path], backup: Path, configuration: Path, tmp_path: Path
) -> None:
    done = clearwell("restore", backup, configuration)
    assert done.status == 1
    assert "Stop the daemon first" in done.stderr
    assert set_aside(tmp_path) == []
    living[0].write([alarm(HOUR + 900)], durable=True)
    assert living[0].flush().result(DEADLINE_S)


def test_the_present_log_is_kept_whole_and_latched_trips_stay_latched(
    living: tuple[Log, Path], backup: Path, configuration: Path, tmp_path: Path
) -> None:
    log, path = living
    log.write([barrel(second) for second in LATER])
    log.write([alarm(HOUR + 901), ANOTHER_TRIP], durable=True)
    assert log.flush().result(DEADLINE_S)
    log.close(DEADLINE_S)
    done = clearwell("restore", backup, configuration)
    assert done.status == 0, done.stderr
    assert "was taken over from that log" in done.stdout
    assert readings_in(path) == [*EARLIER]
    assert state_of(path)["latched.barrel"] == ANOTHER_TRIP
    (name,) = set_aside(tmp_path)
    assert name in done.stdout
    assert readings_in(tmp_path / name) == [*EARLIER, *LATER]
    assert backup.exists()
    # The daemon continues from the restored log.
    again = Log(path)
    assert again.start().result(DEADLINE_S).state["latched.barrel"] == ANOTHER_TRIP
    again.write([barrel(2 * HOUR, boot=9)])
    assert again.flush().result(DEADLINE_S)
    again.close(DEADLINE_S)
    # A second restore overwrites no file of the first.
    assert clearwell("restore", tmp_path / name, configuration).status == 0
    assert len(set_aside(tmp_path)) == 2
    assert readings_in(path) == [*EARLIER, *LATER]


def test_the_log_of_a_killed_daemon_is_kept_with_its_write_ahead_log(
    backup: Path, configuration: Path, tmp_path: Path
) -> None:
    (tmp_path / "living").mkdir()
    log = Log(tmp_path / "living" / "clearwell.db")
    log.start().result(DEADLINE_S)
    log.write([barrel(second) for second in range(100)])
    assert log.flush().result(DEADLINE_S)
    # A process that is killed at this moment leaves these files.
    shutil.copytree(tmp_path / "living", tmp_path / "killed")
    log.close(DEADLINE_S)
    config = configuration.with_name("killed.toml")
    config.write_text(configuration.read_text().replace('"clearwell.db"', '"killed/clearwell.db"'))
    assert clearwell("restore", backup, config).status == 0
    (aside,) = [tmp_path / "killed" / name for name in set_aside(tmp_path / "killed")]
    assert readings_in(aside) == list(range(100))
    assert readings_in(tmp_path / "killed" / "clearwell.db") == [*EARLIER]


@pytest.mark.parametrize("hub", ['[hub]\nhost = "localhost"', ""], ids=["with a hub", "without one"])
def test_a_restore_without_a_present_log_puts_every_fill_on_hold(
    backup: Path, configured: Callable[..., Path], tmp_path: Path, hub: str
) -> None:
    """Without a hub no command can cancel a hold, so the test expects a sentence instead."""
    from bridge.config.loading import load
    from bridge.daemon import saved_state

    (tmp_path / "new").mkdir()
    config = configured(hub=hub, log="new/clearwell.db")
    (tmp_path / "clearwell-calibration.toml").unlink()
    done = clearwell("restore", backup, config)
    assert done.status == 0, done.stderr
    assert ("filling is on hold" in done.stdout) == bool(hub)
    assert "is not known" in done.stdout
    kept = state_of(tmp_path / "new" / "clearwell.db")
    limits = load(config, {}).stations[0].limits
    moment = saved_state.Moment(0.0, START_MS / 1000)
    if hub:
        assert saved_state.guard_state(kept["latched.barrel"], None, limits, moment).hold
    # One file is enough, since it contains the calibration.
    made = history(tmp_path / "new" / "clearwell-calibration.toml")
    assert [one.cell_constant_per_cm for one in made] == [0.1003]
    assert load(config, {}).stations[0].product.chain.cell.constant_per_cm == 0.1003


def older(path: Path) -> None:
    """A log in layout 2, as its program wrote it."""
    path.write_bytes(gzip.decompress((ROOT / "tests/history/layout2/layout2.db.gz").read_bytes()))


def test_a_backup_of_an_older_program_is_migrated_when_the_daemon_starts(
    configuration: Path, tmp_path: Path
) -> None:
    path = tmp_path / "clearwell.db"
    older(path)
    out = tmp_path / "older.db"
    append(tmp_path / "clearwell-calibration.toml", calibration(0.1003))
    done = clearwell("backup", configuration, "--out", out)
    assert done.status == 0, done.stderr
    # The restore does not migrate the log, so the older program can be installed again.
    assert layout_of(out) == 2
    path.unlink()
    (tmp_path / "clearwell-calibration.toml").unlink()
    done = clearwell("restore", out, configuration)
    assert done.status == 0, done.stderr
    assert layout_of(path) == 2
    assert len(history(tmp_path / "clearwell-calibration.toml")) == 1
    log = Log(path)
    assert {"latched.barrel", "accounts.barrel", "forecast.barrel"} == set(
        log.start().result(DEADLINE_S).state
    )
    assert log.close(DEADLINE_S)
    assert layout_of(path) == LAYOUT
    with Reader(path) as reader:
        assert reader.reservoirs() == ["barrel", "polytunnel"]
        assert len(list(reader.events(0, ALWAYS))) == 12
        assert reader.check() == ["ok"]


def test_a_file_that_is_no_sound_log_is_refused_and_changes_nothing(
    living: tuple[Log, Path], backup: Path, configuration: Path, tmp_path: Path
) -> None:
    living[0].close(DEADLINE_S)
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


def test_a_running_daemon_is_backed_up_and_restarts_from_the_backup(
    rig: Path, start: Start, configured: Callable[..., Path], tmp_path: Path
) -> None:
    config = configured(port=rig)
    daemon = start("run", "--config", config)
    daemon.has_printed('"event": "controller-hello"')
    done = clearwell("backup", config, "--out", tmp_path / "b.db")
    assert done.status == 0, done.stderr
    with Reader(tmp_path / "b.db") as reader:
        assert any(getattr(row, "event", "") == "bridge-started" for row in reader.events(0, ALWAYS))
    # The check also works for a caller who does not know the path of the lock.
    assert clearwell("restore", tmp_path / "b.db", config).status == 1
    assert daemon.process.poll() is None
    daemon.stop()
    assert clearwell("restore", tmp_path / "b.db", config).status == 0
    again = start("run", "--config", config)
    again.has_printed('"event": "controller-hello"')
    again.stop()
    assert "log-" not in again.printed
