"""The log in use: writing, reading, a restart, a kill, a power cut."""

import asyncio
import csv
import io
import shutil
import sqlite3
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.errors import LogError
from bridge.guard.model import Advisory, Flow, Trip
from bridge.history.export import (
    Grain,
    Wanted,
    export_csv,
    export_events_csv,
    export_events_senml,
    export_senml,
)
from bridge.history.opening import open_for_writing
from bridge.history.reader import Reader
from bridge.history.records import (
    KINDS,
    AlarmChange,
    AlarmRow,
    CalibrationRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    EventRow,
    FillRow,
    ForecastRow,
    Kind,
    Litres,
    LitresRow,
    MinuteRow,
    ReadingRow,
    Row,
    SampleRow,
    Series,
    Stamp,
    StateRow,
    UndoRow,
)
from bridge.history.rollup import HOUR_MS, MINUTE_MS, RollUp
from bridge.history.senml import pack, parse
from bridge.history.store import Store
from bridge.history.views import entry, utc_text
from bridge.history.writer import Log, add
from bridge.report.incidents import alarm_lives
from tests.history.conftest import MakeReading
from tests.waiting import DEADLINE_S

ALWAYS = 2**50


def write(path: Path, *rows: Sequence[Row]) -> None:
    """Writes rows to a log and closes it."""
    log = Log(path)
    log.start().result(DEADLINE_S)
    for some in rows:
        log.write(some)
    assert log.close(DEADLINE_S)


def one_of_each(start_ms: int) -> list[EntryRow]:
    at = [Stamp(1, 100 + n, start_ms + 500_000 + n) for n in range(10)]
    return [
        EventRow(at[0], "", "clock-stepped", "The clock was set back by 3600 s."),
        AlarmRow(
            at[1], "barrel", Trip.PRODUCT_OVER_LIMIT, AlarmChange.RAISED, "Over 50 ppm.", first_out=True
        ),
        CommandRow(at[2], "barrel", "open", "stranger", False, "No command opens the valve."),
        CartridgeRow(at[3], "barrel", "second", 812.5, 251.0, "gardener"),
        CalibrationRow(at[4], "barrel", "product", 1.003, 0.02, 1411.2, 24.9, 1.1, "after cleaning"),
        SampleRow(
            at[5], "barrel", "rain", 18.2, 9.1, 0.3, 0.5, 17.5, "natural", "suitable", "", None, "pen", 0.25
        ),
        FillRow(at[6], "barrel", start_ms, 81.0, 1.5, 6.2, "interrupted", start_ms + 400_000),
        LitresRow(at[7], "shed", Litres.PUT, 25.0, "bought", start_ms),
        ForecastRow(at[8], "barrel", 900.0, 700.0, 1200.0, 41.0, 30.0, 60.0, False, 9.5, "its rating"),
        UndoRow(at[9], "barrel", "sample", start_ms, "a slip of the pen"),
    ]


def test_every_kind_of_row_is_read_back_unchanged(
    tmp_path: Path, make_reading: MakeReading, start_ms: int
) -> None:
    log = Log(tmp_path / "log.db")
    log.start().result(DEADLINE_S)
    rows = [make_reading(second) for second in range(100)]
    entries = one_of_each(start_ms)
    assert {type(row) for row in entries} == set(KINDS)
    log.write([*rows, *entries])
    assert log.flush().result(DEADLINE_S)
    for closed in (False, True):
        if closed:
            assert log.close(DEADLINE_S)
        with Reader(tmp_path / "log.db") as reader:
            assert list(reader.events(0, ALWAYS)) == entries
            assert list(reader.events(0, ALWAYS, kinds=[Kind.SAMPLE, Kind.FILL])) == entries[5:7]
            assert list(reader.events(0, ALWAYS, reservoir="")) == entries[:1]
            assert list(reader.events(start_ms + 500_002, start_ms + 500_004)) == entries[2:4]
            assert reader.earlier(ALWAYS, [Kind.ALARM, Kind.FILL], "barrel", 10) == [entries[1], entries[6]]
            back = list(reader.readings("barrel", 0, ALWAYS))
            for was, now in zip(rows, back, strict=True):
                assert (now.stamp, now.path, now.health) == (was.stamp, was.path, was.health)
                assert now.values == pytest.approx(was.values, rel=1e-6)
            assert reader.reservoirs() == ["barrel"]
            assert reader.span_ms() == (start_ms, entries[-1].stamp.utc_ms)


