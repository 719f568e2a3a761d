"""Minutes and hours against an independent sum."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.history.records import Series
from bridge.history.rollup import HOUR_MS, MINUTE_MS, Bucket, RollUp, merge
from bridge.water.health import Health

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
