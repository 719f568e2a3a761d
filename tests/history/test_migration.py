"""A log of an older layout is migrated; that of layout 2 is from its program (layout2/make_layout2.txt)."""

import gzip
import json
import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bridge.daemon import saved_state
from bridge.demo import station
from bridge.estimate.reservoir import Basis
from bridge.forecast import persistence
from bridge.guard.alarms import Status
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, Trip
from bridge.history.backup import duplicate, faults_in, layout_of, state_of
from bridge.history.migration import save_state_in
from bridge.history.opening import LAYOUT, open_for_writing
from bridge.history.reader import Reader
from bridge.history.records import (
    KINDS,
    AlarmChange,
    AlarmRow,
    Bucket,
    EntryRow,
    Kind,
    SampleRow,
    Series,
    StateRow,
    UndoRow,
    details,
)
from bridge.history.rollup import DEAD_BANDS, HOUR_MS, MINUTE_MS
from bridge.history.waiting import LogSettings, OutboxSettings
from bridge.history.writer import Log, add
from bridge.rig.scenario import DEMO
from bridge.station.inventory import unmeasured
from tests.history.conftest import START_MS
from tests.history.test_log import one_of_each
from tests.waiting import DEADLINE_S

FOLDER = Path(__file__).with_name("layout2")
ALWAYS = 2**50
PLAN = station(DEMO, "nowhere", Limits(), 0.5, 0.9)


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "log.db"
    path.write_bytes(gzip.decompress((FOLDER / "layout2.db.gz").read_bytes()))
    return path


@pytest.fixture
def before() -> dict[str, Any]:
    found: dict[str, Any] = json.loads(gzip.decompress((FOLDER / "layout2.json.gz").read_bytes()))
    return found


def test_a_log_of_layout_2_keeps_its_rows(old: Path, before: dict[str, Any]) -> None:
    open_for_writing(old).close()
    with Reader(old) as reader:
        assert reader.check() == ["ok"]
        assert reader.reservoirs() == ["barrel", "polytunnel"]
        for name in ("barrel", "polytunnel"):
            was = before[name]
            minutes = {one.start_ms: one for one in reader.buckets(name, MINUTE_MS, 0, ALWAYS)}
            assert len(minutes) == was["counts"][1]
            for expected in was["minutes"]:
                assert_same_bucket(minutes[expected["start_ms"]], expected)
            hours = {one.start_ms: one for one in reader.buckets(name, HOUR_MS, 0, ALWAYS)}
            for expected in was["hours"]:
                assert_same_bucket(hours[expected["start_ms"]], expected)
            assert_known_within_the_dead_bands(reader, name, was["readings"])
        entries: list[Any] = [
            [KINDS[type(r)].value, r.reservoir, r.stamp.boot, r.stamp.sequence, r.stamp.utc_ms, details(r)]
            for r in reader.events(0, ALWAYS)
        ]
    for now, was in zip(entries, before["entries"], strict=True):
        # A character outside UTF-8 is written with a backslash, and a fill has one more field.
        told = {key: _text(value) for key, value in was[5].items()}
        assert now[:5] == was[:5]
        assert {key: value for key, value in now[5].items() if key in told} == told
    assert {entry[0] for entry in entries} == {kind.value for kind in Kind} - {"forecast", "undo"}


def _text(value: object) -> object:
    return value.encode("utf-8", "backslashreplace").decode() if isinstance(value, str) else value


def assert_same_bucket(now: Bucket, was: dict[str, Any]) -> None:
    assert (now.count, int(now.health)) == (was["count"], was["health"])
    for cell, old_cell in zip(now.cells, was["cells"], strict=True):
        assert (cell is None) == (old_cell is None)
        if cell is not None:
            assert cell.count == old_cell["count"]
            # Layout 2 has three or four significant digits; the present layout has thousandths.
            for field in ("least", "mean", "greatest"):
                assert getattr(cell, field) == pytest.approx(old_cell[field], rel=5e-3, abs=6e-4)


