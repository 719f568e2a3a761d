"""Writes hours of one reading a second to a log, in virtual time: ``a_day.py DIRECTORY HOURS``.

Station, forecast, log policy and tables are real. Commits at the same times replace the log's thread. The
program prints the bytes that the kernel counted as written, and the commits.
"""

import math
import random
import sys
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from bridge.clock import VirtualClock
from bridge.config.loading import load
from bridge.daemon.log_policy import LogPolicy, Written
from bridge.daemon.station_forecast import StationForecast
from bridge.guard.model import Flow
from bridge.history.opening import open_for_writing
from bridge.history.records import Row
from bridge.history.store import Store
from bridge.history.waiting import COMMIT_S
from bridge.protocol.messages import Reading
from bridge.protocol.session import LinkUp
from bridge.station.station import Station, Turn
from tests.benchmarks.programs import configuration

START_S = 1_750_003_200.0
USE_L_A_DAY = 30.0


class Batches:
    """Commits like the log's thread: durable rows at once, all others within some seconds."""

    def __init__(self, path: Path, now: Callable[[], float]) -> None:
        self.commits = 0
        self._store = Store(open_for_writing(path))
        self._now = now
        self._rows: list[Row] = []
        self._since = 0.0

    def take(self, written: Written) -> None:
        if written.rows and not self._rows:
            self._since = self._now()
        self._rows += written.rows
        if written.durable:
            self._commit("FULL")

    def turn(self) -> None:
        if self._rows and self._now() - self._since >= COMMIT_S:
            self._commit("NORMAL")

    def close(self) -> None:
        self._commit("FULL")
        self._store.connection.close()

    def _commit(self, synchronous: str) -> None:
        self._store.connection.execute(f"PRAGMA synchronous = {synchronous}")
        self._store.begin()
        self._store.add(self._rows)
        self._store.commit()
        self._rows = []
        self.commits += 1


class Barrel:
    """An invented barrel: a fill at a low level, a steady use by day, the noise of a real controller."""

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


def hours(directory: Path, count: int) -> None:
    """Runs the hours and prints the result."""
    config = configuration(directory, ["/dev/ttyS99"], None)
    text = config.read_text().replace("refill_fraction = 0.85", "refill_fraction = 0.5")
    config.write_text(text.replace("fill_fraction = 0.95", "fill_fraction = 0.7"))
    plan = load(config, {})
    assert plan.log is not None
    one = plan.stations[0]
    name = one.identity.reservoir
    clock = VirtualClock(0.0, START_S)
    policy = LogPolicy(plan.stations)
    batches = Batches(plan.log.path, clock.monotonic)
    batches.take(policy.begin(clock.monotonic(), clock.wall()))
    barrel = Barrel()
    numbers = iter(range(1 << 40))

    def send(message: object) -> bool:
        path = getattr(message, "path", Flow.SHUT)
        barrel.flow = path if isinstance(path, Flow) else Flow.SHUT
        return True

    def on_turn(turn: Turn) -> None:
        batches.take(policy.turn(name, turn, clock.wall()))
        foresight.turn(turn)

    restored = policy.restored(one, clock.monotonic(), clock.wall())
    station = Station(
        one, send=send, next_sequence=lambda: next(numbers) % 65536, now=0.0, on_turn=on_turn,
        on_event=lambda event: batches.take(policy.event(event, clock.monotonic(), clock.wall())),
        state=restored.state, accounts=restored.accounts,
    )  # fmt: skip
    foresight = StationForecast(
        policy.forecast(one, station.memory.inventory, ()),
        clock,
        lambda note: None,
        lambda event, said: None,
        keep=lambda learner: batches.take(policy.learned(learner, clock.monotonic(), clock.wall())),
    )
    station.receive(LinkUp(), 0.0)
    before, commits = written(), batches.commits
    for second in range(1, count * 3600 + 1):
        clock.advance_to(float(second))
        station.receive(barrel.reading(second), clock.monotonic())
        batches.turn()
    batches.take(policy.stop(clock.monotonic(), clock.wall()))
    batches.close()
    print(written() - before, batches.commits - commits)


if __name__ == "__main__":
    hours(Path(sys.argv[1]), int(sys.argv[2]))
