"""The page's history: the product's trend while water flowed, and the last fills."""

import asyncio
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import LogError
from bridge.history.records import FillRow, ReadingRow, Series, Stamp
from bridge.history.rollup import HOUR_MS, MINUTE_MS, Bucket, Cell
from bridge.history.writer import Log
from bridge.units import DisplayUnits, SolidsUnit, VolumeUnit
from bridge.water.health import Health
from bridge.web import history as records_module
from bridge.web.history import Records
from bridge.web.trend import MOST_POINTS, span_ms, trend_of
from tests.web.conftest import IDENTITY

UNITS = DisplayUnits(zone="Europe/Berlin")
START_MS = 1_780_000_020_000 // HOUR_MS * HOUR_MS


def bucket(number: int, ppm: float | None, through_l: tuple[float, float], span: int = MINUTE_MS) -> Bucket:
    cells: list[Cell | None] = [None] * len(Series)
    if ppm is not None:
        cells[Series.PRODUCT_PPM] = Cell(ppm - 1.0, ppm, ppm + 2.0, 60)
        cells[Series.UNCERTAINTY] = Cell(0.3, 0.4, 0.5, 60)
    cells[Series.THROUGHPUT] = Cell(through_l[0], sum(through_l) / 2, through_l[1], 60)
    return Bucket(START_MS + number * span, span, tuple(cells), 60, Health.GOOD)


def test_standing_water_in_the_purifier_is_not_in_the_trend() -> None:
    course = [
        bucket(0, 8.0, (10.0, 11.0)),
        bucket(1, 90.0, (11.0, 11.0)),
        bucket(2, None, (11.0, 12.0)),
        bucket(3, 9.0, (12.0, 13.0)),
    ]
    trend = trend_of(course, 1, START_MS + HOUR_MS, IDENTITY, UNITS)
    known = {
        time: (value, low, high)
        for time, value, low, high in zip(
            trend["times"], trend["value"], trend["low"], trend["high"], strict=True
        )
        if value is not None
    }
    first = START_MS // 1000
    # The minimum less its uncertainty, and the maximum plus its uncertainty.
    assert known == {first: (8.0, 6.5, 10.5), first + 180: (9.0, 7.5, 11.5)}
    assert (trend["unit"], trend["limit"], trend["target"]) == ("ppm", 50.0, 25.0)
    assert trend["sentence"] is None


