"""After a kill at any moment, the log is sound and has every committed row, and the hub gets every record."""

import contextlib
import os
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.history.reader import Reader
from bridge.history.records import AlarmRow, Kind, StampedRow
from bridge.history.waiting import LogSettings, OutboxSettings
from bridge.history.writer import Log
from tests.history.bridge_to_kill import drop_cut_line
from tests.running import Running
from tests.waiting import DEADLINE_S

pytestmark = pytest.mark.slow


ALWAYS = 2**50
Line = Callable[[StampedRow], str]
KILLS = int(os.environ.get("CLEARWELL_KILLS", "20"))
ROOT = Path(__file__).parents[2]


def test_kills_at_random_moments_lose_no_committed_row(tmp_path: Path, line_of: Line) -> None:
    log, hub = tmp_path / "log.db", tmp_path / "hub"
    chance = random.Random(20)
    boots: list[int] = []
    latched = 0
    for kill in range(KILLS):
        with Running(sys.executable, "-m", "tests.history.bridge_to_kill", log, hub, cwd=ROOT) as child:
            # Progress and not the clock sets the kill: after some commits, at any moment of the next one.
            promises = child.lines()
            for _ in range(chance.randrange(1, 40)):
                next(promises)
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.process.wait(chance.random() * 0.02)
        assert child.process.returncode == -9, f"the log ended by an error of its own: {child.printed}"
        words = [line.split() for line in child.printed.splitlines()]
        begun = next(line for line in words if line[0] == "B")
        boots.append(int(begun[1]))
        assert int(begun[2]) >= latched, "a latched state that was promised is back"
        latched = max([latched, *(int(line[1]) for line in words if line[0] == "A" and len(line) == 2)])
        safe = max([-1, *(int(line[1]) for line in words if line[0] == "R" and len(line) == 2)])
        with Reader(log) as reader:
            assert reader.check() == ["ok"], f"after kill {kill}"
            alarms = [
                row for row in reader.events(0, ALWAYS, kinds=[Kind.ALARM]) if isinstance(row, AlarmRow)
            ]
            texts = [row.sentence for row in alarms]
            assert texts == sorted(set(texts), key=lambda text: int(text.split()[1])), (
                "in order and none twice"
            )
            assert {f"alarm {n}" for n in range(1, latched + 1)} <= set(texts), (
                "every promised alarm is there"
            )
            stamps = [row.stamp for row in reader.readings("barrel", 0, ALWAYS)]
            assert stamps == sorted(set(stamps))
            mine = [s.sequence for s in stamps if s.boot == boots[-1] and s.sequence <= safe]
            assert len(mine) + len(
                [a for a in alarms if a.stamp.boot == boots[-1] and a.stamp.sequence < safe]
            ) == (safe + 1), "every reading that was promised is there"
    assert boots == sorted(set(boots))
    deliver_the_rest(log, hub, line_of)
    with Reader(log) as reader:
        readings = [line_of(row) for row in reader.readings("barrel", 0, ALWAYS)]
        entries = [line_of(row) for row in reader.events(0, ALWAYS)]
    received = list(dict.fromkeys(hub.read_text().split("\n")[:-1]))
    assert [line for line in received if line.startswith("reading")] == readings, "once each, and in order"
    assert [line for line in received if not line.startswith("reading")] == entries
    assert len(readings) > 1000


def deliver_the_rest(path: Path, hub: Path, line_of: Line) -> None:
    drop_cut_line(hub)
    settings = LogSettings(raw_days=3660, outbox=OutboxSettings(every_s=0, pack_rows=100))
    log = Log(path, settings=settings)
    log.start().result(DEADLINE_S)
    with hub.open("a") as received:
        while parcels := log.parcels(50).result(DEADLINE_S):
            for parcel in parcels:
                received.writelines(line_of(row) + "\n" for row in parcel.rows)
                log.acknowledge(parcel)
    assert log.close(DEADLINE_S)
