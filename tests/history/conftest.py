"""Readings of an invented barrel, for the tests of the log."""

import math
import random
import sqlite3
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from bridge.guard.model import Flow, Trip
from bridge.history.opening import open_for_writing
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    EventRow,
    MinuteRow,
    ReadingRow,
    Row,
    Stamp,
    StampedRow,
)
from bridge.history.rollup import HOUR_MS, MINUTE_MS, RollUp
from bridge.history.senml import row_records, write_one
from bridge.history.store import Store
from bridge.history.views import span_text
from bridge.water.health import Health

START_MS = 1_750_003_200_000
"""A Sunday in June 2025 at 16:00 UTC: a full hour."""

MakeReading = Callable[..., ReadingRow]


def barrel(second: int, *, boot: int = 1, noise: float = 1.0, reservoir: str = "barrel") -> ReadingRow:
    """Returns an invented reading of a 200 L barrel for a second since START_MS, always the same.

    Noise of 0.2 % on both cells, 0.02 K and 0.1 L; a fill of 90 minutes each day from 20:00 UTC.
    """
    chance = random.Random(second)
    of_day = second % 86_400
    filling = 4 * 3600 <= of_day < 4 * 3600 + 5400
    warm = 14 + 6 * math.sin(second / 86_400 * math.tau) + chance.gauss(0, 0.02 * noise)
    base = 8 + (100 * math.exp(-(of_day - 4 * 3600) / 60) if filling else 0)
    conductance = round(base * (1 + 0.02 * (warm - 25)) * (1 + chance.gauss(0, 0.002 * noise)), 3)
    at_25 = conductance / (1 + 0.02 * (warm - 25))
    made = (
        3000
        + 27 * (second // 86_400)
        + (0.005 * (of_day - 4 * 3600) if filling else 27 * (of_day > 4 * 3600))
    )
    return ReadingRow(
        Stamp(boot, second, START_MS + 1000 * second + chance.randrange(5)),
        reservoir,
        conductance_us=conductance,
        temperature_c=round(warm, 2),
        conductivity_25_us_cm=at_25,
        product_ppm=at_25 / 2,
        uncertainty_ppm=math.hypot(0.02 * at_25 / 2, 0.05),
        feed_ppm=310 * (1 + chance.gauss(0, 0.002 * noise)),
        volume_l=round(120 + made - 3000 - 27 * (second // 86_400) + chance.gauss(0, 0.1 * noise), 1),
        reservoir_ppm=12.0,
        throughput_l=made,
        path=Flow.TO_RESERVOIR if filling else Flow.SHUT,
        health=Health.GOOD,
    )


def line(row: StampedRow) -> str:
    """Returns a row as the hub's log stores it: its names and time, and its values."""
    kind = "reading" if isinstance(row, ReadingRow) else "entry"
    return kind + " ".join(write_one(record) for record in row_records(row, "test"))


@pytest.fixture
def line_of() -> Callable[[StampedRow], str]:
    return line


@pytest.fixture
def make_reading() -> MakeReading:
    return barrel


@pytest.fixture
def start_ms() -> int:
    return START_MS


def write_log(path: Path, rows: Iterable[StampedRow]) -> None:
    """Writes a log of these rows and their minutes, in the order of time."""
    store = Store(open_for_writing(path))
    rolls: dict[str, RollUp] = {}
    done: list[Row] = []
    for row in sorted(rows, key=lambda one: one.stamp.utc_ms):
        if isinstance(row, ReadingRow):
            roll = rolls.setdefault(row.reservoir, RollUp(MINUTE_MS))
            closed = roll.add(row.stamp.utc_ms, row.values, row.health)
            done += [] if closed is None else [MinuteRow(row.reservoir, closed)]
        done.append(row)
    for name, roll in rolls.items():
        last = roll.close()
        done += [] if last is None else [MinuteRow(name, last)]
    store.begin()
    store.add(done)
    store.commit()
    store.connection.close()


def write_days(path: Path, days: int) -> int:
    """Writes a log of equal days, with readings of the last day. Returns the beginning in UTC ms."""
    write_log(path, (barrel(second) for second in range(0, 86_400, 5)))
    connection = sqlite3.connect(path)
    for table in ("minute", "hour"):
        columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
        rest = ", ".join(columns[1:])
        connection.executemany(
            f"INSERT INTO {table} SELECT strftime('%Y-%m-%dT%H:%M:%SZ', time, ?), {rest} FROM {table} "
            "WHERE time < ?",
            [(f"+{day} days", span_text(START_MS + 86_400_000)) for day in range(1, days)],
        )
    last_ms = (days - 1) * 86_400_000
    connection.execute("UPDATE reading SET id = id + (? << 8)", (last_ms,))
    connection.execute(
        "UPDATE reading SET time = strftime('%Y-%m-%dT%H:%M:%fZ', time, ?)", (f"+{days - 1} days",)
    )
    store = Store(connection)
    store.add(
        EventRow(Stamp(1, n, START_MS + n * HOUR_MS + 5), "barrel", "fill-began", "The level fell to 80 L.")
        if n % 8
        else AlarmRow(
            Stamp(1, n, START_MS + n * HOUR_MS + 5), "barrel", Trip.NO_RISE, AlarmChange.RAISED, "x" * 200
        )
        for n in range(24 * days)
    )
    connection.commit()
    connection.close()
    return START_MS
