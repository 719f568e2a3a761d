"""Groups from the database equal groups from the buckets, which need no SQL."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.history.opening import open_for_writing
from bridge.history.reader import Reader, stored_groups
from bridge.history.records import Bucket, Cell, MinuteRow, Series
from bridge.history.rollup import HOUR_MS, MINUTE_MS, Group, Grouping, groups_of
from bridge.history.store import Store
from bridge.water.health import Health
from tests.history.conftest import START_MS, MakeReading, write_log

SERIES = (Series.PRODUCT_PPM, Series.VOLUME)
FLOWING = frozenset({Series.PRODUCT_PPM})
WANTED = Grouping(MINUTE_MS, 5 * MINUTE_MS, SERIES, FLOWING, offset_ms=7 * MINUTE_MS)

# In whole thousandths, as the log stores them.
value = st.integers(0, 400_000).map(lambda number: number / 1000.0)
cell = st.none() | st.builds(
    lambda three, count: Cell(min(three), sorted(three)[1], max(three), count),
    st.tuples(value, value, value),
    st.integers(1, 60),
)
minute = st.tuples(st.integers(1, 4), cell, cell, cell)


def bucket(number: int, product: Cell | None, volume: Cell | None, through: Cell | None) -> Bucket:
    cells: list[Cell | None] = [None] * len(Series)
    cells[Series.PRODUCT_PPM], cells[Series.VOLUME], cells[Series.THROUGHPUT] = product, volume, through
    return Bucket(START_MS + number * MINUTE_MS, MINUTE_MS, tuple(cells), 60, Health.GOOD)


@settings(max_examples=60, deadline=None)
@given(st.lists(minute, min_size=1, max_size=40))
def test_the_database_groups_as_the_rule_says(
    minutes: list[tuple[int, Cell | None, Cell | None, Cell | None]],
) -> None:
    number = 0
    buckets = []
    for gap, product, volume, through in minutes:
        number += gap
        buckets.append(bucket(number, product, volume, through))
    with tempfile.TemporaryDirectory() as folder:
        store = Store(open_for_writing(Path(folder) / "log.db"))
        store.begin()
        store.add(MinuteRow("barrel", one) for one in buckets)
        store.commit()
        found = stored_groups(store.connection, "barrel", START_MS, START_MS + HOUR_MS * 4, WANTED)
        store.connection.close()
    expected = groups_of(buckets, WANTED)
    assert [one.start_ms for one in found] == [one.start_ms for one in expected]
    for ours, theirs in zip(found, expected, strict=True):
        assert ours.through_l == pytest.approx(theirs.through_l, abs=1e-6)
        for one, other in zip(ours.cells, theirs.cells, strict=True):
            assert (one is None) == (other is None)
            if one is not None and other is not None:
                assert (one.least, one.greatest, one.count) == (other.least, other.greatest, other.count)
                assert one.mean == pytest.approx(other.mean, abs=1e-3)


def test_the_open_minute_and_the_one_before_it_count_once(tmp_path: Path, make_reading: MakeReading) -> None:
    """The day's fill begins at 20:00 UTC and makes 0.3 L a minute; the log ends in the middle of a minute."""
    path = tmp_path / "log.db"
    write_log(path, (make_reading(second) for second in range(4 * 3600 - 600, 4 * 3600 + 1830, 5)))
    with Reader(path) as reader:
        whole = reader.groups("barrel", START_MS, START_MS + 24 * HOUR_MS, WANTED)
        hours = reader.groups("barrel", START_MS, START_MS + 24 * HOUR_MS, Grouping(HOUR_MS, 24 * HOUR_MS))
    assert sum(one.through_l for one in whole) == pytest.approx(0.005 * 1825, abs=0.02)
    assert sum(one.through_l for one in hours) == pytest.approx(0.005 * 1825, abs=0.02)
    starts = [one.start_ms for one in whole]
    assert starts == sorted(set(starts))
    flowing: list[Group] = [one for one in whole if one.cells[0] is not None]
    assert START_MS + 4 * HOUR_MS - 10 * MINUTE_MS < flowing[0].start_ms <= START_MS + 4 * HOUR_MS
