"""Reports of unusual logs: switches only, several reservoirs, old, or empty."""

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.daemon import saved_state
from bridge.demo import station
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, Flow, Trip
from bridge.guard.state import begin
from bridge.history.opening import open_for_writing
from bridge.history.reader import Reader
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    Bucket,
    CartridgeRow,
    Cell,
    FillRow,
    Kind,
    ReadingRow,
    SampleRow,
    Series,
    Stamp,
    StampedRow,
)
from bridge.history.rollup import HOUR_MS, MINUTE_MS
from bridge.history.store import Store
from bridge.purifier.cartridge import Kind as Sort
from bridge.report.backtest import MOMENTS, Status, backtest, verdict
from bridge.report.curves import CartridgeHistory, Point
from bridge.report.gather import AMONG, gather
from bridge.report.incidents import incidents
from bridge.report.water import percentiles, production
from bridge.rig.scenario import DEMO
from bridge.station.inventory import begin as begin_inventory
from bridge.station.inventory import sample_of, sampled
from bridge.station.plan import CartridgePlan
from bridge.water.health import Health
from tests.history.conftest import write_days
from tests.history.conftest import write_log as write
from tests.report.read import Read, read
from tests.running import refused, succeeds

START_MS = 1_750_003_200_000
"""A full hour."""


def butt(name: str, days: int = 3) -> Iterator[StampedRow]:
    """Yields a log of switches without a flow sensor.

    Forty litres count when the upper switch rises, an hour after the valve opened. The product is 8 ppm for
    fifty minutes and 30 ppm for the last ten.
    """
    for sequence, minute in enumerate(range(0, days * 1440, 2)):
        of_day = minute % 1440
        filling = 600 <= of_day < 660
        fills = minute // 1440 + (of_day >= 660)
        at_ms = START_MS + minute * MINUTE_MS
        product = 30.0 if 650 <= of_day < 660 else 8.0
        yield ReadingRow(
            Stamp(1, sequence, at_ms),
            name,
            conductivity_25_us_cm=2.0 * product,
            product_ppm=product,
            feed_ppm=280.0,
            throughput_l=40.0 * fills,
            path=Flow.TO_RESERVOIR if filling else Flow.SHUT,
        )
        if of_day == 660:
            yield FillRow(Stamp(1, sequence, at_ms), name, at_ms - HOUR_MS, None, None, None, "full")


def report(tmp_path: Path, log: Path, *options: str) -> Read:
    out = tmp_path / "r.html"
    succeeds("report", "--log", log, "--out", out, *options)
    return read(out.read_text())


def test_with_switches_only_each_minute_of_a_fill_has_the_same_weight(tmp_path: Path) -> None:
    write(tmp_path / "log.db", butt("butt"))
    page = report(tmp_path, tmp_path / "log.db")
    assert page.closed
    assert page.figures["made"] == [120.0]
    assert page.figures["product-median"] == [8.0, 8.0]
    assert page.figures["product-p90"] == [30.0]
    assert page.figures["target-hours"][0] == pytest.approx(3 * 5 / 60), "a reading every other minute"
    assert "target-litres" not in page.figures
    assert "Each minute of a fill has the same weight" in page.text
    assert "from the refill mark to the fill mark" in page.text
    assert "No cartridge is configured" in page.text
    assert "No price of a cartridge is configured" in page.text
    assert page.text.count("None.") == 2, "no alarms and no samples"


def test_several_reservoirs_each_have_a_section_and_one_can_be_selected(tmp_path: Path) -> None:
    log = tmp_path / "log.db"
    write(log, iter([*butt("north"), *butt("south", 2)]))
    page = report(tmp_path, log)
    assert page.figures["made"] == [120.0, 80.0]
    assert len(page.ids) == len(set(page.ids))
    alone = report(tmp_path, log, "--reservoir", "south", "--force")
    assert alone.figures["made"] == [80.0]


