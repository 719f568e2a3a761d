"""Logs as they stand after a long time, made in seconds: one real day again and again, with its own times."""

import struct
import time
from pathlib import Path

from bridge.history.limits import LogSettings, OutboxSettings
from bridge.history.records import EventRow, Stamp
from bridge.history.rollup import HOUR_MS
from bridge.history.schema import block_id, hour_id, hour_of
from bridge.history.writer import Writer
from tests.history.conftest import START_MS, barrel

RAW_HOURS = 14 * 24


def grown(log: Path, *, hours: int, outbox: bool = False) -> int:
    """A log of so many hours that ends now: minutes, hours, an event each hour, two weeks of readings.

    With ``outbox``, nothing of it was sent. The number of its readings.
    """
    model = log.with_name("model.db")
    writer = Writer(model, None, LogSettings(outbox=None))
    writer.open()
    for second in range(0, 25 * 3600, 5):
        writer.waiting.take_reading(barrel(second, reservoir="barrel-0"))
        writer.turn(0.0)
    assert writer.store is not None
    rows = writer.store.connection.execute
    minutes = [row[0] for row in rows("SELECT body FROM minute ORDER BY id LIMIT 24")]
    whole = [row[0] for row in rows("SELECT body FROM hour ORDER BY id LIMIT 24")]
    blocks = list(rows("SELECT readings, last_sequence, body FROM block ORDER BY id LIMIT 24"))
    writer.close()
    model.unlink()

    end = round(time.time() * 1000) // HOUR_MS * HOUR_MS
    start = end - hours * HOUR_MS
    target = Writer(log, None, LogSettings(outbox=OutboxSettings() if outbox else None))
    target.open()
    store = target.store
    assert store is not None
    store.begin()
    store.reservoir("barrel-0")
    execute = store.connection.execute
    readings = 0
    newest = 0
    for n in range(hours):
        at = start + n * HOUR_MS
        for table, bodies in (("minute", minutes), ("hour", whole)):
            body = bytearray(bodies[n % 24])
            struct.pack_into("<q", body, 1, at)
            execute(f"INSERT INTO {table} VALUES (?, ?)", (hour_id(hour_of(at), 1), bytes(body)))
        if n < hours - RAW_HOURS:
            continue
        count, last, packed = blocks[n % 24]
        body = bytearray(packed)
        # After the version: the boot, the first sequence number and the first time.
        boot, first, _ = struct.unpack_from("<IQq", body, 1)
        # A block of readings 5 s apart is a fifth of one 1 s apart: five of them stand for it.
        for part in range(5):
            readings += count
            struct.pack_into("<IQq", body, 1, boot, newest + 1, at)
            newest += 1 + last - first
            execute(
                "INSERT INTO block VALUES (?, ?, ?, ?, ?, ?)",
                (block_id(hour_of(at), 1, part), boot, newest, at + HOUR_MS - 1, count, bytes(body)),
            )
    told = "The level fell to 80 L."
    store.add_entries(
        [
            EventRow(Stamp(1, newest + n, start + n * HOUR_MS + 5), "barrel-0", "fill-began", told)
            for n in range(hours)
        ]
    )
    store.commit()
    execute("PRAGMA wal_checkpoint(TRUNCATE)")
    target.drop_file()
    return readings


assert START_MS % HOUR_MS == 0, "the model's blocks begin with an hour"
