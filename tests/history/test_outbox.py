"""The outbox keeps every record in order until it is acknowledged. If full, it drops the oldest readings."""

from dataclasses import replace
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from bridge.daemon.relay import full_pace, spend, wait_s
from bridge.guard.model import Flow, Trip
from bridge.history.opening import open_for_writing
from bridge.history.outbox import READING_BYTES, Outbox
from bridge.history.records import AlarmChange, AlarmRow, ReadingRow, Row, Stamp, StampedRow
from bridge.history.senml import pack, parse
from bridge.history.store import Store
from bridge.history.waiting import COMMIT_S, OutboxSettings
from tests.history.conftest import barrel

ALL = OutboxSettings(every_s=0, pack_rows=50)


def store_at(path: Path) -> Store:
    return Store(open_for_writing(path))


def outbox_of(store: Store, settings: OutboxSettings = ALL) -> Outbox:
    outbox = Outbox(settings)
    outbox.load(store.state(), store)
    store.save_state(outbox.saved())
    return outbox


def drain(outbox: Outbox, store: Store) -> list[StampedRow]:
    rows: list[StampedRow] = []
    while parcels := outbox.peek(7, store):
        for parcel in parcels:
            rows += parcel.rows
            outbox.acknowledge(parcel)
    return rows


def alarm(second: int) -> AlarmRow:
    utc = barrel(second).stamp.utc_ms + 300
    return AlarmRow(Stamp(1, 10**6 + second, utc), "barrel", Trip.NO_RISE, AlarmChange.RAISED, f"at {second}")


