"""The log as a bridge uses it: rows in, rows out, what a restart finds, and what a power cut leaves."""

import asyncio
import csv
import io
import shutil
import sqlite3
import threading
import time
from pathlib import Path

import pytest

from bridge.errors import LogError
from bridge.guard.model import Advisory, Flow, Trip
from bridge.history.entries import Kind, alarm_from, from_text, to_text
from bridge.history.export import (
    Grain,
    Wanted,
    export_csv,
    export_events_csv,
    export_events_senml,
    export_senml,
    utc_text,
)
from bridge.history.limits import LogSettings
from bridge.history.lives import alarm_lives
from bridge.history.log import Log
from bridge.history.marks import BANDS
from bridge.history.pack import resolved
from bridge.history.reader import Reader
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CalibrationRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    EventRow,
    FillRow,
    SampleRow,
    Series,
    Stamp,
)
from bridge.history.rollup import HOUR_MS, MINUTE_MS
from bridge.history.senml import pack, parse
from bridge.history.writer import Writer
from bridge.water.health import Health

ALWAYS = 2**50


def one_of_each(start_ms: int) -> list[EntryRow]:
    at = [Stamp(1, 100 + n, start_ms + 500_000 + n) for n in range(7)]
    return [
        EventRow(at[0], "", "clock-stepped", "The clock was set back by 3600 s."),
        AlarmRow(
            at[1], "barrel", Trip.PRODUCT_OVER_LIMIT, AlarmChange.RAISED, "Over 50 ppm.", first_out=True
        ),
        CommandRow(at[2], "barrel", "open", "stranger", False, "No command opens the valve."),
        CartridgeRow(at[3], "barrel", "second", 812.5, 251.0, "gardener"),
        CalibrationRow(at[4], "barrel", "product", 1.003, 0.02, 1411.2, 24.9, 1.1, "after cleaning"),
        SampleRow(at[5], "barrel", "rain", 18.2, 9.1, 0.3, 0.5, 17.5, "natural", "suitable"),
        FillRow(at[6], "barrel", start_ms, 81.0, 1.5, 6.2, "full"),
    ]


def test_every_kind_of_row_comes_back_as_it_was(
    tmp_path: Path, memory: Path, make_reading, start_ms: int
) -> None:  # type: ignore[no-untyped-def]
    log = Log(tmp_path / "log.db", spill=memory / "spill")
    log.start().result(20)
    rows = [make_reading(second) for second in range(100)]
    entries = one_of_each(start_ms)
    log.append(*rows, *entries)
    assert log.settle().result(20)
    for closed in (False, True):
        if closed:
            assert log.close(20)
        with Reader(tmp_path / "log.db", memory / "spill") as reader:
            assert list(reader.events(0, ALWAYS)) == entries
            assert list(reader.events(0, ALWAYS, kinds=[Kind.SAMPLE, Kind.FILL])) == entries[5:]
            assert list(reader.events(0, ALWAYS, reservoir="")) == entries[:1]
            assert list(reader.events(start_ms + 500_002, start_ms + 500_004)) == entries[2:4]
            back = list(reader.readings("barrel", 0, ALWAYS))
            assert [(r.stamp.sequence, r.path, r.health) for r in back] == [
                (r.stamp.sequence, r.path, r.health) for r in rows
            ]
            for was, now in zip(rows, back, strict=True):
                assert 0 <= was.stamp.utc_ms - now.stamp.utc_ms < 10
                for series in Series:
                    assert now.values[series] == resolved(series, was.values[series])
            assert reader.reservoirs() == ["barrel"]
            assert reader.span_ms()[1] == entries[-1].stamp.utc_ms
    assert not (memory / "spill").exists(), "nothing waits after a clean stop"


def test_state_is_back_after_a_restart_and_the_boot_counts(
    tmp_path: Path, memory: Path, start_ms: int
) -> None:
    for boot in (1, 2, 3):
        log = Log(tmp_path / "log.db", spill=memory / "spill")
        opened = log.start().result(20)
        assert (opened.boot, opened.complete) == (boot, True)
        if boot > 1:
            assert opened.state == {"latched": b"overflow", "volume-today": f"{boot - 1} L".encode()}
            assert opened.last_utc_ms == start_ms + boot - 1
        event = EventRow(Stamp(boot, 0, start_ms + boot), "", "started", "The bridge started.")
        log.append(event, state={"latched": b"overflow"})
        log.remember("volume-today", f"{boot} L".encode())
        assert log.close(20)