def assert_known_within_the_dead_bands(reader: Reader, name: str, was: list[list[Any]]) -> None:
    """Checks that each old reading is stored, or within the dead bands of the stored reading before it."""
    stored = list(reader.readings(name, 0, ALWAYS))
    assert len(stored) < 5000, "by exception"
    for boot, sequence, utc_ms, *rest in was:
        last = max((row for row in stored if row.stamp.utc_ms <= utc_ms), key=lambda row: row.stamp)
        assert utc_ms - last.stamp.utc_ms < MINUTE_MS
        if (last.stamp.boot, last.stamp.sequence) == (boot, sequence):
            assert last.stamp.utc_ms == utc_ms
        assert (last.path.value, int(last.health)) == (rest[9], rest[10])
        for series, band in DEAD_BANDS.items():
            then, now = rest[series], last.values[series]
            assert (then is None) == (now is None)
            if then is not None and now is not None:
                # An old number was rounded to at least three digits.
                room = max(band.absolute, band.relative * abs(now)) + 5e-3 * abs(now)
                assert abs(then - now) <= room, Series(series)


def test_the_saved_state_of_layout_2_is_the_start_of_a_station(old: Path, before: dict[str, Any]) -> None:
    log = Log(old, settings=LogSettings(outbox=OutboxSettings(every_s=0, pack_rows=1000)))
    opened = log.start().result(DEADLINE_S)
    assert (opened.boot, opened.complete) == (3, True)
    now = saved_state.Moment(0.0, opened.last_utc_ms / 1000)
    state = saved_state.guard_state(
        opened.state[saved_state.latched_key("barrel")],
        opened.state[saved_state.accounts_key("barrel")],
        Limits(),
        now,
    )
    assert [latch.trip for latch in state.latches] == [Trip.OVERFLOW]
    assert state.hold
    assert before["state"]["latched.barrel"]["hold"]
    accounts = saved_state.inventory(
        opened.state[saved_state.accounts_key("barrel")], unmeasured(5.0), PLAN.product, now
    )
    # The mixing balance of that layout becomes an estimate of water that nobody measured.
    balance = before["state"]["accounts.barrel"]["balance"]
    assert accounts.water.ppm == pytest.approx(balance[1] / balance[0] if balance else 5.0)
    assert accounts.water.basis is Basis.ASSUMED
    assert (accounts.load.treated_l, accounts.load.taken_up_g) == (1500.0, 470.0)
    kept = persistence.read(opened.state[persistence.key("barrel")], ())
    assert (kept.learned.booked_l, kept.learned.total_l) == (12.0, 55.0)
    sent = [row for parcel in log.parcels(1000).result(DEADLINE_S) for row in parcel.rows]
    assert log.close(DEADLINE_S)
    with Reader(old) as reader:
        newest = list(reader.events(0, ALWAYS))[-1]
        barrel = list(reader.readings("barrel", 0, ALWAYS))
    assert barrel[-1] in sent
    assert newest.stamp <= sent[-1].stamp, "nothing that the hub's log lacked is skipped"


def test_alarms_of_layout_2_get_the_present_ids_and_states(old: Path) -> None:
    connection = sqlite3.connect(old)
    (newest,) = connection.execute("SELECT max(id) FROM entry").fetchone()
    body = {"alarm": "product-over-advice", "change": "returned", "sentence": "Over it.", "sender": ""}
    with connection:
        connection.execute(
            "INSERT INTO entry (id, boot, sequence, kind, reservoir, body) "
            "VALUES (?, 2, 999, 'alarm', 'barrel', ?)",
            (newest + 1, json.dumps(body)),
        )
        latched = {"latches": [], "alarms": [["product-over-advice", "returned-unacknowledged", 5.0, None]]}
        save_state_in(connection, 2, [StateRow(saved_state.latched_key("barrel"), 1, json.dumps(latched))])
    connection.close()
    open_for_writing(old).close()
    with Reader(old) as reader:
        last = list(reader.events(0, ALWAYS, kinds=[Kind.ALARM]))[-1]
        assert isinstance(last, AlarmRow)
        assert (last.alarm, last.change) == (
            Advisory.PRODUCT_OVER_TARGET,
            AlarmChange.CLEARED_UNACKNOWLEDGED,
        )
    state = saved_state.guard_state(
        state_of(old)[saved_state.latched_key("barrel")], None, Limits(), saved_state.Moment(0.0, 9.0)
    )
    assert [(one.alarm, one.status) for one in state.alarms] == [
        (Advisory.PRODUCT_OVER_TARGET, Status.CLEARED_UNACKNOWLEDGED)
    ]


