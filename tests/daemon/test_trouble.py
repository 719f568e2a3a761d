"""A clock step or a log that cannot be written does not disturb the daemon during a fill."""

import asyncio
import sqlite3
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from bridge.config.plan import BridgePlan, LogPlan
from bridge.daemon.process import Daemon
from bridge.demo import HURRIED, RESERVOIR, bridge, station
from bridge.guard.model import Advisory, Flow, Phase
from bridge.history.reader import Reader
from bridge.history.waiting import LogSettings
from bridge.mqtt.broker import MqttVersion
from bridge.rig.pty import RigServer
from bridge.rig.scenario import DEMO
from bridge.rig.world import World
from bridge.station.station import Condition
from tests.waiting import until, within

SLOW = replace(HURRIED, no_rise_after_s=50.0)


@pytest.fixture
async def filling(tmp_path: Path) -> AsyncIterator[tuple[Daemon, BridgePlan]]:
    """Run a daemon with a log, in the middle of a long fill."""
    pty = tmp_path / "controller"
    rig = RigServer(World(DEMO, seed=5), pty, 5.0)
    serving = asyncio.create_task(rig.run())
    await within(rig.ready.wait())
    plan = bridge(station(DEMO, str(pty), SLOW, 0.5, 0.9), "127.0.0.1", 1, MqttVersion.V5)
    plan = replace(plan, hub=None, log=LogPlan(tmp_path / "log.db", LogSettings()))
    daemon = Daemon(plan)
    running = asyncio.create_task(daemon.run())
    await within(daemon.ready.wait())
    guard = daemon.keepers[RESERVOIR]
    await until(lambda: guard.station.state.phase is Phase.FILL, "no fill began")
    yield daemon, plan
    daemon.stop()
    await within(running)
    serving.cancel()
    await asyncio.gather(serving, return_exceptions=True)


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, 366 * 86400.0, -366 * 86400.0])
async def test_a_clock_set_while_filling_moves_no_valve_and_no_record(
    filling: tuple[Daemon, BridgePlan], monkeypatch: pytest.MonkeyPatch, jump_s: float
) -> None:
    daemon, plan = filling
    one = daemon.keepers[RESERVOIR].station
    seen: list[Flow] = []
    original = one._on_turn
    assert original is not None

    def watch(turn: object) -> None:
        seen.append(one.state.flow)
        original(turn)  # type: ignore[arg-type]

    monkeypatch.setattr(one, "_on_turn", watch)
    true_time = time.time
    monkeypatch.setattr(time, "time", lambda: true_time() + jump_s)
    await until(lambda: len(seen) > 10, "no turn came")
    assert set(seen) == {Flow.TO_RESERVOIR}, "the valve moved because the clock was set"
    assert plan.log is not None
    path = plan.log.path
    await until(lambda: _clock_steps(path) > 0, "the step of the clock was not reported")
    with Reader(path) as reader:
        stamps = [row.stamp for row in reader.readings(RESERVOIR, 0, 2**45)]
    assert stamps == sorted(stamps)
    assert [stamp.utc_ms for stamp in stamps] == sorted(stamp.utc_ms for stamp in stamps)


def _clock_steps(path: Path) -> int:
    with Reader(path) as reader:
        return sum(getattr(row, "event", "") == "clock-step" for row in reader.events(0, 2**45))


async def test_a_log_that_is_locked_stops_no_fill_and_raises_an_alarm(
    filling: tuple[Daemon, BridgePlan],
) -> None:
    daemon, plan = filling
    one = daemon.keepers[RESERVOIR].station
    assert plan.log is not None
    with sqlite3.connect(plan.log.path, isolation_level=None) as other:
        other.execute("BEGIN EXCLUSIVE")
        one.inform(Condition(Advisory.RESERVOIR_LOW, True))
        told = f"nobody was told that the log is locked: {one.state.alarms}"
        await until(lambda: Advisory.LOG_TROUBLE in {record.alarm for record in one.state.alarms}, told)
        assert one.state.phase is Phase.FILL
        other.execute("ROLLBACK")
    await until(lambda: Advisory.LOG_TROUBLE not in one._conditions, "the log did not come back")
    assert one.state.phase is Phase.FILL
