"""The page's history: the course of a reservoir, its entries and its last fills."""

import asyncio
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bridge.errors import LogError
from bridge.guard.model import Advisory, Trip
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CalibrationRow,
    CartridgeRow,
    Cell,
    CommandRow,
    EntryRow,
    EventRow,
    FillRow,
    ReadingRow,
    SampleRow,
    Series,
    Stamp,
)
from bridge.history.rollup import HOUR_MS, MINUTE_MS, Group
from bridge.history.writer import Log
from bridge.units import DisplayUnits, SolidsUnit, TemperatureUnit, VolumeUnit
from bridge.web import history as records_module
from bridge.web.course import MOST_POINTS, SERIES, Course, Span, compared, course_of, grouping, uses
from bridge.web.entries import Filter, entries_of
from bridge.web.history import Records
from tests.web.conftest import IDENTITY

UNITS = DisplayUnits(zone="Europe/Berlin")
START_MS = 1_780_000_020_000 // HOUR_MS * HOUR_MS


def group(number: int, cells: dict[Series, Cell], width_ms: int = MINUTE_MS) -> Group:
    return Group(START_MS + number * width_ms, tuple(cells.get(series) for series in SERIES), 0.0)


def shown(groups: list[Group], span: Span, units: DisplayUnits = UNITS) -> Course:
    return course_of(span, START_MS, span.end_ms, groups, (), IDENTITY, units)


HOUR = Span(START_MS, START_MS + HOUR_MS)
PRODUCT = {Series.PRODUCT_PPM: Cell(7.0, 8.0, 10.0, 60), Series.UNCERTAINTY: Cell(0.3, 0.4, 0.5, 60)}
EXCURSION = {Series.PRODUCT_PPM: Cell(8.0, 44.5, 318.0, 60), Series.UNCERTAINTY: Cell(0.3, 4.0, 11.6, 60)}


def test_the_band_and_the_sentence_show_the_greatest_value_and_not_the_mean() -> None:
    course = shown([group(0, PRODUCT), group(3, EXCURSION)], HOUR)
    (product,) = course["lines"]
    known = {
        time: values
        for time, *values in zip(
            course["times"], product["mean"], product["low"], product["high"], strict=True
        )
        if values[0] is not None
    }
    first = START_MS // 1000
    # The minimum less its uncertainty, and the maximum plus its uncertainty.
    assert known == {first: [8.0, 6.5, 10.5], first + 180: [44.5, 0.0, 329.6]}
    assert (product["unit"], course["limit"], course["target"]) == ("ppm", 50.0, 25.0)
    # In May Berlin is two hours ahead of UTC (01:30 and three minutes).
    at = UNITS.local(START_MS / 1000 + 180).strftime("%Y-%m-%d %H:%M")
    assert f"at most 318 ppm, at {at}, over the limit of 50 ppm" in course["sentence"]
    assert "under the limit" in shown([group(0, PRODUCT)], HOUR)["sentence"]
    assert "No water flowed" in shown([], HOUR)["sentence"]


def test_a_fill_shows_the_range_of_its_product_with_its_uncertainty() -> None:
    row = FillRow(
        Stamp(1, 0, START_MS + 25 * MINUTE_MS), IDENTITY.reservoir, START_MS, 20.0, None, 8.2, "full"
    )
    minutes = [group(0, PRODUCT), group(3, EXCURSION)]
    course = course_of(HOUR, START_MS, HOUR.end_ms, (), (), IDENTITY, UNITS, [(row, minutes), (row, [])])
    (fill,) = course["fills"]
    assert fill == {
        "start": START_MS // 1000,
        "end": START_MS // 1000 + 25 * 60,
        "low": 0.0,
        "high": 329.6,
        "mean": 8.2,
        "words": "Fill of 20.0 L: 0 to 329.6 ppm, on average 8.2 ppm into the reservoir.",
    }


