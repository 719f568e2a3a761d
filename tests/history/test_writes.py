"""How much the card has to bear, counted and not guessed.

A block is 4096 bytes, as file systems on cards have them. Every commit is synchronised, so every block that
its frames touch in the write-ahead file is written then; the copy into the log itself comes once for each
block, at a checkpoint. The journal of the file system is not counted: it depends on the file system.
"""

import sqlite3
import struct
from pathlib import Path

from bridge.guard.model import Trip
from bridge.history.entries import Kind
from bridge.history.limits import LogSettings
from bridge.history.pack import unpack_buckets, unpack_readings
from bridge.history.reader import Reader
from bridge.history.records import AlarmChange, AlarmRow, CommandRow, EventRow, Stamp
from bridge.history.rollup import HOUR_MS, MINUTE_MS
from bridge.history.schema import (
    CHECKPOINT_PAGES,
    PAGE_BYTES,
    block_id,
    entry_floor,
    hour_id,
    hour_of,
)
from bridge.history.store import Store
from bridge.history.writer import Writer

BLOCK = 4096
WAL_HEAD, FRAME_HEAD = 32, 24
HOURS = 12


def frames_written(log: Path) -> int:
    """Frames in the write-ahead file, from its index (SQLite's file format, section "WAL-Index Format")."""
    index = log.with_name(log.name + "-shm").read_bytes()
    return int(struct.unpack_from("=I", index, 16)[0])


def pages_in_wal(log: Path, frames: int) -> set[int]:
    size = FRAME_HEAD + PAGE_BYTES
    wal = log.with_name(log.name + "-wal").read_bytes()
    return {struct.unpack_from(">I", wal, WAL_HEAD + n * size)[0] for n in range(frames)}