def test_an_older_log_is_read_and_copied_without_a_change(old: Path, tmp_path: Path) -> None:
    content = old.read_bytes()
    with Reader(old) as reader:
        assert len(list(reader.events(0, ALWAYS))) == 12
    made = duplicate(old, tmp_path / "copy.db")
    assert old.read_bytes() == content
    assert faults_in(tmp_path / "copy.db") == []
    assert faults_in(old) == []
    assert layout_of(tmp_path / "copy.db") == 2, "the older program can still read it"
    with Reader(tmp_path / "copy.db") as reader:
        assert reader.span_ms()[1] == made.span_ms[1]


# --- layout 3 ------------------------------------------------------------------------------------

_OLDER = (
    *(f"DROP VIEW v_{name}" for name in ("sample", "undo")),
    "DROP TABLE undo",
    "ALTER TABLE sample DROP COLUMN meter",
    "ALTER TABLE sample DROP COLUMN meter_uncertainty_ppm",
    "ALTER TABLE sample DROP COLUMN below_resolution",
    "CREATE VIEW v_sample AS SELECT time, reservoir, water FROM sample",
    "PRAGMA user_version = 3",
)


@pytest.fixture
def layout_3(tmp_path: Path) -> tuple[Path, list[EntryRow]]:
    """A log of layout 3, which had no meters and no entries taken back, with the entries in it."""
    path = tmp_path / "three.db"
    entries: list[EntryRow] = [row for row in one_of_each(START_MS) if not isinstance(row, UndoRow)]
    add(path, *((lambda stamp, row=row: replace(row, stamp=stamp)) for row in entries))
    connection = sqlite3.connect(path)
    for statement in _OLDER:
        connection.execute(statement)
    connection.commit()
    connection.close()
    return path, entries


def _told(rows: Iterable[EntryRow]) -> list[dict[str, Any]]:
    return [{k: v for k, v in details(row).items() if not k.startswith(("meter", "below"))} for row in rows]


def test_a_log_of_layout_3_is_read_as_it_is_and_migrated_by_the_first_entry(
    layout_3: tuple[Path, list[EntryRow]],
) -> None:
    path, entries = layout_3
    with Reader(path) as reader:
        assert _told(reader.events(0, ALWAYS)) == _told(entries)
    assert layout_of(path) == 3, "a reader changes nothing"
    assert state_of(path) == {}
    add(path, lambda stamp: UndoRow(stamp, "barrel", "sample", START_MS))
    assert layout_of(path) == LAYOUT
    with Reader(path) as reader:
        rows = list(reader.events(0, ALWAYS))
    assert _told(rows[:-1]) == _told(entries)
    assert [row.meter for row in rows if isinstance(row, SampleRow)] == [""]


def test_an_entry_that_was_taken_back_stays_in_the_log_and_is_read_only_on_request(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    sample, other = add(
        path,
        lambda stamp: SampleRow(stamp, "barrel", "feed", 500.0, 250.0, 9.0, 0.5, None, "off", "unsuitable"),
        lambda stamp: SampleRow(stamp, "butt", "feed", 600.0, 300.0, 9.0, 0.5, None, "off", "unsuitable"),
    )
    assert other.stamp.utc_ms == sample.stamp.utc_ms + 1, "the entries of one call are a millisecond apart"
    (undo,) = add(path, lambda stamp: UndoRow(stamp, "barrel", "sample", sample.stamp.utc_ms))
    with Reader(path) as reader:
        assert list(reader.events(0, ALWAYS)) == [other, undo]
        assert list(reader.events(0, ALWAYS, undone=True)) == [sample, other, undo]
        assert reader.earlier(ALWAYS, [Kind.SAMPLE], "barrel", 9) == []
