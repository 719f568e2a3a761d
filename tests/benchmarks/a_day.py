"""Some hours at one reading a second into a log, in virtual time: ``a_day.py DIRECTORY HOURS``.

The real station and the real logbook; only the log's thread is replaced, by a writer that has its turn twice
in each virtual second. Prints the bytes that the kernel counted as written, and the commits.
"""

import asyncio
import math
import random
import sys
import time
from collections.abc import Mapping
from concurrent.futures import Future
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from bridge.history.log import spill_path
from bridge.history.recovery import Opened

from bridge.config.loading import load
from bridge.config.plan import LogPlan
from bridge.daemon.forecasts import Foresight
from bridge.daemon.logbook import Logbook
from bridge.guard.model import Flow
from bridge.history.records import ReadingRow, Row
from bridge.history.writer import Writer
from bridge.protocol.messages import Reading
from bridge.protocol.session import LinkUp
from bridge.station.station import Station, Turn
from tests.benchmarks.programs import configuration

START_S = 1_750_003_200.0
USE_L_A_DAY = 30.0


class Straight:
    """The log without its thread: the same writer, called in the same turns."""

    def __init__(self, plan: LogPlan) -> None:
        self.writer = Writer(plan.path, spill_path(plan.path), plan.settings)

    def start(self) -> "Future[Opened]":
        opened: Future[Opened] = Future()
        found = self.writer.open()
        assert found is not None
        opened.set_result(found)
        return opened

    def append(self, *rows: Row, state: Mapping[str, bytes] | None = None) -> None:
        for row in rows:
            if isinstance(row, ReadingRow):
                self.writer.waiting.take_reading(row)
            else:
                self.writer.waiting.take_entry(row, CLOCK.now)
        for key, value in (state or {}).items():
            self.writer.waiting.save(key, value, CLOCK.now, urgent=True)

    def remember(self, key: str, value: bytes) -> None:
        self.writer.waiting.save(key, value, CLOCK.now, urgent=False)

    def turn(self) -> None:
        self.writer.spill()
        self.writer.turn(CLOCK.now)


class Clock:
    """Virtual seconds, for the loop's clock and the wall's."""

    now = 0.0

    def time(self) -> float:
        return self.now


CLOCK = Clock()


class Barrel:
    """An invented barrel: a fill when it is low, a steady use by day, noise as a real controller's."""

    def __init__(self) -> None:
        self.volume_l, self.pulses, self._chance = 110.0, 0.0, random.Random(7)
        self.flow = Flow.SHUT
        self._filled_s = 0

    def reading(self, second: int) -> Reading:
        gauss = self._chance.gauss
        hour = second / 3600.0 % 24.0
        self.volume_l -= USE_L_A_DAY / (12 * 3600) if 7.0 <= hour < 19.0 else 0.0
        if self.flow is Flow.TO_RESERVOIR:
            self._filled_s += 1
            self.volume_l += 1.0 / 60.0
            self.pulses += 7.5
        else:
            self._filled_s = 0
        celsius = round(14 + 6 * math.sin((hour - 10.0) / 24.0 * math.tau) + gauss(0, 0.02), 2)
        fresh = 8.0 + (12.0 * math.exp(-self._filled_s / 60.0) if self._filled_s else 0.0)
        warm = (1 + 0.02 * (celsius - 25.0)) * (1 + gauss(0, 0.002))
        level = 0.05 + 0.9 * (self.volume_l / 200.8 * 0.76 - 0.04) / 0.70
        return Reading(
            second % 65536, self.flow, product_us=round(20.0 * fresh * warm, 3), product_c=celsius,
            feed_us=round(640.0 * warm, 2), feed_c=celsius, level_sensor=round(level, 3), switch_low=True,
            switch_full=False, switch_overflow=False, pulses=int(self.pulses),
        )  # fmt: skip


def written() -> int:
    for line in Path("/proc/self/io").read_text().splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise RuntimeError("the kernel counts no writes")


async def hours(directory: Path, count: int) -> None:
    """Run and print."""
    config = configuration(directory, ["/dev/ttyS99"], None)
    text = config.read_text().replace("refill_fraction = 0.85", "refill_fraction = 0.5")
    config.write_text(text.replace("fill_fraction = 0.95", "fill_fraction = 0.7"))
    plan = load(config, {})
    assert plan.log is not None
    one = plan.stations[0]
    logbook = Logbook(plan.log, plan.stations, lambda trouble: None, lambda level: None)
    straight = Straight(plan.log)
    whole: Any = logbook
    whole._log, whole._loop = straight, CLOCK
    time.time = lambda: START_S + CLOCK.now
    opened = straight.start().result()
    whole._clock = type(whole._clock)(opened.boot, opened.last_utc_ms)
    barrel = Barrel()
    numbers = iter(range(1 << 40))

    def send(message: object) -> bool:
        path = getattr(message, "path", Flow.SHUT)
        barrel.flow = path if isinstance(path, Flow) else Flow.SHUT
        return True

    def on_turn(turn: Turn) -> None:
        logbook.turn(one.identity.reservoir, turn)
        foresight.turn(turn)

    restored = logbook.restored(one)
    station = Station(
        one, send=send, next_sequence=lambda: next(numbers) % 65536, now=0.0, on_turn=on_turn,
        on_event=logbook.event, state=restored.state, accounts=restored.accounts,
    )  # fmt: skip
    foresight = Foresight(logbook.prospect(one, station.memory.inventory), logbook, lambda event, said: None)
    station.receive(LinkUp(), 0.0)
    before, commits = written(), straight.writer.commits
    for second in range(1, count * 3600 + 1):
        CLOCK.now = float(second)
        station.receive(barrel.reading(second), CLOCK.now)
        straight.turn()
    straight.writer.turn(CLOCK.now, everything=True)
    print(written() - before, straight.writer.commits - commits)
    straight.writer.close()


if __name__ == "__main__":
    asyncio.run(hours(Path(sys.argv[1]), int(sys.argv[2])))
