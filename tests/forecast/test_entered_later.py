"""Entries made after the event: the log appends them at its end, and the time given with --at orders them."""

import json
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.commands.shared.values import entered_ms
from bridge.errors import InputError
from bridge.forecast import by_hand, cartridges
from bridge.forecast.cartridges import history_from
from bridge.history.reader import Reader
from bridge.history.records import (
    CartridgeRow,
    EntryRow,
    Litres,
    LitresRow,
    ReadingRow,
    SampleRow,
    Stamp,
    UndoRow,
    when_ms,
)
from bridge.history.writer import add
from tests.forecast.test_by_hand import CONFIG, JUGS, PITCHER, ByHandRow, Kitchen
from tests.running import clearwell, succeeds

NOW_MS = 1_790_000_000_000
MINUTE_MS = 60_000
ZONE = "Europe/Berlin"


def utc_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


# --- the time ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("2026-07-04T08:00", "2026-07-04T08:00+02:00"),
        ("2026-01-04 08:00", "2026-01-04T08:00+01:00"),
        ("20260704T0800", "2026-07-04T08:00+02:00"),
        ("2026-07-04T08:00Z", "2026-07-04T08:00+00:00"),
        ("2026-07-04T08:00:30-05:00", "2026-07-04T08:00:30-05:00"),
        ("2025-10-26T02:30+02:00", "2025-10-26T00:30+00:00"),
    ],
)
def test_a_time_without_an_offset_is_local_in_summer_and_winter(text: str, meant: str) -> None:
    assert entered_ms(text, ZONE, NOW_MS) == utc_ms(meant)


def test_without_a_zone_the_machines_own_zone_applies(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "America/New_York")
    time.tzset()
    try:
        assert entered_ms("2026-07-04T08:00", None, NOW_MS) == utc_ms("2026-07-04T08:00-04:00")
        with pytest.raises(InputError, match="is skipped by the clock"):
            entered_ms("2026-03-08T02:30", None, NOW_MS)
    finally:
        monkeypatch.undo()
        time.tzset()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("yesterday", "this is not a time; give day and time"),
        ("2026-07-04", "this is a whole day"),
        ("2026-13-04T08:00", "this is not a time"),
        ("0026-07-04T08:00", "the year 26 is not possible"),
        ("9999-12-31T23:59-12:00", "the year 9999 is not possible"),
        ("2026-10-04T08:00", "this is in the future; it is 2026-09-21T16:13:20+02:00 now"),
        ("2026-03-29T02:30", "this time is skipped by the clock"),
        ("2025-10-26T02:30", "this time comes twice"),
    ],
)
def test_an_impossible_time_is_refused_with_the_right_form(text: str, told: str) -> None:
    with pytest.raises(InputError) as caught:
        entered_ms(text, ZONE, NOW_MS)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


# --- entries are ordered by their time -------------------------------------------------------------------


def entered_in(order: list[int], rows: list[ByHandRow]) -> list[ByHandRow]:
    """Returns the same rows, entered in that order long after all of the events."""
    late_ms = rows[-1].stamp.utc_ms + 1
    return [
        replace(rows[number], stamp=Stamp(2, k, late_ms + k), at_ms=rows[number].stamp.utc_ms)
        for k, number in enumerate(order)
    ]


def pitchers_life() -> list[ByHandRow]:
    kitchen = Kitchen()
    for day in range(1, 25):
        kitchen.live_a_day()
        if day == 11:
            kitchen.read(260.0, of="feed")
        if day == 15:
            kitchen.change(exhausted=False)
    return kitchen.rows


def jugs_life() -> list[ByHandRow]:
    kitchen = Kitchen()
    kitchen.litres(40.0, Litres.PUT, "jugs")
    for taken in (4.0, 3.0, 6.0, 2.0, 5.0):
        kitchen.day += 2.0
        kitchen.litres(taken, Litres.TAKEN, "jugs")
    kitchen.litres(18.0, Litres.LEFT, "jugs")
    kitchen.day += 1.0
    kitchen.litres(3.0, Litres.TAKEN, "jugs")
    return kitchen.rows


LIFE, STOCK = pitchers_life(), jugs_life()
STATE, STANDS = by_hand.purifier_after(PITCHER, LIFE), by_hand.shelf_after(JUGS, STOCK)


@given(st.permutations(range(len(LIFE))), st.permutations(range(len(STOCK))))
def test_the_forecast_does_not_depend_on_the_order_of_the_entries(
    pitchers: list[int], jugs: list[int]
) -> None:
    assert STATE.earlier
    assert STANDS.cover is not None
    assert by_hand.purifier_after(PITCHER, entered_in(pitchers, LIFE)) == STATE
    assert by_hand.shelf_after(JUGS, entered_in(jugs, STOCK)) == STANDS


def test_a_late_entry_counts_for_the_cartridge_in_use_at_its_time() -> None:
    kitchen = Kitchen()
    kitchen.day = 1.0
    kitchen.litres(10.0)
    kitchen.day = 5.0
    kitchen.change(exhausted=None)
    kitchen.litres(2.0)
    forgotten = LitresRow(kitchen.stamp(), "pitcher", Litres.MADE, 7.0, at_ms=round(3.0 * 86_400_000))
    state = by_hand.purifier_after(PITCHER, [*kitchen.rows, forgotten])
    assert state.treated_before_l == (17.0,)
    assert state.kept.load.treated_l == 2.0
    assert state.entered_ms == kitchen.rows[-1].stamp.utc_ms