def test_cartridges_are_compared_on_the_litres_that_each_made() -> None:
    changed_ms = START_MS + 100 * HOUR_MS
    change = CartridgeRow(Stamp(1, 0, changed_ms), IDENTITY.reservoir, "second", 508.0, 470.0)
    first, second = uses([change], START_MS, START_MS + 150 * HOUR_MS)
    assert (first.end_ms, second.start_ms, second.is_in_use) == (changed_ms, changed_ms, True)

    def hours(count: int, ppm_an_hour: float) -> list[Group]:
        # 10 L an hour in every second hour; the product rises.
        return [
            Group(
                START_MS + number * HOUR_MS,
                (Cell(0.0, ppm_an_hour * number, 99.0, 60) if number % 2 else None,),
                10.0 * (number % 2),
            )
            for number in range(count)
        ]

    found = compared([(first, hours(100, 0.4)), (second, hours(50, 0.2))], IDENTITY, UNITS)
    one, other = found["cartridges"]
    assert (one["name"], other["name"]) == ("from 2026-05-28", "second")
    assert (one["made"], other["made"]) == ("508 L", "250 L")
    assert one["litres"] == [10.0 * number for number in range(1, 51)]
    assert one["product"][:3] == [0.4, 1.2, 2.0]
    # The hours 1, 3, 5, 7, 9 and 91 to 99 have the first and the last tenth of the 500 L.
    assert (one["first"], one["last"]) == ("2 ppm", "38 ppm")
    # A tenth of 250 L are two points and a half: (0.2 + 0.6 + 0.5 * 1.0) / 2.5.
    assert other["first"] == "0.52 ppm"
    assert compared([(first, [])], IDENTITY, UNITS)["cartridges"] == []


