"""After a power cut at any moment the log opens, is sound, and has everything that was acknowledged."""

import os
import random
import re
import shutil
import sqlite3
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from bridge.history.opening import LogTrouble
from bridge.history.reader import Reader
from bridge.history.writer import Log
from tests.history.powercut.disk import ACKNOWLEDGED, Call, Disk, Kind, calls_in
from tests.history.powercut.workload import SETTINGS
from tests.running import run
from tests.waiting import DEADLINE_S

pytestmark = [pytest.mark.slow, pytest.mark.needs("gcc")]

CUTS = int(os.environ.get("CLEARWELL_POWER_CUTS", "200"))
MOST_CUTS_A_RUN = 500
STEPS = 350
ROOT = Path(__file__).parents[2]
LOG = "log.db"


@pytest.fixture(scope="module")
def shim(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shim, built from its C."""
    built = tmp_path_factory.mktemp("shim") / "shim.so"
    flags = ("-std=gnu11", "-O1", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-pthread")
    done = run("gcc", *flags, Path(__file__).parent / "powercut" / "shim.c", "-o", built)
    assert done.status == 0, done.stderr
    return built


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder in memory where there is one: the checker writes some megabytes for each cut."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        yield Path(name).resolve()


@dataclass(frozen=True, slots=True)
class Promises:
    """Everything that was acknowledged before a cut."""

    session: int = 0
    alarm: int = 0
    names: frozenset[str] = frozenset()
    """The commands and the litres."""
    rows: Mapping[int, int] = field(default_factory=dict)
    """The last sequence of each session."""

    def and_also(self, lines: Sequence[str]) -> "Promises":
        words = [line.split() for line in lines]
        rows = dict(self.rows)
        for _, session, sequence in (one for one in words if one[0] == "rows"):
            rows[int(session)] = int(sequence)
        return Promises(
            max([self.session, *(int(one[1]) for one in words if one[0] == "session")]),
            max([self.alarm, *(int(one[1]) for one in words if one[0] == "alarm")]),
            self.names | {" ".join(one) for one in words if one[0] in ("command", "litres")},
            rows,
        )


def test_power_cuts_at_every_kind_of_moment_lose_nothing_acknowledged(folder: Path, shim: Path) -> None:
    runs = max(2, -(-CUTS // MOST_CUTS_A_RUN))
    kinds: Counter[str] = Counter()
    for number in range(runs):
        chance = random.Random(number)
        if number % 4 == 0:
            begin: Mapping[str, bytes] = {}
            before = Promises()
        journal = written_by_the_bridge(folder, shim, begin, number)
        share = CUTS // runs + (number < CUTS % runs)
        for kind, files, lines in cuts(begin, journal, share, chance):
            kinds[kind] += 1
            promises = before.and_also(lines)
            found = losses(folder / "after", files, promises)
            assert found == [], f"run {number}, cut {kinds.total()}, at: {kind}"
            if chance.random() < 0.1:
                following = files, promises
        # The bridge starts on a disk after a cut, so the next cuts also hit its recovery.
        begin, before = following
    print(f"{kinds.total()} cuts: {dict(kinds.most_common())}")
    assert kinds.total() == CUTS
    assert {"written log.db", "synced log.db-wal", "unlinked log.db-wal"} <= kinds.keys()


def test_journal_rebuilds_the_files_byte_for_byte(folder: Path, shim: Path) -> None:
    journal = written_by_the_bridge(folder, shim, {}, 1)
    disk = Disk({})
    for call in journal:
        disk.do(call)
    real = {path.name: path.read_bytes() for path in (folder / "before").iterdir()}
    lines = real.pop(ACKNOWLEDGED).decode().splitlines()
    assert disk.acknowledged == lines
    assert len(lines) > STEPS / 2
    assert disk.everything() == {name: data for name, data in real.items() if not name.endswith("-shm")}


@pytest.mark.parametrize(
    ("careless", "honest"),
    [(True, True), (False, False)],
    ids=["writer that does not wait for the disk", "disk that confirms a sync and does not do it"],
)
def test_the_checker_finds_losses(folder: Path, shim: Path, careless: bool, honest: bool) -> None:
    journal = written_by_the_bridge(folder, shim, {}, 1, careless=careless)
    chance = random.Random(1)
    found = [
        losses(folder / "after", files, Promises().and_also(lines))
        for _, files, lines in cuts({}, journal, 40, chance, honest=honest)
    ]
    assert sum(one != [] for one in found) > len(found) / 4
    assert any("alarm" in loss for one in found for loss in one)


def test_power_cuts_while_a_damaged_log_is_set_aside_keep_the_latched_state(folder: Path, shim: Path) -> None:
    disk = Disk({})
    for call in written_by_the_bridge(folder, shim, {}, 2, steps=60):
        disk.do(call)
    latched = Promises().and_also(disk.acknowledged).alarm
    assert latched > 1
    begin = disk.everything()
    # The newest state stands in the ``-wal`` alone, and nobody has written this table.
    damaged = bytearray(begin[LOG])
    page = sqlite_root(folder / "before" / LOG, "calibration") - 1
    damaged[4096 * page : 4096 * (page + 1)] = b"\x5a" * 4096
    begin[LOG] = bytes(damaged)
    journal = written_by_the_bridge(folder, shim, begin, 3, steps=5)
    assert any(call.kind is Kind.RENAMED for call in journal)
    chance = random.Random(3)
    disk = Disk(begin)
    for call in journal:
        disk.do(call)
        if disk.acknowledged:
            break
        lay(folder / "after", disk.cut(chance))
        log = Log(folder / "after" / LOG, settings=SETTINGS)
        opened = log.start().result(DEADLINE_S)
        assert log.close(DEADLINE_S)
        found = opened.state.get("latched")
        assert found is not None or not opened.complete, disk.kind_of(call)
        assert found is None or int(found.text) == latched, disk.kind_of(call)


def sqlite_root(path: Path, table: str) -> int:
    """Returns the number of the first page of a table."""
    connection = sqlite3.connect(path)
    page = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()[0]
    connection.close()
    return int(page)


def written_by_the_bridge(
    folder: Path,
    shim: Path,
    begin: Mapping[str, bytes],
    seed: int,
    *,
    steps: int = STEPS,
    careless: bool = False,
) -> list[Call]:
    """Runs the workload on a disk under the shim, and returns its calls."""
    journal, before = folder / "journal", folder / "before"
    journal.unlink(missing_ok=True)
    lay(before, begin)
    done = run(
        sys.executable, "-m", "tests.history.powercut.workload", before / LOG, seed, steps,
        *(["careless"] if careless else []),
        cwd=ROOT,
        environ={
            "LD_PRELOAD": str(shim),
            "CLEARWELL_CUT_FOLDER": str(before),
            "CLEARWELL_CUT_JOURNAL": str(journal),
        },
    )  # fmt: skip
    assert done.status == 0, done.stderr
    return list(calls_in(journal))


def cuts(
    begin: Mapping[str, bytes], calls: list[Call], count: int, chance: random.Random, *, honest: bool = True
) -> Iterator[tuple[str, dict[str, bytes], list[str]]]:
    """Cuts the power at some moments, and returns the kind of each, the disk, and what was acknowledged.

    Every kind of moment is cut equally often, however rare it is. The call of the moment is on its way: its
    write is one of those that may be lost, its sync is not done.
    """
    moments: defaultdict[str, list[int]] = defaultdict(list)
    dry = Disk(begin)
    for at, call in enumerate(calls):
        dry.do(call)
        moments[dry.kind_of(call)].append(at)
    chosen = Counter(chance.choice(moments[chance.choice(sorted(moments))]) for _ in range(count))
    disk = Disk(begin, honest)
    for at, call in enumerate(calls):
        is_write = not call.kind.name.endswith("SYNCED")
        if is_write:
            disk.do(call)
        for _ in range(chosen[at]):
            yield dry.kind_of(call), disk.cut(chance), list(disk.acknowledged)
        if not is_write:
            disk.do(call)


def lay(folder: Path, files: Mapping[str, bytes]) -> None:
    """Makes a folder hold these files and no others."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, data in files.items():
        (folder / name).write_bytes(data)


def losses(folder: Path, files: Mapping[str, bytes], promises: Promises) -> list[str]:
    """Starts the bridge's log on a disk after a cut, and returns a sentence for each thing that is wrong."""
    lay(folder, files)
    path = folder / LOG
    troubles: list[LogTrouble | None] = []
    log = Log(path, settings=SETTINGS, on_trouble=troubles.append)
    opened = log.start().result(DEADLINE_S)
    wrong = [str(trouble) for trouble in troubles]
    if not log.close(DEADLINE_S) or not opened.complete:
        wrong.append("the log did not open")
    with Reader(path) as reader:
        wrong += [f"integrity: {line}" for line in reader.check() if line != "ok"]
    if opened.boot <= promises.session:
        wrong.append(f"session {opened.boot} comes after session {promises.session}")
    latched = opened.state.get("latched")
    alarm = 0 if latched is None else int(latched.text)
    if alarm < promises.alarm:
        wrong.append(f"the latched state of alarm {promises.alarm} is lost")
    connection = sqlite3.connect(path)
    alarms = [int(re.sub(r"\D", "", text)) for (text,) in connection.execute("SELECT sentence FROM alarm")]
    if alarms != list(range(1, alarm + 1)):
        wrong.append(f"the alarms are not 1 to {alarm}, the latched state")
    names = connection.execute(
        "SELECT 'command ' || command FROM command UNION SELECT 'litres ' || note FROM litres"
    )
    missing = promises.names - {name for (name,) in names}
    if missing:
        wrong.append(f"lost: {sorted(missing)}")
    rows = connection.execute(
        "SELECT session, count(*), min(sequence), max(sequence) FROM (SELECT session, sequence FROM reading "
        "UNION ALL SELECT session, sequence FROM alarm UNION ALL SELECT session, sequence FROM command) "
        "GROUP BY session"
    ).fetchall()
    wrong += [f"session {one} has gaps" for one, count, low, high in rows if (low, high) != (0, count - 1)]
    last = {session: high for session, _, _, high in rows}
    wrong += [
        f"session {one} lost rows up to {high}"
        for one, high in promises.rows.items()
        if last.get(one, -1) < high
    ]
    connection.close()
    return wrong