def test_nothing_the_caller_does_waits_for_the_disk(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    """Another program holds the file locked; the event loop goes on as if it were not."""

    async def run() -> int:
        log = Log(tmp_path / "log.db")
        await asyncio.wrap_future(log.start())
        other = sqlite3.connect(tmp_path / "log.db", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        written = asyncio.wrap_future(log.settle())
        turns = 0
        for second in range(200):
            log.append(make_reading(second), EventRow(Stamp(1, 1000 + second, 1), "", "e", "s"))
            log.save("hold", str(second).encode())
            await asyncio.sleep(0)
            turns += 1
        other.execute("ROLLBACK")
        other.close()
        await written
        assert await asyncio.wrap_future(log.settle())
        await asyncio.to_thread(log.close, 20)
        return turns

    assert asyncio.run(run()) == 200
    with Reader(tmp_path / "log.db") as reader:
        assert len(list(reader.readings("barrel", 0, ALWAYS))) == 200


def test_a_fault_of_the_program_itself_ends_the_log_and_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[BaseException | None] = []
    monkeypatch.setattr(threading, "excepthook", lambda args: seen.append(args.exc_value))
    log = Log(tmp_path / "log.db")
    log.start().result(20)
    log.append("no row")  # type: ignore[arg-type]
    log._thread.join(20)
    assert isinstance(seen[0], KeyError | AttributeError)
    assert log.trouble is not None
    assert "restart the bridge" in str(log.trouble)
    assert log.settle().cancelled(), "a question to a log that has ended does not wait for ever"


def power_cut(log: Path, to: Path) -> Path:
    """The files as the card has them: everything committed was synchronised, the spill in memory is gone."""
    to.mkdir()
    for ending in ("", "-wal"):
        shutil.copy(log.with_name(log.name + ending), to / (log.name + ending))
    return to / log.name


def test_after_a_power_cut_every_series_is_known_within_its_band_up_to_the_last_second(  # type: ignore[no-untyped-def]
    tmp_path: Path, make_reading
) -> None:
    writer = Writer(tmp_path / "log.db", None, LogSettings())
    writer.open()
    end = 4 * 3600 + 1800
    for second in range(0, end, 2):
        row = make_reading(second)
        writer.waiting.take_reading(row)
        writer.turn(float(second))
    dark = power_cut(tmp_path / "log.db", tmp_path / "card")
    with Reader(dark) as reader:
        assert reader.check() == ["ok"]
        known = list(reader.readings("barrel", 0, ALWAYS))
    assert [r.stamp.sequence for r in known if r.stamp.sequence < 4 * 3600] == list(range(0, 4 * 3600, 2))
    known_at = {r.stamp.sequence: r for r in known}
    last = known_at[4 * 3600 - 2]
    marks = 0
    for second in range(4 * 3600, end, 2):
        marks += second in known_at
        last = known_at.get(second, last)
        true = make_reading(second)
        assert (last.path, last.health) == (true.path, true.health)
        for series, band in BANDS.items():
            was, now = last.values[series], true.values[series]
            assert abs(now - was) <= max(band.absolute, band.relative * max(now, was)) + resolved(
                series, 0.011
            ), series
    assert 5 < marks < 60, "the fill that had begun is there in few writes"
    again = Writer(dark, None, LogSettings())
    opened = again.open()
    assert opened is not None
    assert opened.boot == 2
    again.close()
    with Reader(dark) as reader:
        assert len(list(reader.readings("barrel", 0, ALWAYS))) == len(known), "marks become readings, once"


def test_a_saved_value_that_the_spill_holds_is_not_older_than_the_file_s(
    tmp_path: Path, memory: Path
) -> None:
    """A spill left by a boot before the last one that wrote the file does not bring its values back."""
    path, spill = tmp_path / "log.db", memory / "spill"
    first = Writer(path, spill, LogSettings())
    first.open()
    first.waiting.save("latched", b"old", 0.0, urgent=False)
    first.spill()
    stale = spill.read_bytes()
    first.waiting.save("latched", b"none", 0.0, urgent=True)
    first.close()
    second = Writer(path, None, LogSettings())
    second.open()
    second.close()
    spill.write_bytes(stale)
    third = Writer(path, spill, LogSettings())
    opened = third.open()
    third.close()
    assert opened is not None
    assert opened.state == {"latched": b"none"}


def test_roll_ups_are_those_of_the_readings_finished_or_not(
    tmp_path: Path, memory: Path, make_reading
) -> None:  # type: ignore[no-untyped-def]
    writer = Writer(tmp_path / "log.db", memory / "spill", LogSettings())
    writer.open()
    for second in range(0, 3 * 3600 + 1800, 5):
        writer.waiting.take_reading(make_reading(second))
        writer.spill()
        writer.turn(float(second))
    with Reader(tmp_path / "log.db", memory / "spill") as reader:
        minutes = list(reader.buckets("barrel", MINUTE_MS, 0, ALWAYS))
        hours = list(reader.buckets("barrel", HOUR_MS, 0, ALWAYS))
        rows = list(reader.readings("barrel", 0, ALWAYS))
    assert [b.count for b in minutes] == [12] * 210
    assert [b.count for b in hours] == [720, 720, 720, 360]
    for bucket in (minutes[100], minutes[200], hours[1], hours[3]):
        inside = [r for r in rows if bucket.start_ms <= r.stamp.utc_ms < bucket.start_ms + bucket.span_ms]
        assert bucket.health is Health.GOOD
        for series in (Series.CONDUCTANCE, Series.TEMPERATURE, Series.VOLUME):
            values = [r.values[series] for r in inside]
            cell = bucket.cells[series]
            assert cell is not None
            assert (cell.least, cell.greatest, cell.count) == (min(values), max(values), len(values))
            assert cell.mean == pytest.approx(sum(values) / len(values), rel=6e-4)
    writer.close()


def test_an_export_has_the_rows_of_its_span_and_tells_how_far_it_is(
    tmp_path: Path, make_reading, start_ms: int
) -> None:  # type: ignore[no-untyped-def]
    writer = Writer(tmp_path / "log.db", None, LogSettings())
    writer.open()
    for second in range(0, 3 * 3600, 10):
        for name in ("barrel", "tub"):
            writer.waiting.take_reading(make_reading(second, reservoir=name))
        writer.turn(float(second))
    for entry in one_of_each(start_ms):
        writer.waiting.take_entry(entry, 0.0)
    writer.close()
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
        assert table[0]["time"] == utc_text(first.stamp.utc_ms // 10 * 10)
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


def test_an_alarm_s_steps_make_its_whole_life() -> None:
    def step(
        n: int, change: AlarmChange, sender: str = "", alarm: Trip | Advisory = Trip.OVERFLOW
    ) -> AlarmRow:
        return AlarmRow(Stamp(1, n, n), "barrel", alarm, change, "The float rose.", sender, first_out=n == 1)

    lives = alarm_lives(
        [
            step(1, AlarmChange.RAISED),
            step(2, AlarmChange.RAISED, alarm=Advisory.RESERVOIR_LOW),
            step(3, AlarmChange.ACKNOWLEDGED, "gardener"),
            step(4, AlarmChange.RETURNED),
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
    assert [s and s.sequence for s in (first.acknowledged, first.returned, first.ended)] == [3, 4, 5]
    assert low.shelved == Stamp(1, 7, 7)
    assert low.ended is None
    assert second.ended is None


def test_what_a_stranger_sends_is_logged_whatever_it_is(tmp_path: Path, memory: Path) -> None:
    what = "open\udcff\x00 'quoted' \u00b5 " + "x" * 5000
    row = CommandRow(Stamp(1, 1, 1_750_000_000_000), "barrel", what, "\ud800", False, "No such command.")
    log = Log(tmp_path / "log.db", spill=memory / "spill")
    log.start().result(20)
    log.append(row)
    assert log.settle().result(20)
    parcel = log.peek(1).result(20)[0]
    assert parcel.rows == (row,)
    assert log.packs(1, "clearwell").result(20) == [(parcel, pack(parcel.rows, "clearwell"))]
    pack(parcel.rows, "clearwell").encode("utf-8")
    assert log.close(20)
    with Reader(tmp_path / "log.db") as reader, (tmp_path / "events.csv").open("w", encoding="utf-8") as out:
        assert list(reader.events(0, ALWAYS)) == [row]
        assert export_events_csv(reader, out, 0, ALWAYS) == 1


def test_entries_are_read_by_older_and_newer_programs(start_ms: int) -> None:
    for row in one_of_each(start_ms):
        kind = next(k for k in Kind if k.value == type(row).__name__.removesuffix("Row").lower())
        assert from_text(kind.value, row.reservoir, row.stamp, to_text(row)) == row
        newer = to_text(row)[:-1] + ',"said_later":true}'
        assert from_text(kind.value, row.reservoir, row.stamp, newer) == row
    for kind_word, body in (("event", "{"), ("omen", "{}"), ("event", "{}"), ("alarm", '{"alarm":"x"}')):
        with pytest.raises(LogError, match="cannot be read"):
            from_text(kind_word, "", Stamp(1, 1, 1), body)
    assert alarm_from("reservoir-low") is Advisory.RESERVOIR_LOW


def test_appending_a_reading_costs_the_caller_microseconds_and_no_call_into_the_file(  # type: ignore[no-untyped-def]
    tmp_path: Path, make_reading
) -> None:
    log = Log(tmp_path / "log.db")
    row = make_reading(1)
    began = time.perf_counter()
    for _ in range(10_000):
        log.append(row)
    print(f"{(time.perf_counter() - began) * 100:.2f} µs for each append")
    assert not (tmp_path / "log.db").exists()
    assert log.figures.queued == 10_000