@pytest.mark.parametrize("hours", [1, 24, 72, 744, 745, 8760, 43_830])
def test_a_course_has_no_more_points_than_a_chart_can_show(hours: int) -> None:
    span = Span(START_MS, START_MS + hours * HOUR_MS)
    width_ms = grouping(span).width_ms
    ends = [Group(ms // width_ms * width_ms, shown_cells, 0.0) for ms in (span.start_ms, span.end_ms - 1)
            for shown_cells in [group(0, PRODUCT).cells]]  # fmt: skip
    course = shown(ends, span)
    assert 0 < len(course["times"]) <= MOST_POINTS
    assert course["times"] == sorted(set(course["times"]))
    mean = course["lines"][0]["mean"]
    assert (mean[0], mean[-1], len(mean)) == (8.0, 8.0, len(course["times"]))
    assert course["times"][0] * 1000 <= span.start_ms < span.end_ms <= course["times"][-1] * 1000 + width_ms


def test_a_course_is_shown_in_the_configured_units() -> None:
    units = replace(
        UNITS, solids=SolidsUnit.US_CM, volume=VolumeUnit.US_GALLON, temperature=TemperatureUnit.FAHRENHEIT
    )
    everything = PRODUCT | {
        Series.VOLUME: Cell(120.0, 120.0, 120.0, 60), Series.TEMPERATURE: Cell(18.0, 18.0, 18.0, 60),
    }  # fmt: skip
    course = shown([group(0, everything)], HOUR, units)
    assert (course["scale"], course["limit"]) == ("at 25 °C", 100.0)
    values = {line["name"]: (line["mean"][0], line["unit"]) for line in course["lines"]}
    # 120 L are 31.7 US gal and 18 °C are 64.4 °F (NIST SP 811).
    assert values == {"product": (16.0, "µS/cm"), "volume": (31.7, "US gal"), "temperature": (64.4, "°F")}


def test_each_kind_of_entry_is_found_under_its_name() -> None:
    stamp = Stamp(1, 0, START_MS)
    rows: dict[Filter, EntryRow] = {
        Filter.TRIP: AlarmRow(stamp, "barrel", Trip.OVERFLOW, AlarmChange.RAISED, "", first_out=True),
        Filter.ALARM: AlarmRow(stamp, "barrel", Advisory.RESERVOIR_LOW, AlarmChange.RAISED, ""),
        Filter.FILL: FillRow(stamp, "barrel", START_MS - 25 * MINUTE_MS, 20.0, None, 5.0, "full"),
        Filter.CARTRIDGE: CartridgeRow(stamp, "barrel", "second", 1500.0, 470.0),
        Filter.SAMPLE: SampleRow(
            stamp, "barrel", "reservoir", 18.0, 9.0, 0.0, 0.5, None, "off", "suitable", ""
        ),
        Filter.CALIBRATION: CalibrationRow(stamp, "barrel", "product", 0.1, 0.0, 84.0, 25.0, 2.0),
        Filter.COMMAND: CommandRow(stamp, "barrel", "hold on", "hub", False, "The hub is mute."),
        Filter.EVENT: EventRow(stamp, "barrel", "fill-began", "The level fell to 80 L."),
    }
    for kind, row in rows.items():
        (entry,) = entries_of(rows.values(), frozenset({kind}), UNITS)
        assert entry == entries_of([row], frozenset(Filter), UNITS)[0]
        assert entry["at"] == START_MS // 1000
    sentences = [entry["sentence"] for entry in entries_of(rows.values(), frozenset(Filter), UNITS)]
    assert "The overflow float is up: raised, the first one." in sentences
    assert "New cartridge second. The old one made 1500 L and took up 470 g." in sentences
    assert "20.0 L in 25 min, on average 5 ppm; it ended: full." in sentences
    assert "Hold on, by hub: refused. The hub is mute." in sentences


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
        day = Span(now_ms - 24 * HOUR_MS, now_ms)
        course = await records.course(IDENTITY, day)
        lines = {line["name"]: line for line in course["lines"]}
        assert {value for value in lines["product"]["mean"] if value is not None} == {6.0}
        # 11 L were made, 2.91 US gal; the hours begin with the counter at 0.
        assert sum(course["litres_a_day"]) == pytest.approx(2.91, abs=0.01)
        (cartridge,) = (await records.cartridges(IDENTITY))["cartridges"]
        assert (cartridge["made"], cartridge["first"]) == ("2.91 US gal", "6 ppm")
        (last, *rest) = await records.entries(IDENTITY, day, frozenset({Filter.FILL}))
        assert (last["kind"], len(rest)) == ("fill", 11)
        assert last["sentence"].endswith("it ended: overflow.")
        sheet = (await records.csv(IDENTITY, day)).splitlines()
        assert sheet[0].startswith("time,reservoir,readings,health,")
        assert len(sheet) == 13
        nobody = await records.course(replace(IDENTITY, reservoir="other"), day)
        assert nobody["sentence"] == "The log has no readings of this reservoir yet."
    finally:
        await asyncio.to_thread(log.close)


async def test_the_range_of_a_fill_is_that_of_its_minutes_in_the_log(tmp_path: Path) -> None:
    log = Log(tmp_path / "clearwell.db")
    boot = (await asyncio.wrap_future(log.start())).boot
    try:
        for number, ppm in enumerate((40.0, 7.0, 6.0, 8.0, 45.0)):
            at_ms = START_MS + number * MINUTE_MS
            log.write([
                ReadingRow(
                    Stamp(boot, number, at_ms), IDENTITY.reservoir, product_ppm=ppm, uncertainty_ppm=0.5,
                    throughput_l=min(float(number), 3.0),
                )
            ])  # fmt: skip
        # The fill begins after the water stood, and ends before it stands again.
        ended_ms = START_MS + 4 * MINUTE_MS
        log.write([
            FillRow(Stamp(boot, 9, ended_ms), IDENTITY.reservoir, START_MS, 3.0, None, 7.0, "full"),
        ])  # fmt: skip
        await asyncio.to_thread(log.close)
        records = Records(str(log.path), UNITS)
        course = await records.course(IDENTITY, Span(START_MS - HOUR_MS, START_MS + HOUR_MS))
        (fill,) = course["fills"]
        assert (fill["low"], fill["mean"], fill["high"]) == (5.5, 7.0, 8.5)
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
        await Records(str(tmp_path / "none.db"), UNITS).course(IDENTITY, HOUR)
    records = Records(str(tmp_path / "x.db"), UNITS)
    read = []

    def reading(*_: object) -> list[FillRow]:
        read.append(1)
        return []

    monkeypatch.setattr(records, "_read_fills", reading)
    answers = await asyncio.gather(*(records.fills(IDENTITY) for _ in range(20)), return_exceptions=True)
    assert len(read) == 1
    assert sum(isinstance(answer, LogError) for answer in answers) == 20 - records_module.MOST_WAITING