def test_a_restart_restores_the_state_and_counts_the_session(tmp_path: Path, start_ms: int) -> None:
    for session in (1, 2, 3):
        log = Log(tmp_path / "log.db")
        opened = log.start().result(DEADLINE_S)
        assert (opened.boot, opened.complete) == (session, True)
        if session > 1:
            assert {key: row.text for key, row in opened.state.items()} == {
                "latched": '["overflow"]',
                "volume": str(session - 1),
            }
            assert opened.last_utc_ms == start_ms + session - 1
        event = EventRow(Stamp(session, 0, start_ms + session), "", "started", "The bridge started.")
        log.write([event, StateRow("latched", 1, '["overflow"]')], durable=True)
        log.write([StateRow("volume", 1, str(session))])
        assert log.close(DEADLINE_S)


def test_durable_rows_and_all_earlier_rows_are_on_the_disk_when_done_is_called(
    tmp_path: Path, make_reading: MakeReading, start_ms: int
) -> None:
    """A copy of the files simulates the power cut. The commit has synchronised the write-ahead log."""
    log = Log(tmp_path / "log.db")
    log.start().result(DEADLINE_S)
    assert log.flush().result(DEADLINE_S)
    cut = threading.Event()

    def power_cut(ok: bool) -> None:
        (tmp_path / "card").mkdir()
        for ending in ("", "-wal"):
            shutil.copy(tmp_path / f"log.db{ending}", tmp_path / "card" / f"log.db{ending}")
        assert ok
        cut.set()

    log.write([make_reading(1)])
    log.write(one_of_each(start_ms)[:3], durable=True, done=power_cut)
    log.write([make_reading(2)])
    assert cut.wait(DEADLINE_S)
    with Reader(tmp_path / "card" / "log.db") as reader:
        assert reader.check() == ["ok"]
        assert next(reader.readings("barrel", 0, ALWAYS)).stamp.sequence == 1
        assert list(reader.events(0, ALWAYS)) == one_of_each(start_ms)[:3]
    assert log.close(DEADLINE_S)


def test_rows_that_are_not_durable_are_committed_in_batches(
    tmp_path: Path, make_reading: MakeReading
) -> None:
    log = Log(tmp_path / "log.db")
    log.start().result(DEADLINE_S)
    before = log.figures.commits
    done = threading.Event()
    for second in range(1000):
        log.write([make_reading(second)])
    log.write([make_reading(1000)], done=lambda ok: done.set() if ok else None)
    assert done.wait(DEADLINE_S)
    assert log.figures.commits - before <= 2
    assert log.close(DEADLINE_S)


def test_minutes_left_open_by_a_killed_process_are_made_from_its_readings(
    tmp_path: Path, make_reading: MakeReading
) -> None:
    """The test closes the store without a stop, as after a kill. The next log completes the minutes."""
    path = tmp_path / "log.db"
    store = Store(open_for_writing(path))
    rows = [make_reading(second) for second in range(0, 600, 10)]
    roll, minutes = RollUp(MINUTE_MS), []
    for row in rows[:30]:
        closed = roll.add(row.stamp.utc_ms, row.values, row.health)
        minutes += [] if closed is None else [MinuteRow("barrel", closed)]
    store.begin()
    store.add([*rows, *minutes])
    store.commit()
    store.connection.close()
    write(path)
    with Reader(path) as reader:
        found = list(reader.buckets("barrel", MINUTE_MS, 0, ALWAYS))
        (hour,) = reader.buckets("barrel", HOUR_MS, 0, ALWAYS)
    assert [bucket.count for bucket in found] == [6] * 10
    assert hour.count == 60
    volume = hour.cells[Series.VOLUME]
    assert volume is not None
    volumes = [row.volume_l for row in rows if row.volume_l is not None]
    assert (volume.least, volume.greatest) == (min(volumes), max(volumes))
    assert volume.mean == pytest.approx(sum(volumes) / len(volumes), abs=1e-3 * 10)


def test_a_minute_interrupted_by_a_restart_is_one_minute(tmp_path: Path, make_reading: MakeReading) -> None:
    path = tmp_path / "log.db"
    for seconds in (range(20), range(20, 60)):
        roll = RollUp(MINUTE_MS)
        for second in seconds:
            row = make_reading(second)
            roll.add(row.stamp.utc_ms, row.values, row.health)
        bucket = roll.close()
        assert bucket is not None
        write(path, [MinuteRow("barrel", bucket)])
    with Reader(path) as reader:
        (minute,) = reader.buckets("barrel", MINUTE_MS, 0, ALWAYS)
    assert minute.count == 60
    temperatures = [make_reading(second).values[Series.TEMPERATURE] or 0.0 for second in range(60)]
    cell = minute.cells[Series.TEMPERATURE]
    assert cell is not None
    assert (cell.least, cell.greatest) == (min(temperatures), max(temperatures))
    assert cell.mean == pytest.approx(sum(temperatures) / 60, abs=1e-3)


