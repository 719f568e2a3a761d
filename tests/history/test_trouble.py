"""A full disk, or a locked, read-only, damaged or too new file: the log reports it and loses no alarm."""

import queue
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import InputError, LogError
from bridge.guard.model import Trip
from bridge.history.opening import LogFault, LogTrouble
from bridge.history.reader import Reader
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CommandRow,
    EventRow,
    Kind,
    Row,
    Stamp,
    StateRow,
)
from bridge.history.waiting import LogSettings
from bridge.history.writer import Log
from tests.running import run
from tests.waiting import DEADLINE_S

ROOT = Path(__file__).parents[2]
ALWAYS = 2**50
LATCHED = StateRow("latched", 1, '["overflow"]')
HOLD = StateRow("hold", 1, "true")


class Told:
    """Collects the reports of the log in order, and waits for the next one."""

    def __init__(self) -> None:
        self.all: list[LogTrouble | None] = []
        self._changed = threading.Condition()

    def __call__(self, trouble: LogTrouble | None) -> None:
        with self._changed:
            self.all.append(trouble)
            self._changed.notify_all()

    def wait_for(self, count: int) -> list[LogFault | None]:
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.all) >= count, DEADLINE_S), f"only told {self.all}"
        return [None if one is None else one.fault for one in self.all]


@pytest.fixture
def told() -> Told:
    return Told()


Opener = Callable[..., Log]


@pytest.fixture
def opener(tmp_path: Path, told: Told) -> Iterator[Opener]:
    logs: list[Log] = []

    def make(path: Path = tmp_path / "log.db", **more: Any) -> Log:
        log = Log(path, on_trouble=told, retry_s=0.05, **more)
        logs.append(log)
        return log

    yield make
    for log in logs:
        log.close()


def alarm(number: int, boot: int = 1) -> AlarmRow:
    stamp = Stamp(boot, number, 1_750_003_200_000 + 1000 * number)
    return AlarmRow(stamp, "barrel", Trip.OVERFLOW, AlarmChange.RAISED, f"The float rose, number {number}.")


def alarms_in(path: Path) -> list[int]:
    with Reader(path) as reader:
        assert reader.check() == ["ok"]
        return [row.stamp.sequence for row in reader.events(0, ALWAYS, kinds=[Kind.ALARM])]


def _answer(answers: "queue.Queue[tuple[int, bool]]", number: int, ok: bool) -> None:
    answers.put((number, ok))


def pragma(log: Log, text: str) -> None:
    """Makes the connection of the log fail. A new connection is sound again."""
    log._file.store.connection.execute(f"PRAGMA {text}")  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("broken", "fault"), [("max_page_count = 1", LogFault.FULL), ("query_only = ON", LogFault.READ_ONLY)]
)
def test_a_file_that_cannot_be_written_is_reported_and_its_rows_are_written_later(
    opener: Opener, told: Told, tmp_path: Path, broken: str, fault: LogFault
) -> None:
    log = opener()
    log.start().result(DEADLINE_S)
    assert log.flush().result(DEADLINE_S)
    pragma(log, broken)
    for number in range(50):
        log.write([alarm(number), LATCHED], durable=True)
    assert told.wait_for(2)[:2] == [fault, None]
    assert log.flush().result(DEADLINE_S)
    assert alarms_in(tmp_path / "log.db") == list(range(50))
    assert "log.db" in str(told.all[0])


def test_a_full_disk_raises_no_error_in_the_caller_and_loses_no_alarm(tmp_path: Path) -> None:
    """A limit on the size of files simulates the full disk. Later the test removes the limit."""
    script = """
import resource, sys
from pathlib import Path
from bridge.history.writer import Log
from tests.history.test_trouble import Told, alarm
from tests.waiting import DEADLINE_S
told = Told()
log = Log(Path(sys.argv[1]), on_trouble=told, retry_s=0.05)
log.start().result(DEADLINE_S)
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, resource.RLIM_INFINITY))
for number in range(1000):
    log.write([alarm(number)], durable=True)
    if number % 100 == 0: log.flush().result(DEADLINE_S)
faults = told.wait_for(1)
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
print(log.flush().result(DEADLINE_S), faults[0].value, log.close(DEADLINE_S))
"""
    done = run(sys.executable, "-c", script, tmp_path / "log.db", cwd=ROOT)
    said = done.stdout.split()
    assert said in (["True", "log-disk-full", "True"], ["True", "log-unusable", "True"]), done.stderr
    assert alarms_in(tmp_path / "log.db") == list(range(1000))


