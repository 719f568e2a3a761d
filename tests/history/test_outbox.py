"""The outbox: everything, in order, until it is acknowledged; when it is full the oldest readings go."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.guard.model import Flow, Trip
from bridge.history.limits import LogSettings
from bridge.history.outbox import OutboxSettings, Parcel
from bridge.history.pace import allowed, full_pace, spend, wait_s
from bridge.history.pack import Measured
from bridge.history.records import AlarmChange, AlarmRow, ReadingRow, Row, Stamp
from bridge.history.rest import Rest
from bridge.history.store import Store
from bridge.history.writer import Writer

ALL = OutboxSettings(every_s=0, pack_rows=50, pack_s=60)


def start(path: Path, settings: OutboxSettings = ALL) -> Writer:
    writer = Writer(path, None, LogSettings(outbox=settings))
    writer.open()
    return writer


def peek(writer: Writer, count: int) -> list[Parcel]:
    assert writer.outbox is not None
    assert writer.store is not None
    return writer.outbox.peek(count, writer.store, writer.waiting)


def acknowledge(writer: Writer, *parcels: Parcel) -> None:
    assert writer.outbox is not None
    writer.outbox.acknowledge([parcel.id for parcel in parcels])


def drain(writer: Writer) -> list[Row]:
    rows: list[Row] = []
    while parcels := peek(writer, 7):
        rows += [row for parcel in parcels for row in parcel.rows]
        acknowledge(writer, *parcels)
    return rows


def alarm(make_reading, second: int) -> AlarmRow:  # type: ignore[no-untyped-def]
    utc = make_reading(second).stamp.utc_ms + 300
    return AlarmRow(Stamp(1, 10**6 + second, utc), "barrel", Trip.NO_RISE, AlarmChange.RAISED, f"at {second}")


def feed(writer: Writer, make_reading, seconds: range, **more: int) -> None:  # type: ignore[no-untyped-def]
    for second in seconds:
        writer.waiting.take_reading(make_reading(second, **more))
        writer.turn(float(second))


def test_a_day_without_a_hub_is_delivered_whole_and_in_order(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    writer = start(tmp_path / "log.db")
    for second in range(0, 86_400, 20):
        writer.waiting.take_reading(make_reading(second))
        if second % 7200 == 0:
            writer.waiting.take_entry(alarm(make_reading, second), 0.0)
        writer.turn(float(second))
    writer.turn(0.0, everything=True)
    rows = drain(writer)
    readings = [row.stamp for row in rows if isinstance(row, ReadingRow)]
    assert [stamp.sequence for stamp in readings] == list(range(0, 86_400, 20))
    assert [row.sentence for row in rows if isinstance(row, AlarmRow)] == [
        f"at {s}" for s in range(0, 86_400, 7200)
    ]
    assert peek(writer, 1) == []


def test_what_is_not_acknowledged_is_offered_again_even_after_a_restart(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    writer = start(tmp_path / "log.db")
    feed(writer, make_reading, range(500))
    first = peek(writer, 4)
    assert peek(writer, 4) == first
    acknowledge(writer, first[1], first[2])
    assert peek(writer, 1) == [first[0]], "an acknowledgement out of turn frees nothing before its turn"
    acknowledge(writer, first[0])
    writer.close()
    again = start(tmp_path / "log.db")
    assert [row.stamp.sequence for row in drain(again)] == list(range(150, 500))


def test_a_record_sent_from_memory_is_the_same_as_the_one_sent_from_the_file(
    tmp_path: Path, make_reading, line_of
) -> None:  # type: ignore[no-untyped-def]
    writer = start(tmp_path / "log.db", OutboxSettings(every_s=10, pack_rows=5, pack_s=60))
    feed(writer, make_reading, range(600))
    assert writer.outbox is not None
    from_memory = [line_of(row) for parcel in peek(writer, 10) for row in parcel.rows]
    writer.turn(0.0, everything=True)
    fresh = start_reader(writer)
    from_file = [line_of(row) for parcel in fresh for row in parcel.rows]
    assert len(from_memory) == 50
    assert from_memory == from_file[: len(from_memory)]


def start_reader(writer: Writer) -> list[Parcel]:
    """The parcels of a process that begins at the same acknowledged place."""
    writer.close()
    again = start(writer.path, OutboxSettings(every_s=10, pack_rows=5, pack_s=60))
    return peek(again, 10)


def test_one_reading_in_ten_seconds_is_sent_and_every_change_of_path(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    from dataclasses import replace

    writer = start(tmp_path / "log.db", OutboxSettings(every_s=10, pack_rows=50, pack_s=0))
    for second in range(100):
        path = Flow.TO_RESERVOIR if 33 <= second < 35 else Flow.SHUT
        writer.waiting.take_reading(replace(make_reading(second), path=path))
    sent = [row.stamp.sequence for row in drain(writer)]
    assert sent == [0, 10, 20, 30, 33, 35, 40, 50, 60, 70, 80, 90]


def test_several_reservoirs_are_each_in_order(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    writer = start(tmp_path / "log.db", OutboxSettings(every_s=0, pack_rows=30, pack_s=0))
    for second in range(4000):
        writer.waiting.take_reading(make_reading(second, reservoir=("barrel", "tub", "vat")[second % 3]))
        writer.turn(0.0)
    rows = drain(writer)
    for at, name in enumerate(("barrel", "tub", "vat")):
        mine = [row.stamp.sequence for row in rows if row.reservoir == name]
        assert mine == list(range(at, 4000, 3))


def test_when_it_is_full_the_oldest_readings_go_and_alarms_stay_and_there_was_an_alert(  # type: ignore[no-untyped-def]
    tmp_path: Path, make_reading
) -> None:
    writer = start(tmp_path / "log.db", OutboxSettings(every_s=0, pack_rows=500, limit_bytes=20_000))
    alerts: list[tuple[bool, int]] = []
    for second in range(0, 40 * 3600, 10):
        writer.waiting.take_reading(make_reading(second))
        if second % 3600 == 0:
            writer.waiting.take_entry(alarm(make_reading, second), 0.0)
        writer.turn(float(second))
        if writer.level and (writer.level.alert, writer.level.dropped_readings) not in alerts:
            alerts.append((writer.level.alert, writer.level.dropped_readings))
    assert (True, 0) in alerts, "the alert comes before anything is dropped"
    rows = drain(writer)
    readings = [row.stamp.sequence for row in rows if isinstance(row, ReadingRow)]
    assert writer.level is not None
    assert writer.level.dropped_readings > 0
    assert readings == list(range(10 * writer.level.dropped_readings, readings[-1] + 10, 10)), (
        "only the oldest went"
    )
    assert [row.sentence for row in rows if isinstance(row, AlarmRow)] == [
        f"at {h * 3600}" for h in range(40)
    ]


def test_dropping_does_not_disturb_what_is_under_way(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    writer = start(tmp_path / "log.db", OutboxSettings(every_s=0, pack_rows=100, limit_bytes=20_000))
    feed(writer, make_reading, range(0, 3 * 3600, 10))
    under_way = peek(writer, 3)
    feed(writer, make_reading, range(3 * 3600, 40 * 3600, 10))
    acknowledge(writer, *under_way)
    rest = [row.stamp.sequence for row in drain(writer)]
    assert rest == sorted(set(rest))
    assert writer.level is not None
    assert rest[0] == 10 * writer.level.dropped_readings


def test_readings_wait_past_their_days_while_the_hub_is_away(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    writer = Writer(tmp_path / "log.db", None, LogSettings(raw_days=1, outbox=OutboxSettings(every_s=0)))
    writer.open()
    feed(writer, make_reading, range(0, 5 * 86_400, 600))
    assert drain(writer)[0].stamp.sequence == 0


def test_an_outbox_that_is_switched_on_later_begins_then(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    writer = Writer(tmp_path / "log.db", None, LogSettings(outbox=None))
    writer.open()
    feed(writer, make_reading, range(0, 7200, 60))
    writer.close()
    later = start(tmp_path / "log.db")
    feed(later, make_reading, range(7200, 9000, 60), boot=2)
    later.turn(0.0, everything=True)
    assert [row.stamp.sequence for row in drain(later)] == list(range(7200, 9000, 60))


@given(
    st.floats(0.1, 100),
    st.floats(1, 50),
    st.lists(st.tuples(st.floats(0, 20), st.integers(0, 100)), max_size=40),
)
def test_a_replay_never_goes_faster_than_its_pace(
    per_s: float, burst: float, asks: list[tuple[float, int]]
) -> None:
    now, pace, sent = 0.0, full_pace(per_s, burst, 0.0), 0
    for gap, want in asks:
        now += gap
        go = min(want, allowed(pace, now))
        pace = spend(pace, go, now)
        sent += go
        assert sent <= burst + per_s * now + 1e-6
        if want > go:
            assert allowed(pace, now + wait_s(pace, now) + 1e-6) >= 1, "after the wait one more may go"


def test_over_the_end_of_an_hour_readings_are_sent_without_unpacking_its_block(
    tmp_path: Path, make_reading, monkeypatch: pytest.MonkeyPatch
) -> None:  # type: ignore[no-untyped-def]
    writer = start(tmp_path / "log.db", OutboxSettings())
    unpacked: list[object] = []
    monkeypatch.setattr(Store, "readings_in", lambda *arguments: unpacked.append(arguments) or [])
    sent: list[int] = []
    for second in range(3 * 3600 + 1):
        writer.waiting.take_reading(make_reading(second))
        writer.turn(float(second))
        if second % 61 == 0:
            while parcels := peek(writer, 4):
                sent += [row.stamp.sequence for parcel in parcels for row in parcel.rows]
                acknowledge(writer, *parcels)
    assert sent == list(range(0, sent[-1] + 1, 10))
    assert sent[-1] > 3 * 3600 - 130
    assert unpacked == []


def test_after_an_outage_each_block_is_unpacked_once_or_twice_however_many_reservoirs(
    tmp_path: Path, make_reading, monkeypatch: pytest.MonkeyPatch
) -> None:  # type: ignore[no-untyped-def]
    names = ("barrel", "tub", "vat")
    writer = start(tmp_path / "log.db", OutboxSettings())
    for second in range(0, 6 * 3600, 5):
        for name in names:
            writer.waiting.take_reading(make_reading(second, reservoir=name))
        writer.turn(float(second))
    writer.turn(0.0, everything=True)
    unpacked: list[int] = []
    sound = Store.readings_in

    def counted(store: Store, block: int, *more: Rest) -> list[Measured]:
        unpacked.append(block)
        return sound(store, block, *more)

    monkeypatch.setattr(Store, "readings_in", counted)
    rows = drain(writer)
    for name in names:
        assert [row.stamp.sequence for row in rows if row.reservoir == name] == list(range(0, 6 * 3600, 10))
    assert len(unpacked) <= 2 * 6 * len(names)


@pytest.mark.parametrize("settings", [OutboxSettings(), OutboxSettings(every_s=2.0, pack_rows=10)])
def test_the_log_says_for_how_long_there_is_nothing_to_look_for(
    tmp_path: Path, make_reading, settings: OutboxSettings
) -> None:  # type: ignore[no-untyped-def]
    writer = start(tmp_path / "log.db", settings)
    assert writer.outbox is not None
    quiet_until, looks, found = 0.0, 0, 0
    for second in range(2 * 3600):
        writer.waiting.take_reading(make_reading(second, noise=0.0))
        writer.turn(float(second))
        if second < quiet_until:
            continue
        looks += 1
        while parcels := peek(writer, 4):
            found += 1
            oldest = parcels[0].rows[0].stamp.sequence
            assert second - oldest <= settings.pack_s + 1, "it could have been sent before"
            acknowledge(writer, *parcels)
        quiet_until = second + writer.outbox.quiet_s()
    assert found > 2 * 3600 / (settings.pack_s + settings.every_s + 2)
    assert looks <= 2.1 * found


def test_an_acknowledgement_of_something_unknown_changes_nothing(tmp_path: Path, make_reading) -> None:  # type: ignore[no-untyped-def]
    writer = start(tmp_path / "log.db")
    feed(writer, make_reading, range(200))
    before = peek(writer, 2)
    assert writer.outbox is not None
    writer.outbox.acknowledge([999, -1])
    assert peek(writer, 2) == before
