"""Minutes and hours against an independent sum."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.guard.model import Flow
from bridge.history.records import Bucket, ReadingRow, Series, Stamp
from bridge.history.rollup import HOUR_MS, MINUTE_MS, ByException, RollUp, merge
from bridge.water.health import Health

START_MS = 1_750_003_200_000
"""A full hour."""
Reading = tuple[int, tuple[float | None, ...], Health]
number = st.none() | st.floats(-1e6, 1e6)
reading = st.tuples(st.integers(0, 90_000), st.tuples(*[number] * len(Series)), st.sampled_from(list(Health)))


def roll(readings: list[Reading], span: int) -> list[Bucket]:
    rolling = RollUp(span)
    closed = [rolling.add(*one) for one in readings]
    return [bucket for bucket in [*closed, rolling.close()] if bucket is not None]


@given(st.lists(reading, max_size=60), st.sampled_from([MINUTE_MS, 10 * MINUTE_MS, HOUR_MS]))
def test_a_roll_up_agrees_with_an_independent_sum(steps: list[Reading], span: int) -> None:
    now = 1_750_000_000_000
    readings: list[Reading] = []
    for gap, values, health in steps:
        now += gap
        readings.append((now, values, health))
    buckets = roll(readings, span)
    by_start: dict[int, list[Reading]] = {}
    for one in readings:
        by_start.setdefault(one[0] // span * span, []).append(one)
    assert [b.start_ms for b in buckets] == list(by_start)
    for bucket, inside in zip(buckets, by_start.values(), strict=True):
        assert bucket.count == len(inside)
        assert bucket.health == max(health for _, _, health in inside)
        for series in Series:
            there = [v for _, values, _ in inside if (v := values[series]) is not None]
            cell = bucket.cells[series]
            assert (cell is None) == (not there)
            if cell:
                assert (cell.least, cell.greatest, cell.count) == (min(there), max(there), len(there))
                assert cell.mean == pytest.approx(math.fsum(there) / len(there), rel=1e-9, abs=1e-6)
                assert cell.least <= cell.mean <= cell.greatest


@given(st.lists(reading, min_size=1, max_size=60))
def test_an_hour_from_minutes_equals_the_hour_from_readings(steps: list[Reading]) -> None:
    readings = [
        (1_750_003_200_000 + gap % 3600 * 1000, values, health)
        for gap, values, health in sorted(steps, key=lambda s: s[0] % 3600)
    ]
    direct = roll(readings, HOUR_MS)[0]
    merged = merge(roll(readings, MINUTE_MS), direct.start_ms, HOUR_MS)
    assert (merged.count, merged.health, merged.start_ms) == (direct.count, direct.health, direct.start_ms)
    for ours, theirs in zip(merged.cells, direct.cells, strict=True):
        assert (ours is None) == (theirs is None)
        if ours and theirs:
            assert (ours.least, ours.greatest, ours.count) == (theirs.least, theirs.greatest, theirs.count)
            assert ours.mean == pytest.approx(theirs.mean, rel=1e-9, abs=1e-6)


FIRST = ReadingRow(
    Stamp(1, 0, START_MS),
    "barrel",
    conductance_us=40.0,
    temperature_c=15.0,
    conductivity_25_us_cm=5.0,
    product_ppm=2.5,
    uncertainty_ppm=0.2,
    feed_ppm=300.0,
    volume_l=120.0,
    reservoir_ppm=12.0,
    throughput_l=3000.0,
    path=Flow.SHUT,
    health=Health.GOOD,
)


def stored(*rows: ReadingRow) -> list[bool]:
    selects = ByException()
    return [selects.keeps(row) for row in rows]


def at(second: float, row: ReadingRow = FIRST, boot: int = 1) -> ReadingRow:
    return replace(row, stamp=Stamp(boot, 0, START_MS + round(1000 * second)))


def test_a_reading_that_did_not_move_is_stored_once_a_minute() -> None:
    kept = [second for second, keeps in enumerate(stored(*map(at, range(181)))) if keeps]
    assert kept == [0, 60, 120, 180]


@pytest.mark.parametrize(
    "other",
    [
        replace(FIRST, path=Flow.TO_RESERVOIR),
        replace(FIRST, health=Health.FAILURE),
        replace(FIRST, stamp=Stamp(2, 0, START_MS)),
        replace(FIRST, volume_l=None),
        replace(FIRST, product_ppm=None),
    ],
)
def test_a_reading_of_another_kind_is_stored_at_once_and_its_like_is_not(other: ReadingRow) -> None:
    boot = other.stamp.boot
    rows = (FIRST, at(1), at(2, other, boot), at(3, other, boot), at(4))
    assert stored(*rows) == [True, False, True, False, True]


@pytest.mark.parametrize(
    ("name", "within", "beyond"),
    [
        # Half a kelvin; 0.5 ppm or 5 %; 10 ppm or 5 %; 2 L or 1 %; 5 L.
        ("temperature_c", 0.5, 0.6),
        ("product_ppm", 0.5, 0.6),
        ("feed_ppm", 15.0, 15.1),
        ("volume_l", 2.0, 2.1),
        ("reservoir_ppm", 0.6, 0.7),
        ("throughput_l", 5.0, 5.1),
    ],
)
def test_a_reading_is_stored_when_a_series_leaves_its_dead_band(
    name: str, within: float, beyond: float
) -> None:
    start = getattr(FIRST, name)

    def moved(by: float) -> ReadingRow:
        return at(1, replace(FIRST, **{name: start + by}))

    for side in (1.0, -1.0):
        assert stored(FIRST, moved(side * within)) == [True, False]
        assert stored(FIRST, moved(side * beyond)) == [True, True]


def test_a_slow_drift_is_counted_from_the_last_stored_reading() -> None:
    rows = [at(second, replace(FIRST, temperature_c=15.0 + 0.125 * second)) for second in range(16)]
    kept = [second for second, keeps in enumerate(stored(*rows)) if keeps]
    assert kept == [0, 5, 10, 15]


def test_a_minute_that_is_over_is_closed_without_a_reading_and_once() -> None:
    rolling = RollUp(MINUTE_MS)
    assert rolling.over(START_MS) is None
    rolling.add(START_MS + 59_000, FIRST.values, Health.GOOD)
    assert rolling.over(START_MS + 59_999) is None
    closed = rolling.over(START_MS + 60_000)
    assert closed is not None
    assert (closed.start_ms, closed.count) == (START_MS, 1)
    assert rolling.over(START_MS + 120_000) is None
    assert rolling.close() is None