def test_a_day_without_a_hub_is_delivered_complete_and_in_order_for_all_names(tmp_path: Path) -> None:
    store = store_at(tmp_path / "log.db")
    outbox = outbox_of(store)
    rows: list[Row] = []
    for second in range(0, 86_400, 60):
        rows.append(barrel(second, reservoir=("barrel", "tub")[second // 60 % 2]))
        if second % 7200 == 0:
            rows.append(alarm(second))
    store.add(rows)
    sent = drain(outbox, store)
    assert [row.stamp for row in sent] == [
        row.stamp for row in rows if isinstance(row, ReadingRow | AlarmRow)
    ]
    assert outbox.peek(1, store) == []


def test_unacknowledged_rows_are_sent_again_unchanged_even_after_a_restart(tmp_path: Path) -> None:
    store = store_at(tmp_path / "log.db")
    outbox = outbox_of(store)
    store.add([barrel(second) for second in range(500)])
    first = outbox.peek(4, store)
    assert outbox.peek(4, store) == first
    outbox.acknowledge(first[0])
    store.save_state(outbox.saved())
    store.connection.close()
    again = store_at(tmp_path / "log.db")
    second = outbox_of(again).peek(3, again)
    assert second == first[1:]
    assert [parse(pack(one.rows, "clearwell")) for one in second] == [
        parse(pack(one.rows, "clearwell")) for one in first[1:]
    ]


def test_one_reading_in_ten_seconds_and_every_change_of_path_are_sent_from_any_start(
    tmp_path: Path,
) -> None:
    store = store_at(tmp_path / "log.db")
    outbox = outbox_of(store, OutboxSettings(every_s=10, pack_rows=5))
    for second in range(100):
        path = Flow.TO_RESERVOIR if 33 <= second < 35 else Flow.SHUT
        store.add([replace(barrel(second), path=path)])
    sent = [row.stamp.sequence for row in drain(outbox, store)]
    assert sent == [0, 10, 20, 30, 33, 35, 40, 50, 60, 70, 80, 90]


def test_a_parcel_waits_for_nothing_and_readings_and_entries_keep_their_order(tmp_path: Path) -> None:
    store = store_at(tmp_path / "log.db")
    outbox = outbox_of(store)
    store.add([barrel(0), barrel(1, reservoir="tub")])
    (parcel,) = outbox.peek(4, store)
    assert len(parcel.rows) == 2
    store.add([alarm(2), barrel(3)])
    (parcel,) = outbox.peek(4, store)
    assert [type(row) for row in parcel.rows] == [ReadingRow, ReadingRow, AlarmRow, ReadingRow]


def test_the_next_look_leaves_time_for_the_commit_within_every_s() -> None:
    for every_s in (10.0, 8.0, 30.0):
        assert COMMIT_S + OutboxSettings(every_s=every_s).look_s < every_s
    assert OutboxSettings(every_s=0.0).look_s == 1.0


def test_rows_are_sent_again_from_a_position_and_a_late_acknowledgement_does_not_skip_them(
    tmp_path: Path,
) -> None:
    store = store_at(tmp_path / "log.db")
    outbox = outbox_of(store)
    start = outbox.keep_from() - 1
    store.add([barrel(second) for second in range(200)])
    first, second, third, _ = outbox.peek(9, store)
    assert (first.after, second.after, third.after) == (start, first.id, second.id)
    outbox.acknowledge(first)
    outbox.acknowledge(second)
    outbox.rewind(first.id)
    outbox.acknowledge(third)
    assert [row.stamp.sequence for row in drain(outbox, store)] == list(range(50, 200))
    outbox.rewind(10**18)
    assert drain(outbox, store) == [], "a position that is not reached yet changes nothing"


def test_a_full_outbox_drops_the_oldest_readings_keeps_alarms_and_reports_it(
    tmp_path: Path,
) -> None:
    store = store_at(tmp_path / "log.db")
    outbox = outbox_of(store, OutboxSettings(every_s=0, pack_rows=50, limit_bytes=100 * READING_BYTES))
    store.add([alarm(0), *(barrel(second) for second in range(85))])
    level = outbox.level(store)
    assert (level.alert, level.dropped_readings) == (True, 0), "the alert comes before anything is dropped"
    store.add([barrel(second) for second in range(85, 130)])
    level = outbox.level(store)
    assert (level.waiting_readings, level.dropped_readings) == (100, 30)
    rows = drain(outbox, store)
    assert isinstance(rows[0], AlarmRow)
    assert [row.stamp.sequence for row in rows[1:]] == list(range(30, 130)), "only the oldest went"
    assert outbox.level(store).fraction == 0.0


def test_retention_leaves_rows_that_the_hub_lacks(tmp_path: Path) -> None:
    store = store_at(tmp_path / "log.db")
    outbox = outbox_of(store)
    store.add([barrel(second) for second in range(100)])
    (first, *_) = outbox.peek(1, store)
    outbox.acknowledge(first)
    far = barrel(10**6).stamp.utc_ms
    store.drop_before(reading_ms=far, minute_ms=far, hour_ms=far, entry_ms=far, keep_from=outbox.keep_from())
    assert [row.stamp.sequence for row in store.readings(0, 2**62)] == list(range(50, 100))


def test_an_outbox_enabled_later_begins_at_that_time(tmp_path: Path) -> None:
    store = store_at(tmp_path / "log.db")
    store.add([barrel(second) for second in range(100)])
    outbox = outbox_of(store)
    store.add([barrel(second) for second in range(100, 120)])
    assert [row.stamp.sequence for row in drain(outbox, store)] == list(range(100, 120))


@given(
    st.floats(0.1, 100),
    st.floats(1, 50),
    st.lists(st.tuples(st.floats(0, 20), st.integers(0, 100)), max_size=40),
)
def test_a_replay_is_never_faster_than_its_limit(
    per_s: float, burst: float, asks: list[tuple[float, int]]
) -> None:
    now, pace, sent = 0.0, full_pace(per_s, burst, 0.0), 0
    for gap, want in asks:
        now += gap
        for _ in range(want):
            wait = wait_s(pace, now)
            if wait > 0.0:
                assert wait_s(pace, now + wait + 1e-6) == 0.0, "after the wait one more may go"
                break
            pace = spend(pace, 1, now)
            sent += 1
        assert sent <= burst + per_s * now + 1e-6
