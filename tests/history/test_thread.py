"""The log's thread: what it does without being asked, and what may not wait while it is at long work."""

import shutil
import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.guard.model import Trip
from bridge.history import rest
from bridge.history.limits import LogSettings
from bridge.history.log import Log
from bridge.history.reader import Reader
from bridge.history.records import AlarmChange, AlarmRow, EventRow, Stamp
from bridge.history.rollup import HOUR_MS, MINUTE_MS
from bridge.history.spill import Part, read_spill
from bridge.history.writer import Writer

ALWAYS = 2**50
PATIENCE_S = 20


def alarm(make_reading, second: int, number: int) -> AlarmRow:  # type: ignore[no-untyped-def]
    utc_ms = make_reading(second).stamp.utc_ms + 100 + number
    return AlarmRow(
        Stamp(1, 10**6 + number, utc_ms), "barrel", Trip.OVERFLOW, AlarmChange.RAISED, f"alarm {number}"
    )


def after(work: Callable[..., None], then: Callable[[], bool]) -> tuple[Callable[..., None], threading.Event]:
    """The same work, and an event that is set when ``then`` is so after it."""
    happened = threading.Event()

    def both(*arguments: object, **options: object) -> None:
        work(*arguments, **options)
        if then():
            happened.set()

    return both, happened


def test_rows_are_safe_from_a_kill_though_nobody_asks_and_nothing_comes_after_them(
    tmp_path: Path, memory: Path, make_reading
) -> None:  # type: ignore[no-untyped-def]
    spill = memory / "spill"
    log = Log(tmp_path / "log.db", spill=spill)
    log.start().result(PATIENCE_S)
    sound = log._writer.spill

    def frames(part: Part) -> list[bytes]:
        left = read_spill(spill)
        return [payload for kind, payload in (left.frames if left else ()) if kind is part]

    for second in range(3):
        log._writer.spill, spilled = after(sound, lambda many=second + 1: len(frames(Part.READING)) == many)  # type: ignore[method-assign, misc]
        log.append(make_reading(second))
        assert spilled.wait(PATIENCE_S), "a reading stayed in the queue"
    log._writer.spill, spilled = after(sound, lambda: any(b"12 L" in one for one in frames(Part.STATE)))  # type: ignore[method-assign]
    log.remember("volume-today", b"12 L")
    assert spilled.wait(PATIENCE_S), "a counter stayed in the queue"
    log._writer.spill, spilled = after(sound, lambda: len(frames(Part.ENTRY)) == 1)  # type: ignore[method-assign]
    log.append(EventRow(Stamp(1, 9, make_reading(5).stamp.utc_ms), "", "clock-stepped", "It was set."))
    assert spilled.wait(PATIENCE_S), "an event stayed in the queue"
    assert log.close(PATIENCE_S)


def test_what_may_wait_is_committed_when_its_time_has_come_though_nothing_else_comes(
    tmp_path: Path, start_ms: int
) -> None:
    log = Log(tmp_path / "log.db", settings=LogSettings(lazy_s=0.2))
    log.start().result(PATIENCE_S)
    before = log.figures.commits
    log._writer.turn, committed = after(log._writer.turn, lambda: log.figures.commits > before)  # type: ignore[method-assign]
    log.append(EventRow(Stamp(1, 1, start_ms), "", "clock-stepped", "It was set."))
    assert committed.wait(PATIENCE_S)
    assert log.close(PATIENCE_S)


def test_an_alarm_is_on_the_disk_while_an_hour_is_still_being_packed(
    tmp_path: Path, memory: Path, make_reading, monkeypatch: pytest.MonkeyPatch
) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr(rest, "BITE_S", 0.0)
    monkeypatch.setattr(rest, "NAP_S", 0.0)
    path = tmp_path / "log.db"
    log = Log(path, spill=memory / "spill")
    log.start().result(PATIENCE_S)
    log.append(*(make_reading(second) for second in range(3600)))
    assert log.settle().result(PATIENCE_S)
    seen: list[tuple[int, int]] = []
    reader = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, check_same_thread=False)
    between = log._bites._between

    def watched() -> None:
        if not seen:
            log.append(alarm(make_reading, 3600, 1))
        between()
        seen.append(
            reader.execute(
                "SELECT (SELECT count(*) FROM entry WHERE kind = 'alarm'), (SELECT count(*) FROM block)"
            ).fetchone()
        )

    log._bites._between = watched
    log._writer.turn, packed = after(  # type: ignore[method-assign]
        log._writer.turn, lambda: reader.execute("SELECT count(*) FROM block").fetchone() == (1,)
    )
    log.append(make_reading(3600))
    assert packed.wait(PATIENCE_S)
    assert (1, 0) in seen[:-5], "the alarm had to wait for the block"
    assert log.close(PATIENCE_S)
    reader.close()