@pytest.mark.parametrize("hours", [1, 24, 72, 744, 745, 8760])
def test_a_trend_has_no_more_points_than_a_chart_can_show(hours: int) -> None:
    span = span_ms(hours)
    count = hours * HOUR_MS // span
    step = max(1, count // 3000)
    course = [bucket(number, 5.0, (number, number + 1.0), span) for number in range(0, count, step)]
    trend = trend_of(course, hours, START_MS + hours * HOUR_MS, IDENTITY, UNITS)
    assert 0 < len(trend["times"]) <= MOST_POINTS
    assert trend["times"] == sorted(set(trend["times"]))
    assert len(trend["value"]) == len(trend["low"]) == len(trend["high"]) == len(trend["times"])
    assert trend["times"][-1] - trend["times"][0] <= 1.01 * hours * 3600


def test_a_trend_is_shown_in_the_configured_unit() -> None:
    units = replace(UNITS, solids=SolidsUnit.US_CM)
    trend = trend_of([bucket(0, 8.0, (1.0, 2.0))], 1, START_MS + HOUR_MS, IDENTITY, units)
    assert (trend["unit"], trend["scale"], trend["limit"]) == ("µS/cm", "at 25 °C", 100.0)
    assert [value for value in trend["value"] if value is not None] == [16.0]


async def test_the_log_is_read_while_it_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "clearwell.db"
    now_ms = START_MS + 10 * HOUR_MS
    monkeypatch.setattr(time, "time", lambda: now_ms / 1000.0)
    log = Log(path)
    boot = (await asyncio.wrap_future(log.start())).boot
    try:
        for number in range(12):
            began = START_MS + number * HOUR_MS // 2
            end = "overflow" if number == 11 else "full"
            log.write([
                ReadingRow(
                    Stamp(boot, 2 * number, began), IDENTITY.reservoir, product_ppm=6.0,
                    uncertainty_ppm=0.4, throughput_l=float(number),
                ),
                FillRow(
                    Stamp(boot, 2 * number + 1, began + 25 * MINUTE_MS), IDENTITY.reservoir, began,
                    20.0 + number, None, None, end,
                ),
            ])  # fmt: skip
        await asyncio.to_thread(log.close)
        records = Records(str(path), replace(UNITS, volume=VolumeUnit.US_GALLON))
        fills = await records.fills(IDENTITY)
        assert len(fills) == 10
        # 31 L are 8.19 US gal (NIST SP 811). In May Berlin is two hours ahead of UTC (01:30).
        assert fills[0] == {
            "began": "2026-05-29 03:30",
            "ended": "2026-05-29 03:55",
            "volume": "8.19 US gal",
            "minutes": 25,
            "ended_by": "overflow",
        }
        assert fills[0]["began"] > fills[1]["began"]
        trend = await records.trend(IDENTITY, 24)
        assert {value for value in trend["value"] if value is not None} == {6.0}
        nobody = await records.trend(replace(IDENTITY, reservoir="other"), 24)
        assert nobody["sentence"] == "The log has no readings of this reservoir yet."
    finally:
        await asyncio.to_thread(log.close)


async def test_the_page_waits_until_the_end_of_a_fill_is_on_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The log may write it some seconds late."""
    monkeypatch.setattr(records_module, "FILL_WAITS_S", (0.01,) * 1000)
    path = tmp_path / "clearwell.db"
    log = Log(path)
    boot = (await asyncio.wrap_future(log.start())).boot
    looked = asyncio.Event()
    loop = asyncio.get_running_loop()
    records = Records(str(path), UNITS)
    read = records._read_fills

    def noted(*asked: Any) -> list[FillRow]:
        rows = read(*asked)
        loop.call_soon_threadsafe(looked.set)
        return rows

    monkeypatch.setattr(records, "_read_fills", noted)
    since_ms = int(time.time() * 1000)
    try:
        earlier = FillRow(
            Stamp(boot, 0, since_ms - 1), IDENTITY.reservoir, since_ms - 9, 1.0, None, None, "full"
        )
        log.write([earlier])
        await asyncio.wrap_future(log.flush())
        waiting = asyncio.create_task(records.fill_ended(IDENTITY, since_ms))
        for _ in range(2):
            await looked.wait()
            looked.clear()
        # The page read the log again, so it did not confuse the earlier fill with this one.
        log.write([replace(earlier, stamp=Stamp(boot, 1, since_ms + 5), volume_l=42.0)])
        assert not waiting.done()
        await asyncio.wrap_future(log.flush())
        assert await waiting
        assert [one["volume"] for one in await records.fills(IDENTITY)] == ["42.0 L", "1.00 L"]
        assert not await Records(None, UNITS).fill_ended(IDENTITY, since_ms)
    finally:
        await asyncio.to_thread(log.close)


async def test_a_log_that_cannot_be_read_is_reported_and_many_requests_need_one_reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(LogError):
        await Records(str(tmp_path / "none.db"), UNITS).trend(IDENTITY, 24)
    records = Records(str(tmp_path / "x.db"), UNITS)
    read = []

    def reading(*_: object) -> list[FillRow]:
        read.append(1)
        return []

    monkeypatch.setattr(records, "_read_fills", reading)
    answers = await asyncio.gather(*(records.fills(IDENTITY) for _ in range(20)), return_exceptions=True)
    assert len(read) == 1
    assert sum(isinstance(answer, LogError) for answer in answers) == 20 - records_module.MOST_WAITING