def test_an_entry_that_a_full_disk_refuses_is_not_said_to_wait(tmp_path: Path) -> None:
    """Only the daemon has readings in memory. A command that ends keeps nothing."""
    script = """
import resource, sys
from dataclasses import replace
from pathlib import Path
from bridge.errors import LogError
from bridge.history.writer import add
from tests.history.test_trouble import alarm
add(Path(sys.argv[1]), lambda stamp: replace(alarm(1), stamp=stamp))
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, resource.RLIM_INFINITY))
try:
    add(Path(sys.argv[1]), lambda stamp: replace(alarm(2), stamp=stamp))
except LogError as error:
    print(error)
"""
    done = run(sys.executable, "-c", script, tmp_path / "log.db", cwd=ROOT)
    assert "Nothing was written." in done.stdout, done.stderr
    assert "memory" not in done.stdout
    assert len(alarms_in(tmp_path / "log.db")) == 1


def test_a_locked_file_is_reported_and_written_when_it_is_free(
    opener: Opener, told: Told, tmp_path: Path
) -> None:
    log = opener()
    log.start().result(DEADLINE_S)
    other = sqlite3.connect(tmp_path / "log.db", isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    log.write([alarm(1)], durable=True)
    assert told.wait_for(1) == [LogFault.LOCKED]
    other.execute("ROLLBACK")
    assert told.wait_for(2) == [LogFault.LOCKED, None]
    assert log.flush().result(DEADLINE_S)
    assert alarms_in(tmp_path / "log.db") == [1]


def test_two_bridges_cannot_write_the_same_log(opener: Opener, told: Told) -> None:
    first, second = opener(), opener(timeout_s=0.1)
    assert first.start().result(DEADLINE_S).complete
    second.start().result(DEADLINE_S)
    assert told.wait_for(1) == [LogFault.LOCKED]
    assert "Another bridge" in str(told.all[0])


def test_a_closed_log_leaves_no_file_beside_it(opener: Opener, tmp_path: Path) -> None:
    log = opener()
    assert log.start().result(DEADLINE_S).complete
    log.write([alarm(1)], durable=True)
    assert log.flush().result(DEADLINE_S)
    log.close(DEADLINE_S)
    assert [one.name for one in tmp_path.iterdir()] == ["log.db"]


def test_a_folder_that_cannot_be_created_does_not_stop_the_caller(
    opener: Opener, told: Told, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("no folder")
    log = opener(tmp_path / "file" / "log.db", timeout_s=0.2)
    opened = log.start().result(DEADLINE_S)
    assert not opened.complete, "nobody knows what was latched"
    log.write([alarm(1)], durable=True)
    assert told.wait_for(1) == [LogFault.UNUSABLE]
    assert not log.flush().result(DEADLINE_S)


def test_a_file_that_is_no_log_is_kept_under_another_name_and_a_new_log_begins(
    opener: Opener, told: Told, tmp_path: Path
) -> None:
    rubbish = b"this is not a database, it only sits where one was" * 100
    (tmp_path / "log.db").write_bytes(rubbish)
    log = opener()
    opened = log.start().result(DEADLINE_S)
    assert not opened.complete, "what was latched is not known"
    log.write([alarm(opened.boot)], durable=True)
    assert log.flush().result(DEADLINE_S)
    aside = list(tmp_path.glob("log.db.damaged-*"))
    assert [path.read_bytes() for path in aside] == [rubbish]
    assert told.wait_for(2) == [LogFault.CORRUPTED, None]
    assert aside[0].name in str(told.all[0])
    assert alarms_in(tmp_path / "log.db") == [1]


def damage(path: Path, table: str) -> None:
    """Overwrites the first page of a table."""
    connection = sqlite3.connect(path)
    page = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()[0]
    size = connection.execute("PRAGMA page_size").fetchone()[0]
    connection.close()
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\x5a" * size)


def test_the_latched_state_of_a_damaged_log_is_kept(opener: Opener, told: Told, tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    before = opener()
    before.start().result(DEADLINE_S)
    before.write([alarm(1), LATCHED, HOLD], durable=True)
    assert before.close(DEADLINE_S)
    damage(path, "alarm")
    damaged = path.read_bytes()
    log = opener()
    opened = log.start().result(DEADLINE_S)
    assert opened.complete
    assert opened.state == {"latched": LATCHED, "hold": HOLD}
    assert log.close(DEADLINE_S)
    assert [aside.read_bytes() for aside in tmp_path.glob("log.db.damaged-*Z")] == [damaged]
    again = opener()
    assert again.start().result(DEADLINE_S).state == {"latched": LATCHED, "hold": HOLD}


def test_a_log_damaged_during_writing_is_replaced_and_the_state_is_kept(
    opener: Opener, told: Told, tmp_path: Path
) -> None:
    path = tmp_path / "log.db"
    log = opener()
    log.start().result(DEADLINE_S)
    log.write([alarm(1), LATCHED], durable=True)
    assert log.flush().result(DEADLINE_S)
    other = sqlite3.connect(path)
    other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    other.close()
    damage(path, "alarm")
    pragma(log, "cache_size = 0")
    pragma(log, "shrink_memory")
    log.write([alarm(2)], durable=True)
    told.wait_for(2)
    assert log.flush().result(DEADLINE_S)
    assert len(list(tmp_path.glob("log.db.damaged-*Z"))) == 1
    assert alarms_in(path) == [2]
    assert log.close(DEADLINE_S)
    assert opener().start().result(DEADLINE_S).state == {"latched": LATCHED}


def test_a_newer_log_is_not_changed(opener: Opener, told: Told, tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    connection = sqlite3.connect(path)
    connection.executescript("CREATE TABLE later (x); PRAGMA user_version = 99;")
    connection.close()
    before = path.read_bytes()
    log = opener(timeout_s=0.2)
    assert not log.start().result(DEADLINE_S).complete
    assert told.wait_for(1) == [LogFault.NEWER]
    assert not log.close(DEADLINE_S)
    assert path.read_bytes() == before
    with pytest.raises(LogError, match="newer program"):
        Reader(path)


def test_pending_rows_are_refused_at_once_and_kept_in_order(
    opener: Opener, told: Told, tmp_path: Path
) -> None:
    """An alert waits for the disk, but not while the disk has a fault."""
    log = opener()
    log.start().result(DEADLINE_S)
    other = sqlite3.connect(tmp_path / "log.db", isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    answers: queue.Queue[tuple[int, bool]] = queue.Queue()
    for number in range(3):
        log.write([alarm(number)], durable=True, done=partial(_answer, answers, number))
    assert [answers.get(timeout=DEADLINE_S) for _ in range(3)] == [(0, False), (1, False), (2, False)]
    other.execute("ROLLBACK")
    log.write([alarm(3)], durable=True)
    assert told.wait_for(2) == [LogFault.LOCKED, None]
    assert log.flush().result(DEADLINE_S)
    assert alarms_in(tmp_path / "log.db") == [0, 1, 2, 3]
    assert answers.empty(), "each is answered once"


def test_without_write_access_the_oldest_readings_are_dropped_and_no_alarm(
    opener: Opener, told: Told, tmp_path: Path, make_reading: Callable[[int], Row]
) -> None:
    log = opener(settings=LogSettings(most_waiting=100, most_entries=10))
    log.start().result(DEADLINE_S)
    other = sqlite3.connect(tmp_path / "log.db", isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    for second in range(250):
        log.write([make_reading(second)])
    for n in range(8):
        stamp = Stamp(1, 1000 + n, 1_750_003_700_000 + n)
        log.write(
            [
                alarm(2000 + n),
                CommandRow(stamp, "barrel", "open", "stranger", False, "Not allowed."),
                EventRow(stamp, "barrel", "hub-lost", "The broker is away."),
                StateRow("counter", 1, str(n)),
            ]
        )
    assert not log.flush().result(DEADLINE_S)
    # The first flush has found the trouble. The rows are bounded before the second one fails.
    assert not log.flush().result(DEADLINE_S)
    other.execute("ROLLBACK")
    assert log.flush().result(DEADLINE_S) or log.close(DEADLINE_S)
    assert log.close(DEADLINE_S)
    assert log.figures.lost_readings == 150
    with Reader(tmp_path / "log.db") as reader:
        assert [r.stamp.sequence for r in reader.readings("barrel", 0, ALWAYS)] == list(range(150, 250))
        kinds = [type(row) for row in reader.events(0, ALWAYS)]
        assert reader.state()["counter"].text == "7"
    assert kinds.count(AlarmRow) == 8
    assert EventRow not in kinds


def test_the_queue_is_bounded_while_the_thread_waits_for_the_disk(
    tmp_path: Path, make_reading: Callable[[int], Row]
) -> None:
    log = Log(tmp_path / "log.db", settings=LogSettings(most_waiting=10))
    row = make_reading(1)
    for _ in range(25_000):
        log.write([row])
    assert log.figures.queued < 10_000
    assert log.figures.queued + log.figures.lost_readings == 25_000


def test_a_reader_reports_the_fault_of_a_file(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="cannot be used"):
        Reader(tmp_path / "none.db")
    log = Log(tmp_path / "log.db")
    log.start().result(DEADLINE_S)
    assert log.close(DEADLINE_S)
    with Reader(tmp_path / "log.db") as reader, pytest.raises(InputError, match="no reservoir 'tub'"):
        list(reader.readings("tub", 0, 1))