def test_a_sample_entered_later_has_the_time_at_which_it_was_taken(tmp_path: Path) -> None:
    def sample(entered_h: int, us_cm: float, taken_h: int | None = None) -> SampleRow:
        taken_ms = None if taken_h is None else START_MS + taken_h * HOUR_MS
        return SampleRow(
            Stamp(1, 9000 + entered_h, START_MS + entered_h * HOUR_MS), "butt", "product", us_cm, us_cm / 2,
            1.0, 0.5, None, "off", "suitable", at_ms=taken_ms,
        )  # fmt: skip

    log = tmp_path / "log.db"
    # Two samples belong to the second day: one was entered on that day, one on the third.
    late = [sample(30, 12.0), sample(31, 14.0, 20), sample(60, 16.0, 26), sample(61, 18.0)]
    write(log, iter([*butt("butt"), *late]))
    day = ("--from", "2025-06-16T16:00", "--to", "2025-06-17T16:00")
    page = report(tmp_path, log, *day)
    assert [page.figures.get(f"sample-{k}/value") for k in (1, 2, 3)] == [[8.0], [6.0], None]
    assert report(tmp_path, log, "--force").figures["sample-1/value"] == [7.0]


def test_an_empty_log_is_refused_with_a_sentence(tmp_path: Path) -> None:
    write(tmp_path / "log.db", iter(()))
    assert "has no readings yet" in refused(
        "report", "--log", tmp_path / "log.db", "--out", tmp_path / "r.html"
    )


# --- treated litres -------------------------------------------------------------------------------


def bucket(number: int, least: float, greatest: float) -> Bucket:
    cells: list[Cell | None] = [None] * len(Series)
    cells[Series.THROUGHPUT] = Cell(least, (least + greatest) / 2, greatest, 10)
    return Bucket(START_MS + number * HOUR_MS, HOUR_MS, tuple(cells), 10, Health.GOOD)


def changed(hour: float, treated_l: float) -> CartridgeRow:
    return CartridgeRow(Stamp(1, 1, START_MS + round(hour * HOUR_MS)), "barrel", "", treated_l, 9.0, "", True)


def litres(buckets: list[Bucket], *changes: CartridgeRow) -> list[tuple[int, float]]:
    return [(one.number, round(one.litres, 6)) for one in production(buckets, changes) if one.litres]


def test_a_change_of_cartridge_divides_its_hour_between_the_two() -> None:
    hours = [bucket(0, 100, 104), bucket(1, 0, 106), bucket(2, 3, 8)]
    assert litres(hours, changed(1.5, 106)) == [(0, 4), (0, 2), (1, 3), (1, 5)]


def test_a_total_that_falls_without_a_change_counts_as_no_water() -> None:
    assert litres([bucket(0, 100, 104), bucket(1, 102, 103)]) == [(0, 4), (0, 1)]
    assert litres([bucket(0, 100, 104), bucket(1, 0, 104), bucket(2, 1, 4)]) == [(0, 4), (0, 1), (0, 3)]


def test_water_made_between_readings_counts_at_the_next_reading() -> None:
    assert litres([bucket(0, 100, 104), bucket(30, 110, 111)]) == [(0, 4), (0, 7)]


def test_a_percentile_is_the_smallest_value_that_its_share_does_not_exceed() -> None:
    assert percentiles([1.0, 2.0, 9.0], [1.0, 8.0, 1.0], (0.1, 0.5, 0.9, 0.91)) == (1.0, 2.0, 2.0, 9.0)


def test_alarms_active_before_the_start_and_at_the_end_are_marked(tmp_path: Path) -> None:
    def at(hour: float, alarm: Trip | Advisory, change: AlarmChange) -> AlarmRow:
        return AlarmRow(Stamp(1, 9, START_MS + round(hour * HOUR_MS)), "butt", alarm, change, "", "")

    rows = [
        at(2, Trip.OVERFLOW, AlarmChange.ACKNOWLEDGED),
        at(3, Trip.OVERFLOW, AlarmChange.RESET),
        at(3, Trip.OVERFLOW, AlarmChange.CLEARED),
        at(70, Advisory.RESERVOIR_LOW, AlarmChange.RAISED),
    ]
    before, still = incidents(rows, ())
    assert (before.raised_ms, before.active_ms(START_MS, 0)) == (None, 3 * HOUR_MS)
    assert still.ended_ms is None
    write(tmp_path / "log.db", iter([*butt("butt"), *rows]))
    page = report(tmp_path, tmp_path / "log.db")
    assert "before this report overflow" in page.text
    assert "still active" in page.text
    assert page.figures["trips"] == [0.0], "it was shut before the report began"