# --- the daemon's cartridge history --------------------------------------------------------------------


def feed(us_cm: float, at_ms: int | None = None) -> Callable[[Stamp], EntryRow]:
    return lambda stamp: SampleRow(
        stamp, "barrel", "feed", us_cm, us_cm / 2, 1.0, 0.5, None, "off", "unsuitable", at_ms=at_ms
    )


def test_a_feed_sample_older_than_the_present_one_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    (first,) = add(path, feed(600.0))
    known = cartridges.read(path)
    assert known.feed_us_cm == {"barrel": 600.0}
    add(path, feed(300.0, first.stamp.utc_ms - MINUTE_MS))
    # A running daemon reads only new rows; one that starts reads all of them.
    assert cartridges.read(path, known.until_ms).feed_us_cm == {}
    assert cartridges.read(path).feed_us_cm == {"barrel": 600.0}
    (last,) = add(path, feed(500.0, first.stamp.utc_ms + 1))
    assert last.stamp.utc_ms > when_ms(last)
    assert cartridges.read(path, known.until_ms).feed_us_cm == {"barrel": 500.0}
    assert cartridges.read(path).feed_us_cm == {"barrel": 500.0}


def test_a_running_daemon_counts_the_earlier_feed_again_after_an_undo(
    tmp_path: Path,
) -> None:
    path = tmp_path / "log.db"
    add(path, feed(600.0))
    (slip,) = add(path, feed(60.0))
    known = cartridges.read(path)
    assert known.feed_us_cm == {"barrel": 60.0}
    add(path, lambda stamp: UndoRow(stamp, "barrel", "sample", slip.stamp.utc_ms))
    assert cartridges.read(path, known.until_ms).feed_us_cm == {"barrel": 600.0}
    assert cartridges.read(path).feed_us_cm == {"barrel": 600.0}


def test_an_old_sample_of_a_reservoir_does_not_set_its_present_ppm() -> None:
    now = SampleRow(Stamp(1, 1, 1000), "barrel", "reservoir", 20.0, 10.0, 1.0, 0.5, None, "off", "suitable")
    then = replace(now, stamp=Stamp(1, 2, 2000), conductivity_25_us_cm=90.0, at_ms=500)
    assert history_from([now, then]).reservoir == {"barrel": now}


# --- at the terminal ---------------------------------------------------------------------------------


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "clearwell.toml"
    path.write_text(f'{CONFIG}[display]\nzone = "{ZONE}"\n', encoding="utf-8")
    return path


def typed(*words: str) -> str:
    return succeeds("sample", *words)


def kept(config: Path) -> list[EntryRow]:
    with Reader(config.with_name("clearwell.db")) as reader:
        return list(reader.events(0, 2**45))


def test_yesterdays_litres_are_entered_today_with_their_time(config: Path) -> None:
    here = ("--config", str(config), "--of", "pitcher")
    local = datetime.now(UTC) - timedelta(days=3)
    early, late = (f"{local + timedelta(days=d):%Y-%m-%dT%H:%M:%SZ}" for d in (0, 1))
    typed(*here, "--litres", "5", "--ppm", "4", "--at", late)
    said = typed(*here, "--litres", "3", "--ppm", "2", "--feed-ppm", "150", "--at", early)
    assert f", as of {datetime.fromisoformat(early).astimezone().strftime('%Y')}" in said
    assert "Last reading   4 ppm" in said, "the later reading is the last one"
    assert "Treated        8 L" in said
    assert "last 2 days ago" in said
    # The cartridge was changed between the two, and that is entered last of all.
    changed = f"{local + timedelta(hours=5):%Y-%m-%dT%H:%M:%SZ}"
    state = json.loads(typed(*here, "--changed", "early", "--at", changed, "--json"))
    assert state["treated_l"] == 5.0
    rows = kept(config)
    assert [row.stamp for row in rows] == sorted(row.stamp for row in rows), "the log's order is its own"
    change = next(row for row in rows if isinstance(row, CartridgeRow))
    assert (change.treated_l, change.at_ms) == (3.0, utc_ms(changed))
    told = succeeds("log", "--config", config, "--kind", "litres")
    assert f"5 L made, at {local.astimezone().strftime('%Y')}" in " ".join(told.split())


def test_a_sample_of_a_tray_is_compared_with_its_water_at_that_time(tmp_path: Path) -> None:
    from tests.history.conftest import write_log as write

    path = tmp_path / "clearwell.db"
    base_ms = round(time.time() * 1000) - 600_000
    write(
        path,
        iter(
            [
                ReadingRow(
                    Stamp(1, k, base_ms + 60_000 * k), "barrel", conductivity_25_us_cm=20.0, product_ppm=10.0,
                    reservoir_ppm=held,
                )
                for k, held in enumerate((10.0, 40.0))
            ]
        ),
    )  # fmt: skip
    then = datetime.fromtimestamp(base_ms / 1000 + 1, UTC).isoformat()
    words = ("--log", str(path), "--of", "tray", "--conductivity", "160", "--compensated", "--json")
    assert json.loads(typed(*words, "--at", then))["given"] == pytest.approx(10.0)
    assert json.loads(typed(*words))["given"] == pytest.approx(40.0)


def test_a_time_without_an_entry_is_refused() -> None:
    done = clearwell("sample", "--conductivity", 5, "--compensated", "--at", "2026-01-01T10:00")
    assert done.status == 2
    assert "--at is the time of an entry" in done.stderr
