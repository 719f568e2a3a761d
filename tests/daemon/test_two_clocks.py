"""A recorded day through the daemon's loop and through virtual time: the same frames, the same log.

One keeper runs under the clock of an event loop, on the logbook of the daemon with its thread and its file.
The other runs under a virtual clock, on the log of the simulation, over a file as well. The two files are
compared row by row.
"""

import asyncio
import contextvars
import heapq
import selectors
import sqlite3
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC
from pathlib import Path
from typing import TypeVarTuple, Unpack

import pytest

from bridge.clock import Clock, LoopClock, VirtualClock
from bridge.config.plan import LogPlan
from bridge.daemon.keeper import Keeper, KeptLog
from bridge.daemon.logbook import Logbook
from bridge.guard.commands import Acknowledge, GuardCommand, Hold, ReservoirSample, Reset
from bridge.guard.model import Trip
from bridge.history.log_file import Opened
from bridge.history.records import Row
from bridge.history.waiting import LogSettings
from bridge.history.writer import Log
from bridge.protocol.fields import encode
from bridge.protocol.messages import FromBridge, FromController
from bridge.protocol.session import LinkUp
from bridge.rig.faults import Fault, FaultName
from bridge.simulate.chance import Event, Happening
from bridge.simulate.disk import Done, MemoryDisk
from bridge.simulate.gardens import garden
from bridge.simulate.log import SimulatedLog
from bridge.simulate.outcome import Task
from bridge.simulate.year import Year
from bridge.station.plan import StationPlan
from bridge.station.station import StationEvent
from bridge.station.view import StationView

DAY_S = 86_400.0
WALL_S = 1_760_000_000.0
STARTS_AT = 1000.0
_Words = TypeVarTuple("_Words")
HOUR_S = 3600.0


@dataclass
class Day:
    """What reached a bridge on one day, and when."""

    plan: StationPlan
    messages: list[tuple[float, FromController]] = field(default_factory=list)


@pytest.fixture(scope="module")
def day() -> Day:
    """A day with a fill, a fill with an exhausted purifier, and a cut cable."""
    events = [
        Event(1.0 * HOUR_S, happening=Happening.DRAW, size=40.0),
        Event(8.0 * HOUR_S, Fault(FaultName.PURIFIER_EXHAUSTED, 0.0, 3.0 * HOUR_S)),
        Event(8.1 * HOUR_S, happening=Happening.DRAW, size=60.0),
        Event(15.0 * HOUR_S, Fault(FaultName.LINK_CUT, 0.0, 300.0)),
    ]
    here = garden("polytunnel-drain")
    # At rest a reading comes every 20 s, and is fresh for longer: else the day would be one of ticks.
    limits = replace(here.plan.limits, step_s=30.0, stale_after_s=60.0, link_lost_after_s=120.0)
    here = replace(here, plan=replace(here.plan, limits=limits))
    task = Task("two clocks", "polytunnel-drain", 1.0, faults=True, coarse_s=20.0)
    year = Year(task, events=events, place=here)
    found = Day(year.garden.plan)
    heard = year.checks.heard

    def record(message: FromController) -> None:
        # A few milliseconds more for each, so that none comes at the very moment of a timer.
        at = round(8.0 * year.rig.line_s) / 8.0 + 0.001 * (13 * len(found.messages) % 97)
        last = found.messages[-1][0] if found.messages else 0.0
        found.messages.append((max(at, last + 0.001), message))
        heard(message)

    year.checks.heard = record  # type: ignore[method-assign]
    while year.rig.line_s < DAY_S:
        year.step()
    return found


@dataclass
class Bridge:
    """A keeper on a wire that notes every frame."""

    clock: Clock
    frames: list[tuple[float, bytes]] = field(default_factory=list)
    views: list[StationView] = field(default_factory=list)
    events: list[StationEvent] = field(default_factory=list)
    number: int = 0

    def next_sequence(self) -> int:
        self.number += 1
        return self.number

    def send(self, message: FromBridge) -> bool:
        self.frames.append((round(self.clock.monotonic(), 6), encode(message)))
        return True

    def begin(self, plan: StationPlan, log: KeptLog) -> Keeper:
        def fault(error: Exception) -> None:
            raise error

        return Keeper(plan, self.clock, self, self.views.append, self.events.append, fault, log, zone=UTC)


def commands_at(now: float) -> list[tuple[float, GuardCommand]]:
    """What a person sends on that day."""
    return [
        (at := now + hours * HOUR_S + 0.0005, command(at))
        for hours, command in (
            (3.0, lambda at: Hold(at, "hub", True)),
            (3.1, lambda at: Hold(at, "hub", False)),
            (12.0, lambda at: Acknowledge(at, "hub", None)),
            (12.1, lambda at: Reset(at, "hub", Trip.PRODUCT_OVER_LIMIT)),
            (12.2, lambda at: ReservoirSample(at, "page", 7.0)),
        )
    ]