@pytest.mark.parametrize(
    "fitted",
    [
        CartridgePlan(Sort.MEMBRANE, rejection_percent=95.0),
        CartridgePlan(Sort.DISTILLER, rated_g=900.0),
    ],
)
def test_a_membrane_and_a_distiller_have_past_forecasts(fitted: CartridgePlan) -> None:
    day = 24 * HOUR_MS
    curve = tuple(
        Point(START_MS + k * day, 20.0 * (k + 1), 20.0, 10.0 * math.exp(0.004 * k), 300.0, 18.0)
        for k in range(120)
    )
    life = CartridgeHistory(0, START_MS, None, curve, (), (), 2400.0)
    (seen,) = backtest(fitted, 50.0, [life], [one.start_ms for one in curve], [], START_MS + 120 * day)
    assert seen.outcome.status is Status.IN_USE
    assert len(seen.forecasts) == MOMENTS
    left = [one.crossing_l.median - one.treated_l for one in seen.forecasts]
    assert left == sorted(left, reverse=True), "what is left gets less"
    assert {verdict(one, seen.outcome) for one in seen.forecasts} == {"not contradicted"}


# --- cost of a report -----------------------------------------------------------------------------


def test_a_month_from_a_log_of_years_costs_no_more_than_from_three_months(tmp_path: Path) -> None:
    """Counts SQLite steps and the means read, without the bounded search for earlier entries."""
    old, young = tmp_path / "old.db", tmp_path / "young.db"
    start = write_days(old, 365 + 60)
    write_days(young, 90)
    month = 30 * 24 * HOUR_MS
    counted = []
    for log, first in ((young, start + month), (old, start + 365 * 24 * HOUR_MS)):
        steps = 0

        def count() -> None:
            nonlocal steps
            steps += 1

        with Reader(log) as reader:
            reader._store.connection.set_progress_handler(count, 100)
            material = gather(reader, "barrel", first, first + month, lambda _: None)
            whole = steps
            reader.earlier(first, (Kind.CARTRIDGE, Kind.CALIBRATION), "barrel", AMONG)
        assert len(material.hours) == sum(map(len, material.past)) == 720
        counted.append((2 * whole - steps, len(material.mixed)))
    (young_steps, young_rows), (old_steps, old_rows) = counted
    print(f"a month: {old_steps} and {young_steps} hundred steps, {old_rows} and {young_rows} roll-ups")
    assert old_rows == young_rows
    assert young_steps > 10
    assert old_steps <= 1.2 * young_steps


def test_the_search_for_earlier_cartridges_is_bounded(tmp_path: Path) -> None:
    rows = [CartridgeRow(Stamp(1, k, START_MS + k), "butt", "", 1.0 + k, 1.0, "", True) for k in range(50)]
    write(tmp_path / "log.db", iter(rows))
    with Reader(tmp_path / "log.db") as reader:
        found = reader.earlier(START_MS + 40, (Kind.CARTRIDGE,), "butt", 10)
        assert found == rows[30:40]
        assert reader.earlier(START_MS + 40, (Kind.CARTRIDGE,), "pond", 10) == []


def test_the_stored_water_has_its_verdict_and_its_evidence_in_one_line(tmp_path: Path) -> None:
    log = tmp_path / "log.db"
    plan = station(DEMO, "nowhere", Limits(), 0.5, 0.9)
    accounts = sampled(begin_inventory(plan), sample_of(plan, 70.0), 50.0, 10.0)
    moment = saved_state.Moment(10.0, START_MS / 1000.0)
    counters = saved_state.counters(begin(10.0), accounts, plan.product, moment)
    write(log, butt("barrel", 1))
    store = Store(open_for_writing(log))
    store.begin()
    store.save_state([saved_state.accounts("barrel", counters)])
    store.commit()
    store.connection.close()
    out = tmp_path / "r.html"
    succeeds("report", "--log", log, "--out", out)
    (line,) = [one for one in out.read_text().splitlines() if "the reservoir holds" in one]
    assert "70 ppm ± " in line
    assert "by the sample of 2025-06-15" in line
    assert "<strong>unsuitable</strong>" in line
