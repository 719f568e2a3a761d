"""Makes logs of a long time in seconds, by copies of one day with shifted times."""

import sqlite3
import time
from pathlib import Path

from bridge.history.opening import open_for_writing
from bridge.history.outbox import Outbox
from bridge.history.records import EventRow, Stamp
from bridge.history.rollup import HOUR_MS
from bridge.history.store import Store
from bridge.history.views import first_id, span_text
from bridge.history.waiting import OutboxSettings
from tests.history.conftest import START_MS, barrel, write_log

RAW_DAYS = 14
DAY_MS = 24 * HOUR_MS


def grown(log: Path, *, hours: int, outbox: bool = False) -> int:
    """Makes a log of this many hours, in whole days, that ends now. Returns the number of its readings.

    The log has minutes, hours, an event each hour, and two weeks of readings every five seconds. With
    ``outbox``, none of its records was sent.
    """
    days = max(1, hours // 24)
    model = log.with_name("model.db")
    write_log(model, (barrel(second, reservoir="barrel-0") for second in range(0, 86_400, 5)))
    end_ms = round(time.time() * 1000) // HOUR_MS * HOUR_MS
    start_ms = end_ms - days * DAY_MS
    store = Store(open_for_writing(log))
    connection = store.connection
    if outbox:
        position = Outbox(OutboxSettings())
        position.load({}, store)
        store.save_state(position.saved())
    connection.execute("ATTACH ? AS model", (str(model),))
    store.begin()
    for day in range(days):
        shift_s = (start_ms - START_MS) // 1000 + day * 86_400
        for table in ("minute", "hour"):
            _copy(connection, table, "time", "%Y-%m-%dT%H:%M:%SZ", shift_s)
        if day >= days - RAW_DAYS:
            _copy(connection, "reading", "id, time", "%Y-%m-%dT%H:%M:%fZ", shift_s)
    store.add(
        EventRow(Stamp(1, n, start_ms + n * HOUR_MS + 5), "barrel-0", "fill-began", "The level fell to 80 L.")
        for n in range(24 * days)
    )
    store.commit()
    (readings,) = connection.execute("SELECT count(*) FROM main.reading").fetchone()
    connection.execute("DETACH model")
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    model.unlink()
    return int(readings)


def _copy(connection: sqlite3.Connection, table: str, keys: str, form: str, shift_s: int) -> None:
    """Copies the model's rows of one table, shifted by this many seconds."""
    there = [str(row[1]) for row in connection.execute(f"PRAGMA main.table_info({table})")]
    moved = {
        "id": f"id + {first_id(1000 * shift_s)}",
        "time": f"strftime('{form}', time, '{shift_s:+d} seconds')",
    }
    chosen = ", ".join(moved.get(name, name) if name in keys else name for name in there)
    # A model of exactly one day: its last hour ends where the next day begins.
    connection.execute(
        f"INSERT INTO main.{table} SELECT {chosen} FROM model.{table} WHERE time < ?",
        (span_text(START_MS + DAY_MS),),
    )
