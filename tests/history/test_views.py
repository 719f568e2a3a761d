"""The queries of the manual, run by a plain SQLite client on a real log."""

import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.history.records import MinuteRow, Row
from bridge.history.rollup import DEAD_BANDS, MINUTE_MS, RollUp
from bridge.history.views import ENTRY_COLUMNS
from bridge.history.writer import Log
from tests.history.conftest import START_MS, barrel
from tests.history.test_log import one_of_each
from tests.waiting import DEADLINE_S

MANUAL = (Path(__file__).parents[2] / "bridge" / "manual" / "log.md").read_text(encoding="utf-8")
QUERIES = dict(re.findall(r"^## (v_\w+)$.*?```sql\n(.*?)```", MANUAL, re.MULTILINE | re.DOTALL))
VIEWS = {"v_reading", "v_minute", "v_hour", *(f"v_{kind.value}" for kind in ENTRY_COLUMNS)}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sqlite3.Connection]:
    """A plain SQLite connection to a log that a writer has open."""
    path = tmp_path_factory.mktemp("log") / "clearwell.db"
    log = Log(path)
    log.start().result(DEADLINE_S)
    roll, rows = RollUp(MINUTE_MS), list[Row]()
    for second in range(0, 2 * 3600, 10):
        row = barrel(second)
        closed = roll.add(row.stamp.utc_ms, row.values, row.health)
        rows += [row] if closed is None else [MinuteRow("barrel", closed), row]
    log.write([*rows, *one_of_each(START_MS)])
    assert log.flush().result(DEADLINE_S)
    connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    yield connection
    connection.close()
    assert log.close(DEADLINE_S)


def test_the_manual_has_one_query_for_every_view(client: sqlite3.Connection) -> None:
    there = {name for (name,) in client.execute("SELECT name FROM sqlite_master WHERE type = 'view'")}
    assert there == VIEWS == set(QUERIES)
    assert len(re.findall(r"```sql", MANUAL)) == len(VIEWS)


@pytest.mark.parametrize("view", sorted(VIEWS))
def test_the_query_of_each_view_returns_rows(client: sqlite3.Connection, view: str) -> None:
    assert view in QUERIES[view]
    assert client.execute(QUERIES[view]).fetchall()
    columns = [column[0] for column in client.execute(f"SELECT * FROM {view}").description]
    assert columns[:2] == ["time", "reservoir"]
    time, reservoir = client.execute(f"SELECT time, reservoir FROM {view} LIMIT 1").fetchone()
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{3})?Z", time)
    assert reservoir in ("barrel", "shed", "")


def test_the_newest_minutes_agree_with_the_readings(client: sqlite3.Connection) -> None:
    client.row_factory = sqlite3.Row
    found = client.execute(QUERIES["v_minute"]).fetchall()
    client.row_factory = None
    assert [row["time"] for row in found] == [f"2025-06-15T17:{m}:00Z" for m in (58, 57, 56, 55, 54)]
    seconds = range(7200 - 120, 7200 - 60, 10)
    assert found[0]["readings"] == len(seconds)
    for column, field in (
        ("product_ppm", "product_ppm"),
        ("product_uncertainty_ppm", "uncertainty_ppm"),
        ("temperature_c", "temperature_c"),
        ("volume_l", "volume_l"),
    ):
        values = [getattr(barrel(second), field) for second in seconds]
        assert found[0][column] == pytest.approx(sum(values) / len(values), abs=6e-4)
        assert found[0][f"{column}_min"] == pytest.approx(min(values), abs=6e-4)
        assert found[0][f"{column}_max"] == pytest.approx(max(values), abs=6e-4)


def test_the_manual_names_the_dead_bands() -> None:
    table = MANUAL[MANUAL.index("| value | dead band |") : MANUAL.index("Readings are kept for")]
    told = re.findall(r"\| ([\d.]+) (?:°C|ppm|L)(?:, or ([\d.]+) %)?", table)
    bands = {(float(absolute), float(relative or 0) / 100) for absolute, relative in told}
    assert bands == {(band.absolute, band.relative) for band in DEAD_BANDS.values()}
