"""A recorded day gives the same frames and the same log in the daemon's event loop and in virtual time.

One keeper runs with the clock of an event loop and the daemon's logbook, with its thread and its file.
The other keeper runs with a virtual clock and the log of the simulation, also with a file. The test compares
the two files row by row.
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
from bridge.daemon.keeper import Keeper
from bridge.daemon.log_policy import KeptLog
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
from bridge.simulate.gardens import garden
from bridge.simulate.log import Done, MemoryDisk, SimulatedLog
from bridge.simulate.mishaps import Event, Happening
from bridge.simulate.outcome import Task
from bridge.simulate.year import Year
from bridge.station.events import StationEvent
from bridge.station.plan import StationPlan
from bridge.station.view import StationView

DAY_S = 86_400.0
WALL_S = 1_760_000_000.0
STARTS_AT = 1000.0
_Words = TypeVarTuple("_Words")
HOUR_S = 3600.0


@dataclass
class Day:
    """The messages that reached a bridge on one day, with their times."""

    plan: StationPlan
    messages: list[tuple[float, FromController]] = field(default_factory=list)


@pytest.fixture(scope="module")
def day() -> Day:
    """Return a day with a fill, a fill with an exhausted purifier, and a cut cable."""
    events = [
        Event(1.0 * HOUR_S, happening=Happening.DRAW, size=40.0),
        Event(8.0 * HOUR_S, Fault(FaultName.PURIFIER_EXHAUSTED, 0.0, 3.0 * HOUR_S)),
        Event(8.1 * HOUR_S, happening=Happening.DRAW, size=60.0),
        Event(15.0 * HOUR_S, Fault(FaultName.LINK_CUT, 0.0, 300.0)),
    ]
    here = garden("polytunnel-drain")
    # An idle station gets a reading every 20 s that stays fresh for longer. Otherwise ticks fill the day.
    limits = replace(here.plan.limits, step_s=30.0, stale_after_s=60.0, link_lost_after_s=120.0)
    here = replace(here, plan=replace(here.plan, limits=limits))
    task = Task("two clocks", "polytunnel-drain", 1.0, faults=True, coarse_s=20.0)
    year = Year(task, events=events, place=here)
    found = Day(year.garden.plan)
    heard = year.checks.heard

    def record(message: FromController) -> None:
        # A few more milliseconds for each message prevent a message at the same time as a timer.
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
    """A keeper with a wire that records every frame."""

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
    """Return the commands that a person sends on that day."""
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
    """Set a timer for each message and each command of that day."""
    start = clock.monotonic()
    clock.call_at(start, lambda: keeper.received(LinkUp()))
    for at, message in day.messages:
        clock.call_at(start + at, lambda message=message: keeper.received(message))  # type: ignore[misc]
    for at, command in commands_at(start):
        clock.call_at(at, lambda command=command: keeper.command(command))  # type: ignore[misc, arg-type]


class HurriedLoop(asyncio.SelectorEventLoop):
    """An event loop that, while it hurries, skips to the next timer instead of waiting for it."""

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
        """Advance the time by these seconds, exactly to the timer that is due then."""
        target = self.now + seconds
        while self._dues and self._dues[0] < target - 1e-6:
            heapq.heappop(self._dues)
        if self._dues and self._dues[0] < target + 1e-6:
            target = self._dues[0]
        self.now = max(self.now, target)


class Hurried(selectors.DefaultSelector):
    """Waits for files and threads, and waits for timers only while the loop does not hurry."""

    def __init__(self, loop: HurriedLoop) -> None:
        super().__init__()
        self._loop = loop

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if not self._loop.hurries or timeout is None or timeout <= 0.0:
            return super().select(timeout)
        self._loop.move(timeout)
        return super().select(0)


class WallClock(LoopClock):
    """The clock of the loop, with a wall clock at a fixed offset."""

    def wall(self) -> float:
        return WALL_S + self.monotonic()


def through_the_loop(day: Day, path: Path, monkeypatch: pytest.MonkeyPatch) -> Bridge:
    """Run the day in an event loop with the daemon's logbook."""

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
    """A disk that passes every row to the writer of a real log."""

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
    """Run the day as a campaign does."""

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
    """Return all rows of all tables, without the log's own marks."""
    with sqlite3.connect(path) as connection:
        names = [
            name
            for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            if not name.startswith("sqlite_")
        ]
        found = {name: connection.execute(f"SELECT * FROM {name}").fetchall() for name in names}
    # The log's own marks contain the machine's time of opening and writing, so they always differ.
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