def test_a_day_at_one_reading_a_second_writes_less_than_two_mebibytes(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    """The half of the day with the fill in it, with a command every two hours, counted twice."""
    log = tmp_path / "log.db"
    writer = Writer(log, None, LogSettings())
    writer.open()
    done, blocks, octets = frames_written(log), 0, 0
    stored, size = done, FRAME_HEAD + PAGE_BYTES
    for second in range(HOURS * 3600):
        row = make_reading(second)
        writer.waiting.take_reading(row)
        if second % 7200 == 900:
            stamp = Stamp(1, 10**6 + second, row.stamp.utc_ms + 7)
            writer.waiting.take_entry(CommandRow(stamp, "barrel", "hold", "hub", True), float(second))
        before = writer.commits
        writer.turn(float(second))
        if writer.commits != before:
            now = frames_written(log)
            first, last = WAL_HEAD + done * size, WAL_HEAD + now * size
            blocks += (last - 1) // BLOCK - first // BLOCK + 1
            octets += last - first
            done = now
    assert done - stored < CHECKPOINT_PAGES, "the count holds as long as no checkpoint came in between"
    copied = {(page - 1) * PAGE_BYTES // BLOCK for page in pages_in_wal(log, done)}
    blocks_a_year = (blocks + len(copied)) * 24 / HOURS * 365
    mebibytes_a_day = (blocks + len(copied)) * BLOCK * 24 / HOURS / 2**20
    print(f"{mebibytes_a_day:.2f} MiB a day, {blocks_a_year:.0f} blocks a year, {writer.commits} commits")
    assert mebibytes_a_day <= 2.0
    assert blocks_a_year <= 100_000
    assert octets > 100_000, "a count that found nothing written would be worth nothing"
    writer.close()


def fill(log: Path, make_reading, hours: int, raw_hours: int) -> int:  # type: ignore[no-untyped-def]
    """A log as it stands after so many hours: one real day, repeated, each time with its own times."""
    model = log.with_name(log.name + ".model")
    writer = Writer(model, None, LogSettings(outbox=None))
    writer.open()
    for second in range(0, 25 * 3600, 5):
        writer.waiting.take_reading(make_reading(second))
        writer.turn(0.0)
    connection = writer.store.connection  # type: ignore[union-attr]
    minutes = [row[0] for row in connection.execute("SELECT body FROM minute ORDER BY id LIMIT 24")]
    whole = [row[0] for row in connection.execute("SELECT body FROM hour ORDER BY id LIMIT 24")]
    blocks = list(connection.execute("SELECT readings, body FROM block ORDER BY id LIMIT 24"))
    assert len(minutes) == len(whole) == len(blocks) == 24
    start = unpack_buckets(whole[0])[0].start_ms
    writer.close()

    target = Writer(log, None, LogSettings(outbox=None))
    target.open()
    store: Store = target.store  # type: ignore[assignment]
    store.begin()
    store.reservoir("barrel")
    for n in range(hours):
        at = start + n * HOUR_MS
        for table, bodies in (("minute", minutes), ("hour", whole)):
            body = bytearray(bodies[n % 24])
            struct.pack_into("<q", body, 1, at)
            store.connection.execute(
                f"INSERT INTO {table} VALUES (?, ?)", (hour_id(hour_of(at), 1), bytes(body))
            )
        if n >= hours - raw_hours:
            count, packed = blocks[n % 24]
            body = bytearray(packed)
            struct.pack_into("<q", body, 1 + 4 + 8, at)
            # A block of readings 5 s apart is a fifth of one 1 s apart: five of them stand for it.
            for part in range(5):
                store.connection.execute(
                    "INSERT INTO block VALUES (?, 1, ?, ?, ?, ?)",
                    (block_id(hour_of(at), 1, part), n, at + HOUR_MS - 1, count, bytes(body)),
                )
    entries = [
        EventRow(
            Stamp(1, n, start + n * HOUR_MS + 5),
            "barrel",
            "fill-began",
            "The level fell to 80 L.",
        )
        if n % 8
        else AlarmRow(
            Stamp(1, n, start + n * HOUR_MS + 5), "barrel", Trip.NO_RISE, AlarmChange.RAISED, "x" * 200
        )
        for n in range(hours)
    ]
    store.add_entries(entries)
    store.commit()
    store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    target.drop_file()
    return start


def work(log: Path, start: int, end: int) -> int:
    """How many hundred steps SQLite takes to read the minutes, the readings and the events of a span."""
    steps = 0

    def count() -> None:
        nonlocal steps
        steps += 1

    with Reader(log) as reader:
        reader._store.connection.set_progress_handler(count, 100)
        assert sum(1 for _ in reader.buckets("barrel", HOUR_MS, start, end)) == (end - start) // HOUR_MS
        assert sum(1 for _ in reader.buckets("barrel", MINUTE_MS, end - HOUR_MS, end)) == 60
        assert sum(1 for _ in reader.events(start, end)) == (end - start) // HOUR_MS
    return steps


def test_five_years_fit_and_a_month_out_of_them_takes_no_more_work_than_out_of_three(
    tmp_path: Path, make_reading
) -> None:  # type: ignore[no-untyped-def]
    """At most 150 MiB; a month is read in at most 1.2 times the steps it takes in a log of three months."""
    old, young = tmp_path / "old.db", tmp_path / "young.db"
    start = fill(old, make_reading, 5 * 8766, 14 * 24)
    fill(young, make_reading, 90 * 24, 14 * 24)
    mebibytes = old.stat().st_size / 2**20
    print(f"five years: {mebibytes:.1f} MiB")
    assert 20 < mebibytes <= 150
    month = 30 * 24 * HOUR_MS
    middle = start + 3 * 8766 * HOUR_MS
    in_old, in_young = work(old, middle, middle + month), work(young, start + month, start + 2 * month)
    print(f"a month: {in_old} and {in_young} hundred steps")
    assert in_young > 10
    assert in_old <= 1.2 * in_young


def test_readings_go_after_their_days_and_roll_ups_and_entries_stay(
    tmp_path: Path, make_reading, start_ms: int
) -> None:  # type: ignore[no-untyped-def]
    log = tmp_path / "log.db"
    writer = Writer(log, None, LogSettings(raw_days=2, outbox=None))
    writer.open()
    writer.waiting.take_entry(EventRow(Stamp(1, 0, start_ms), "", "started", "The bridge started."), 0.0)
    for second in range(0, 6 * 86_400, 600):
        writer.waiting.take_reading(make_reading(second))
        writer.turn(0.0)
    writer.close()
    with Reader(log) as reader:
        raw = list(reader.readings("barrel", 0, 2**50))
        hours = list(reader.buckets("barrel", HOUR_MS, 0, 2**50))
        kept_days = (raw[-1].stamp.utc_ms - raw[0].stamp.utc_ms) / 86_400_000
        assert 1.9 <= kept_days <= 3.1
        assert len(hours) == 6 * 24
        assert [row.event for row in reader.events(0, 2**50, kinds=[Kind.EVENT])] == ["started"]  # type: ignore[union-attr]


def test_an_older_log_is_brought_up_to_date_with_all_it_holds(
    tmp_path: Path, make_reading, start_ms: int
) -> None:  # type: ignore[no-untyped-def]
    from bridge.history.schema import LAYOUT, MIGRATIONS
    from tests.history.conftest import measured, packed

    log = tmp_path / "log.db"
    connection = sqlite3.connect(log)
    connection.executescript(MIGRATIONS[0] + "PRAGMA user_version = 1;")
    rows = [measured(make_reading(second)) for second in range(100)]
    connection.execute("INSERT INTO reservoir VALUES (1, 'barrel')")
    connection.execute(
        "INSERT INTO block VALUES (?, 1, 99, ?, 100, ?)",
        (block_id(hour_of(start_ms), 1, 0), rows[-1].utc_ms, packed(rows)),
    )
    connection.execute(
        "INSERT INTO entry VALUES (?, 1, 100, 'event', 'barrel', ?)",
        (entry_floor(start_ms + 100_000), '{"event":"fill-began","sentence":"s","of-a-later-day":1}'),
    )
    connection.execute("INSERT INTO state VALUES ('latched', x'6f6e')")
    connection.commit()
    connection.close()
    with Reader(log) as reader:
        # Who only reads it before the new program's first start sees all of it, too.
        assert reader.span_ms()[1] >= rows[-1].utc_ms
        assert len(list(reader.readings("barrel", 0, 2**50))) == len(rows)
    writer = Writer(log, None, LogSettings())
    opened = writer.open()
    assert opened is not None
    assert opened.state == {"latched": b"on"}
    assert opened.last_utc_ms == start_ms + 100_000
    writer.close()
    with Reader(log) as reader:
        assert len(list(reader.readings("barrel", 0, 2**50))) == len(unpack_readings(packed(rows)))
        assert [row.event for row in reader.events(0, 2**50)] == ["fill-began"]  # type: ignore[union-attr]
        assert reader.check() == ["ok"]
    assert sqlite3.connect(log).execute("PRAGMA user_version").fetchone() == (LAYOUT,)