def test_no_call_waits_for_the_disk(tmp_path: Path, make_reading: MakeReading) -> None:
    """Another program locks the file, and the event loop continues without a delay."""

    async def run() -> int:
        log = Log(tmp_path / "log.db", retry_s=0.05)
        await asyncio.wrap_future(log.start())
        await asyncio.wrap_future(log.flush())
        other = sqlite3.connect(tmp_path / "log.db", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        turns = 0
        for second in range(200):
            log.write([make_reading(second), EventRow(Stamp(1, 1000 + second, 1), "", "e", "s")])
            log.write([StateRow("hold", 1, str(second))], durable=True)
            await asyncio.sleep(0)
            turns += 1
        other.execute("ROLLBACK")
        other.close()
        while not await asyncio.wrap_future(log.flush()):
            pass
        await asyncio.to_thread(log.close, DEADLINE_S)
        return turns

    assert asyncio.run(run()) == 200
    with Reader(tmp_path / "log.db") as reader:
        assert len(list(reader.readings("barrel", 0, ALWAYS))) == 200


def test_a_fault_of_the_program_ends_the_log_and_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[BaseException | None] = []
    ended = threading.Event()
    reported: list[bool] = []

    def hook(args: threading.ExceptHookArgs) -> None:
        seen.append(args.exc_value)
        ended.set()

    monkeypatch.setattr(threading, "excepthook", hook)
    log = Log(tmp_path / "log.db")
    log.start().result(DEADLINE_S)
    log.write(["no row"], durable=True, done=reported.append)  # type: ignore[list-item]
    assert ended.wait(DEADLINE_S)
    assert isinstance(seen[0], KeyError | AttributeError)
    assert log.trouble is not None
    assert "restart the bridge" in str(log.trouble)
    assert reported == [False]
    assert log.flush().cancelled(), "a question to a log that has ended does not wait for ever"


def test_another_process_adds_entries_while_the_daemon_runs(
    tmp_path: Path, make_reading: MakeReading, start_ms: int
) -> None:
    path = tmp_path / "log.db"
    log = Log(path)
    log.start().result(DEADLINE_S)
    log.write([make_reading(0), *one_of_each(start_ms)[:2]], durable=True)
    assert log.flush().result(DEADLINE_S)
    sample = one_of_each(start_ms)[5]
    added = add(path, lambda stamp: replace(sample, stamp=stamp), lambda stamp: replace(sample, stamp=stamp))
    later = AlarmRow(
        Stamp(1, 900, added[1].stamp.utc_ms + 1), "barrel", Trip.OVERFLOW, AlarmChange.CLEARED, "It fell."
    )
    log.write([later], durable=True)
    assert log.close(DEADLINE_S)
    with Reader(path) as reader:
        assert list(reader.events(0, ALWAYS)) == [*one_of_each(start_ms)[:2], *added, later]


def test_any_received_text_is_logged(tmp_path: Path) -> None:
    what = "open\udcff\x00 'quoted' \u00b5 " + "x" * 5000
    row = CommandRow(Stamp(1, 1, 1_750_000_000_000), "barrel", what, "\ud800", False, "No such command.")
    log = Log(tmp_path / "log.db")
    log.start().result(DEADLINE_S)
    assert log.flush().result(DEADLINE_S)
    log.write([row], durable=True)
    (parcel,) = log.parcels(1).result(DEADLINE_S)
    assert log.packs(1, "clearwell").result(DEADLINE_S) == [(parcel, pack(parcel.rows, "clearwell"))]
    assert log.close(DEADLINE_S)
    with Reader(tmp_path / "log.db") as reader, (tmp_path / "events.csv").open("w", encoding="utf-8") as out:
        assert list(reader.events(0, ALWAYS)) == list(parcel.rows)
        assert export_events_csv(reader, out, 0, ALWAYS) == 1
    (logged,) = parcel.rows
    assert isinstance(logged, CommandRow)
    assert logged.what == what.replace("\udcff", "\\udcff").replace("\x00", "\\x00")


def test_an_invalid_entry_is_an_error_that_names_the_entry() -> None:
    for kind, values in ((Kind.EVENT, {}), (Kind.ALARM, {"alarm": "x", "change": "raised", "sentence": ""})):
        with pytest.raises(LogError, match=f"kind '{kind.value}' in the log cannot be read"):
            entry(kind, Stamp(1, 1, 1), "", values)


def test_an_export_has_the_rows_of_its_range_and_reports_its_progress(
    tmp_path: Path, make_reading: MakeReading, start_ms: int
) -> None:
    rows: list[Row] = []
    for name in ("barrel", "tub"):
        roll = RollUp(MINUTE_MS)
        for second in range(0, 3 * 3600, 10):
            row = make_reading(second, reservoir=name)
            closed = roll.add(row.stamp.utc_ms, row.values, row.health)
            rows += [row] if closed is None else [MinuteRow(name, closed), row]
    minutes = [row for row in rows if isinstance(row, MinuteRow)]
    readings = sorted(
        (row for row in rows if isinstance(row, ReadingRow)), key=lambda row: (row.stamp, row.reservoir)
    )
    write(tmp_path / "log.db", minutes, readings, one_of_each(start_ms))
    wanted = Wanted(
        start_ms + HOUR_MS, start_ms + 2 * HOUR_MS, Grain.RAW, ("tub",), (Series.VOLUME, Series.TEMPERATURE)
    )
    with Reader(tmp_path / "log.db") as reader:
        progress: list[float] = []
        out = io.StringIO()
        assert export_csv(reader, out, wanted, progress.append) == 360
        table = list(csv.DictReader(io.StringIO(out.getvalue())))
        assert list(table[0]) == ["time", "reservoir", "path", "health", "volume_l", "temperature_c"]
        first = make_reading(3600)
        assert table[0]["time"] == utc_text(first.stamp.utc_ms)
        assert float(table[0]["volume_l"]) == first.volume_l
        assert table[0]["path"] == Flow.SHUT.value
        assert progress == sorted(progress)
        assert progress[-1] == 1.0

        out = io.StringIO()
        assert export_csv(reader, out, Wanted(0, ALWAYS, Grain.MINUTE)) == 2 * 180
        table = list(csv.DictReader(io.StringIO(out.getvalue())))
        assert table[0]["conductance_us_count"] == "6"
        assert float(table[0]["conductance_us_min"]) <= float(table[0]["conductance_us_mean"])

        out = io.StringIO()
        count = export_senml(reader, out, Wanted(0, ALWAYS, Grain.HOUR, ("barrel",), (Series.VOLUME,)))
        records = parse(out.getvalue())
        assert len(records) == count == 3 * 5
        assert {r.name for r in records} == {
            "clearwell/barrel/health/hour",
            *(f"clearwell/barrel/reservoir/volume/hour/{part}" for part in ("min", "mean", "max", "count")),
        }
        out = io.StringIO()
        assert export_senml(reader, out, Wanted(start_ms, start_ms, Grain.RAW)) == 0
        assert parse(out.getvalue()) == []

        out = io.StringIO()
        assert export_events_csv(reader, out, 0, ALWAYS, kinds=(Kind.COMMAND,)) == 1
        assert "No command opens the valve." in out.getvalue()
        out = io.StringIO()
        assert export_events_senml(reader, out, 0, ALWAYS) == len(parse(out.getvalue())) > 20


def test_the_changes_of_an_alarm_give_its_whole_life_cycle() -> None:
    def step(
        n: int, change: AlarmChange, sender: str = "", alarm: Trip | Advisory = Trip.OVERFLOW
    ) -> AlarmRow:
        return AlarmRow(Stamp(1, n, n), "barrel", alarm, change, "The float rose.", sender, first_out=n == 1)

    lives = alarm_lives(
        [
            step(1, AlarmChange.RAISED),
            step(2, AlarmChange.RAISED, alarm=Advisory.RESERVOIR_LOW),
            step(3, AlarmChange.ACKNOWLEDGED, "gardener"),
            step(4, AlarmChange.CLEARED_UNACKNOWLEDGED),
            step(5, AlarmChange.RESET, "gardener"),
            step(6, AlarmChange.CLEARED),
            step(7, AlarmChange.SHELVED, alarm=Advisory.RESERVOIR_LOW),
            step(8, AlarmChange.RAISED),
        ]
    )
    assert [(life.alarm, life.raised and life.raised.sequence) for life in lives] == [
        (Trip.OVERFLOW, 1), (Advisory.RESERVOIR_LOW, 2), (Trip.OVERFLOW, 8),
    ]  # fmt: skip
    first, low, second = lives
    assert (first.acknowledged_by, first.first_out) == ("gardener", True)
    assert [s and s.sequence for s in (first.acknowledged, first.cleared, first.ended)] == [3, 4, 5]
    assert low.shelved == Stamp(1, 7, 7)
    assert low.ended is None
    assert second.ended is None