def test_a_power_cut_at_any_bite_of_the_packing_costs_nothing_that_was_committed(
    tmp_path: Path, make_reading
) -> None:  # type: ignore[no-untyped-def]
    """Readings and alarms go on coming in between, and some of them move far enough to be marked."""
    path = tmp_path / "log.db"
    cuts: list[tuple[Path, int]] = []
    bites, done = 0, False

    def come() -> None:
        nonlocal bites
        bites += 1
        if done or not writer.waiting.holding or bites % 40:
            return
        number = 3601 + len(cuts)
        writer.waiting.take_reading(make_reading(number))
        writer.waiting.take_entry(alarm(make_reading, number, bites), 0.0)
        writer.commit_now(0.0)
        cut = tmp_path / f"cut-{bites}"
        cut.mkdir()
        for ending in ("", "-wal"):
            shutil.copy(path.with_name(path.name + ending), cut / (path.name + ending))
        cuts.append((cut / path.name, len(cuts) + 1))

    writer = Writer(path, None, LogSettings(), come)
    writer.open()
    for second in range(3601):
        writer.waiting.take_reading(make_reading(second))
    marked = {one.sequence for _, one in writer.waiting.marks}
    writer.turn(0.0)
    done = True
    writer.close()
    assert len(cuts) > 5
    for dark, alarms in cuts:
        with Reader(dark) as reader:
            assert reader.check() == ["ok"]
            assert sum(1 for _ in reader.events(0, ALWAYS)) == alarms
            assert {row.stamp.sequence for row in reader.readings("barrel", 0, ALWAYS)} >= marked
    with Reader(path) as reader:
        assert [row.stamp.sequence for row in reader.readings("barrel", 0, ALWAYS)] == list(
            range(3601 + len(cuts))
        )
        assert next(reader.buckets("barrel", HOUR_MS, 0, ALWAYS)).count == 3600
        assert sum(1 for _ in reader.events(0, ALWAYS)) == len(cuts)


def test_a_controller_that_sends_fast_loses_nothing(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    """Four readings a second of one reservoir, one in five of another: blocks are full before the hour is."""
    per_s, hours = 4, 2
    writer = Writer(tmp_path / "log.db", None, LogSettings(outbox=None))
    writer.open()
    counted = {"barrel": 0, "tub": 0}
    for number in range(per_s * 3600 * hours + 1):
        second, part = divmod(number, per_s)
        row = make_reading(second)
        stamp = Stamp(1, number, row.stamp.utc_ms + 250 * part)
        name = "tub" if number % (5 * per_s) == 1 else "barrel"
        counted[name] += 1
        writer.waiting.take_reading(
            type(row)(stamp, name, row.conductance_us, row.temperature_c, volume_l=row.volume_l)
        )
        writer.turn(float(second))
        if number == per_s * 5400:
            dark = tmp_path / "cut"
            dark.mkdir()
            for ending in ("", "-wal"):
                shutil.copy(tmp_path / f"log.db{ending}", dark / f"log.db{ending}")
    assert writer.waiting.lost_readings == 0
    with Reader(dark / "log.db") as reader:
        last = [row.stamp.sequence for row in reader.readings("tub", 0, ALWAYS)]
        assert max(last) > per_s * 3600, "a full block of one reservoir took the marks of another"
    writer.close()
    with Reader(tmp_path / "log.db") as reader:
        for name, count in counted.items():
            rows = [row.stamp.sequence for row in reader.readings(name, 0, ALWAYS)]
            assert len(rows) == count
            assert rows == sorted(set(rows))
            rolled = list(reader.buckets(name, HOUR_MS, 0, ALWAYS))
            minutes = list(reader.buckets(name, MINUTE_MS, 0, ALWAYS))
            assert sum(bucket.count for bucket in rolled) == count
            assert sum(bucket.count for bucket in minutes) == count
