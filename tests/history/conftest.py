"""Shared by the tests of the log: readings like a barrel's, and a folder in memory for the spill."""

import math
import random
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

from bridge.guard.model import Flow
from bridge.history.limits import LogSettings
from bridge.history.pack import Measured, pack_table
from bridge.history.records import ReadingRow, Row, Stamp
from bridge.history.senml import row_records, write_one
from bridge.history.spill import Laid, from_raw, raw
from bridge.history.waiting import Waiting
from bridge.water.health import Health

START_MS = 1_750_003_200_000
"""A Sunday in June 2025 at 16:00 UTC: a full hour."""

MakeReading = Callable[..., ReadingRow]


def barrel(second: int, *, boot: int = 1, noise: float = 1.0, reservoir: str = "barrel") -> ReadingRow:
    """An invented reading of a 200 L barrel for each second since START_MS, always the same.

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


def measured(row: ReadingRow) -> Measured:
    """A row as the log takes it."""
    waiting = Waiting(LogSettings())
    waiting.take_reading(row)
    return from_raw(waiting.readings[row.reservoir])[0]


def packed(rows: Sequence[Measured]) -> bytes:
    """A block of readings, as the log makes one of those that wait."""
    return pack_table(Laid(b"".join(map(raw, rows)), 0, len(rows)))


def line(row: Row) -> str:
    """A row as the hub's log would hold it: by its names and time, and its values."""
    kind = "reading" if isinstance(row, ReadingRow) else "entry"
    return kind + " ".join(write_one(record) for record in row_records(row, "test"))


@pytest.fixture
def line_of() -> Callable[[Row], str]:
    return line


@pytest.fixture
def make_reading() -> MakeReading:
    return barrel


@pytest.fixture
def start_ms() -> int:
    return START_MS


@pytest.fixture
def memory() -> Iterator[Path]:
    """A folder on a memory file system where there is one, as the spill wants it."""
    shm = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(prefix="clearwell-test-", dir=shm if shm.is_dir() else None))
    yield folder
    shutil.rmtree(folder)