def schedule(clock: Clock, keeper: Keeper, day: Day) -> None:
    """Set a timer for everything that happens on that day."""
    start = clock.monotonic()
    clock.call_at(start, lambda: keeper.received(LinkUp()))
    for at, message in day.messages:
        clock.call_at(start + at, lambda message=message: keeper.received(message))  # type: ignore[misc]
    for at, command in commands_at(start):
        clock.call_at(at, lambda command=command: keeper.command(command))  # type: ignore[misc, arg-type]


class HurriedLoop(asyncio.SelectorEventLoop):
    """An event loop that does not wait for its timers while it hurries: its time moves on to the next one."""

    def __init__(self) -> None:
        self.now = STARTS_AT
        self.hurries = False
        self._dues: list[float] = []
        super().__init__(Hurried(self))

    def time(self) -> float:
        return self.now

    def call_at(
        self,
        when: float,
        callback: Callable[[Unpack[_Words]], object],
        *args: *_Words,
        context: contextvars.Context | None = None,
    ) -> asyncio.TimerHandle:
        heapq.heappush(self._dues, when)
        return super().call_at(when, callback, *args, context=context)

    def move(self, seconds: float) -> None:
        """Move on to the timer that is due after so many seconds."""
        target = self.now + seconds
        while self._dues and self._dues[0] < target - 1e-6:
            heapq.heappop(self._dues)
        if self._dues and self._dues[0] < target + 1e-6:
            target = self._dues[0]
        self.now = max(self.now, target)


class Hurried(selectors.DefaultSelector):
    """Waits for files and threads, and for timers only while the loop does not hurry."""

    def __init__(self, loop: HurriedLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if not self._loop.hurries or timeout is None or timeout <= 0.0:
            return super().select(timeout)
        self._loop.move(timeout)
        return super().select(0)


class WallClock(LoopClock):
    """The clock of the loop, with a wall clock that runs with it."""

    def wall(self) -> float:
        return WALL_S + self.monotonic()


def through_the_loop(day: Day, path: Path, monkeypatch: pytest.MonkeyPatch) -> Bridge:
    """The day through the daemon's loop and logbook."""

    async def live() -> Bridge:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, HurriedLoop)
        bridge = Bridge(WallClock(loop))
        monkeypatch.setattr(time, "time", bridge.clock.wall)
        plan = LogPlan(path, LogSettings())
        logbook = Logbook(plan, [day.plan], lambda trouble: None, lambda level: None)
        await logbook.open()
        keeper = bridge.begin(day.plan, logbook)
        schedule(bridge.clock, keeper, day)
        done = loop.create_future()
        loop.call_at(STARTS_AT + DAY_S, done.set_result, None)
        loop.hurries = True
        await done
        loop.hurries = False
        keeper.end()
        await logbook.close()
        keeper.flush()
        return bridge

    with asyncio.Runner(loop_factory=HurriedLoop) as runner:
        return runner.run(live())


class Filed(MemoryDisk):
    """A disk that hands every row to the writer of a real log."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._log = Log(path)

    def start(self, clock: VirtualClock) -> Opened:
        super().start(clock)
        return self._log.start().result()

    def write(self, rows: Sequence[Row], durable: bool, done: Done | None) -> None:
        super().write(rows, durable, done)
        self._log.write(rows, durable=durable)

    def close(self) -> None:
        assert self._log.close(30.0)


def through_virtual_time(day: Day, path: Path) -> Bridge:
    """The day as a campaign runs it."""

    def complain(sentence: str) -> None:
        raise AssertionError(sentence)

    clock = VirtualClock(STARTS_AT, WALL_S + STARTS_AT)
    bridge = Bridge(clock)
    disk = Filed(path)
    log = SimulatedLog(day.plan, clock, disk, lambda turn: None, None, complain)
    keeper = bridge.begin(day.plan, log)
    schedule(clock, keeper, day)
    clock.advance_to(STARTS_AT + DAY_S)
    keeper.end()
    log.stop()
    disk.close()
    keeper.flush()
    return bridge


def tables(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table that holds what happened or was measured, and what a restart needs."""
    with sqlite3.connect(path) as connection:
        names = [
            name
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            if not name.startswith("sqlite_")
        ]
        found = {name: connection.execute(f"SELECT * FROM {name}").fetchall() for name in names}
    # The log's own marks tell when it was opened and written, in the time of the machine.
    found["state"] = [row for row in found["state"] if not str(row[0]).startswith(("log.", "outbox."))]
    return found


def test_the_loop_and_virtual_time_send_the_same_frames_and_write_the_same_log(
    day: Day, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looped = through_the_loop(day, tmp_path / "loop.db", monkeypatch)
    virtual = through_virtual_time(day, tmp_path / "virtual.db")
    assert looped.frames == virtual.frames
    frames = [frame for _, frame in looped.frames]
    assert any(b" lease " in frame for frame in frames)
    assert any(b" close" in frame for frame in frames)
    one, other = tables(tmp_path / "loop.db"), tables(tmp_path / "virtual.db")
    assert one.keys() == other.keys()
    for name in one:
        assert one[name] == other[name], name
    for name in ("reading", "minute", "alarm", "command", "fill", "event"):
        assert one[name], f"the day has no {name}: nothing was shown"
    assert [event.id for event in looped.events] == [event.id for event in virtual.events]
