"""What goes into a block comes out of it, at the resolution the log promises."""

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bridge.errors import LogError
from bridge.history.coding import code_of, pack_column, value_of
from bridge.history.pack import (
    TICK_MS,
    Measured,
    pack_buckets,
    reading_row,
    resolved,
    unpack_buckets,
    unpack_readings,
)
from bridge.history.records import Series
from bridge.history.rollup import MINUTE_MS, RollUp
from bridge.history.spill import Part, frame, frames, from_raw, raw
from bridge.water.health import Health
from tests.history.conftest import measured, packed

quantity = st.none() | st.just(0.0) | st.floats(1e-5, 1e6) | st.floats(-1e3, 0)
row = st.builds(
    lambda gap, jump, path, health, values: (gap, jump, path, health, values),
    st.integers(0, 300),
    st.integers(1, 1000),
    st.integers(0, 2),
    st.sampled_from(list(Health)),
    st.tuples(*[quantity] * len(Series)),
)


def rows_of(steps: list[tuple[int, int, int, Health, tuple[float | None, ...]]]) -> list[Measured]:
    sequence, ticks, out = 0, 175_000_000_000, []
    for gap, jump, path, health, values in steps:
        sequence, ticks = sequence + jump, ticks + gap
        out.append(Measured(7, sequence, ticks * TICK_MS, path, health, values))
    return out


@given(st.floats(1e-6, 1e12), st.sampled_from([3, 4]))
@example(99_995.0, 4)
@example(999.95, 4)
@example(0.055, 4)
def test_a_number_comes_back_to_its_significant_digits(value: float, digits: int) -> None:
    back = value_of(code_of(value, digits), digits)
    assert back == float(f"{value:.{digits - 1}e}") or abs(back - value) <= 0.500001 * 10 ** (
        math.floor(math.log10(value)) - digits + 1
    )
    assert value_of(code_of(-value, digits), digits) == -back
    assert code_of(back, digits) == code_of(value, digits), (
        "a number at the log's resolution is not moved again"
    )


def test_what_the_controller_sent_with_four_digits_comes_back_as_it_was() -> None:
    for text in ("12.34", "0.055", "1.002", "1413", "0.0", "9.999", "20000"):
        assert value_of(code_of(float(text))) == float(text)


@given(st.lists(st.floats(1e-6, 1e6), min_size=2, max_size=2))
def test_codes_keep_the_order_of_numbers(pair: list[float]) -> None:
    low, high = sorted(pair)
    assert code_of(low) <= code_of(high)


@given(st.lists(row, min_size=1, max_size=40))
def test_a_block_gives_back_its_readings(
    steps: list[tuple[int, int, int, Health, tuple[float | None, ...]]],
) -> None:
    rows = rows_of(steps)
    back = unpack_readings(packed(rows))
    assert len(back) == len(rows)
    for was, now in zip(rows, back, strict=True):
        assert (now.boot, now.sequence, now.utc_ms, now.path, now.health) == (
            was.boot, was.sequence, was.utc_ms, was.path, was.health,
        )  # fmt: skip
        for series in Series:
            old = was.values[series]
            assert now.values[series] == (None if old is None else resolved(series, old))


@given(st.lists(row, min_size=1, max_size=40))
def test_roll_ups_come_back(steps: list[tuple[int, int, int, Health, tuple[float | None, ...]]]) -> None:
    rolling = RollUp(MINUTE_MS)
    closed = [rolling.add(one.utc_ms, one.values, one.health) for one in rows_of(steps)]
    buckets = [bucket for bucket in [*closed, rolling.close()] if bucket]
    for was, now in zip(buckets, unpack_buckets(pack_buckets(buckets)), strict=True):
        assert (now.start_ms, now.span_ms, now.count, now.health) == (
            was.start_ms,
            was.span_ms,
            was.count,
            was.health,
        )
        for series, old, new in zip(Series, was.cells, now.cells, strict=True):
            assert (old is None) == (new is None)
            if old and new:
                assert new.count == old.count
                assert new.least == resolved(series, old.least)
                assert new.mean == resolved(series, old.mean)
                assert new.greatest == resolved(series, old.greatest)


@given(st.binary(max_size=200), st.integers(0, 200))
def test_a_damaged_block_is_an_error_and_not_a_number(noise: bytes, cut: int) -> None:
    for damaged in (
        noise,
        packed(rows_of([(1, 1, 0, Health.GOOD, (1.0,) * len(Series))] * 5))[:-1][:cut],
    ):
        with pytest.raises(LogError):
            unpack_readings(damaged)


def test_an_hour_of_a_noisy_barrel_takes_less_than_twelve_kibibytes(make_reading) -> None:  # type: ignore[no-untyped-def]
    rows = [measured(make_reading(second)) for second in range(3600)]
    assert len(packed(rows)) < 12 * 1024
    assert reading_row("barrel", measured(make_reading(5))).path is make_reading(5).path


@given(st.lists(row, min_size=1, max_size=5), st.integers(0, 2000))
def test_a_spill_cut_anywhere_gives_back_whole_readings_only(
    steps: list[tuple[int, int, int, Health, tuple[float | None, ...]]], cut: int
) -> None:
    rows = rows_of(steps)
    data = b"".join(frame(Part.READING, raw(one)) for one in rows)[:cut]
    back = [from_raw(payload)[0] for _, payload in frames(data)]
    assert back == rows[: len(back)]
    assert len(back) == cut // len(frame(Part.READING, raw(rows[0]))) or len(back) == len(rows)


def test_a_column_takes_no_more_bytes_than_its_numbers_need() -> None:
    assert len(pack_column([0] * 1000)) == 1
    assert len(pack_column([1, -1] * 500)) == 1001
    assert len(pack_column([200, -200] * 500)) == 2001
