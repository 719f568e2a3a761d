"""Collector, database, broker and bridges are killed while records arrive: every record is stored once."""

import asyncio
import os
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Awaitable, Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from bridge.history.reader import Reader
from bridge.history.senml import row_records
from tests.brokers import Mosquitto
from tests.collect.conftest import PostgresServer, asked
from tests.running import Running, started
from tests.waiting import DEADLINE_S, within

RESERVOIRS = int(os.environ.get("CLEARWELL_COLLECT_RESERVOIRS", "8"))
"""Over all bridges. The whole campaign has 200."""
ROUNDS = int(os.environ.get("CLEARWELL_COLLECT_ROUNDS", "1" if RESERVOIRS < 50 else "4"))
"""How often each part is killed."""
BRIDGES = 2 if RESERVOIRS < 50 else 5
SPEED = 10.0 if RESERVOIRS < 50 else 1.0
PARTS = ("broker without a collector", "collector", "database", "broker", "bridge")
END_MS = 2**45
ROOT = Path(__file__).parents[2]

Key = tuple[str, int]
Value = tuple[str, float | None, str | None, int | None]


@pytest.fixture
def postgres_to_kill() -> Iterator[PostgresServer]:
    """A cluster for one test alone."""
    with tempfile.TemporaryDirectory(prefix="clearwell-postgres-", ignore_cleanup_errors=True) as folder:
        server = PostgresServer(Path(folder))
        server.create()
        server.start()
        yield server
        server.kill()


class Gardens:
    """Bridges with their simulated controllers, one process for each bridge."""

    def __init__(self, folder: Path, broker: Mosquitto) -> None:
        self._broker = broker
        self._folders = {f"garden-{number}": folder / f"garden-{number}" for number in range(BRIDGES)}
        self.running: dict[str, Running] = {}
        for one in self._folders.values():
            one.mkdir()

    def start(self) -> None:
        """Start every bridge that does not run."""
        for bridge, folder in self._folders.items():
            if bridge not in self.running:
                words = (folder, bridge, RESERVOIRS // BRIDGES, self._broker.port, SPEED)
                self.running[bridge] = Running(sys.executable, "-m", "tests.collect.garden", *words, cwd=ROOT)

    def kill(self, bridge: str) -> None:
        one = self.running.pop(bridge)
        assert not one.has_ended, f"{bridge} ended by itself: {one.printed[-3000:]}"
        one.kill()

    def kill_all(self) -> None:
        for one in self.running.values():
            one.kill()
        self.running.clear()

    def logged(self) -> dict[Key, Value]:
        """Return every record of every log, by its SenML name and its time."""
        found: dict[Key, Value] = {}
        for bridge, folder in self._folders.items():
            with Reader(folder / "log.db") as reader:
                rows = [
                    *(row for name in reader.reservoirs() for row in reader.readings(name, 0, END_MS)),
                    *reader.events(0, END_MS),
                ]
            for record in (one for row in rows for one in row_records(row, bridge)):
                flag = None if record.flag is None else int(record.flag)
                key = (record.name, round(record.time_s * 1000))
                found[key] = (record.unit or "", record.value, record.text, flag)
        return found


async def stored(url: str) -> dict[Key, Value]:
    rows = await asked(url, "SELECT * FROM v_record")
    return {_key(row): (row["unit"], row["value"], row["text"], row["flag"]) for row in rows}


def _key(row: dict[str, Any]) -> Key:
    moment: datetime = row["time"]
    name = f"{row['bridge']}/{row['reservoir'] or 'bridge'}/{row['name']}"
    return name, int(moment.timestamp()) * 1000 + moment.microsecond // 1000


async def count(url: str) -> int:
    return int((await asked(url, "SELECT count(*) AS rows FROM record"))[0]["rows"])


async def grows(url: str, what: str) -> None:
    """Wait until more records are in the database than now."""
    before = await count(url)
    await eventually(lambda: _more(url, before), f"no record was stored after a kill of the {what}")


async def _more(url: str, before: int) -> bool:
    return await count(url) > before


async def one_more_message(broker: Mosquitto) -> None:
    """Wait until a bridge has sent records to the broker."""
    async with aiomqtt.Client(broker.host, broker.port) as client:
        await client.subscribe("clearwell/+/records", qos=1)
        await within(anext(client.messages), "no bridge has sent a record")


async def eventually(condition: Callable[[], Awaitable[bool]], failure: str) -> None:
    """Ask the database until a condition holds."""
    end = asyncio.get_running_loop().time() + DEADLINE_S
    while not await condition():
        assert asyncio.get_running_loop().time() < end, failure
        await asyncio.sleep(0.2)


@pytest.mark.needs("postgresql", "mosquitto")
async def test_each_record_of_every_bridge_is_stored_once_whatever_is_killed(
    tmp_path: Path, postgres_to_kill: PostgresServer
) -> None:
    broker = Mosquitto(
        tmp_path,
        (
            "allow_anonymous true",
            "persistence true",
            f"persistence_location {tmp_path}/",
            "max_queued_messages 100000",
        ),
    )
    await broker.start()
    url = postgres_to_kill.fresh("water")
    gardens = Gardens(tmp_path, broker)
    chance = random.Random(5)
    kills: Counter[str] = Counter()

    def start_collector() -> Running:
        return started("collect", "--to", url, "--broker", f"127.0.0.1:{broker.port}")

    collector = start_collector()
    try:
        await asyncio.to_thread(collector.prints, "connected to the broker")
        gardens.start()
        await grows(url, "start")
        for part in PARTS * ROUNDS:
            # The test needs a kill at a random time, so it has no event to await.
            await asyncio.sleep(chance.uniform(0.2, 1.5))
            kills[part] += 1
            match part:
                case "collector":
                    assert not collector.has_ended, collector.printed[-3000:]
                    collector.kill()
                    await asyncio.sleep(chance.uniform(0.0, 1.0))
                    collector = start_collector()
                case "database":
                    await asyncio.to_thread(postgres_to_kill.kill)
                    await asyncio.sleep(chance.uniform(0.0, 1.0))
                    await asyncio.to_thread(postgres_to_kill.start)
                case "broker without a collector":
                    # What the broker holds for the collector is lost, and the bridges take it for delivered.
                    collector.kill()
                    await one_more_message(broker)
                    await broker.stop()
                    await broker.start()
                    collector = start_collector()
                case "broker":
                    await broker.stop()
                    await asyncio.sleep(chance.uniform(0.0, 1.0))
                    await broker.start()
                case _:
                    gardens.kill(chance.choice(sorted(gardens.running)))
                    gardens.start()
            await grows(url, part)
        gardens.kill_all()
        wanted = gardens.logged()
        gardens.start()

        missing = wanted.keys() - (await stored(url)).keys()
        while missing:
            # Two hundred reservoirs may need longer than one deadline, but never without any progress.
            left = len(missing)

            async def fewer(left: int = left) -> bool:
                nonlocal missing
                missing = wanted.keys() - (await stored(url)).keys()
                return len(missing) < left

            await eventually(fewer, f"{left} of {len(wanted)} were never stored, such as {min(missing)}")
        gardens.kill_all()
        there = await stored(url)
        twice = await count(url) - len(there)
        lost = [key for key, value in wanted.items() if there.get(key) != value]
        print(
            f"{RESERVOIRS} reservoirs, {BRIDGES} bridges, killed: {dict(kills)}; {len(wanted)} records "
            f"logged up to the last kill, {len(there)} stored, {twice} twice, {len(lost)} lost or changed"
        )
        assert twice == 0
        assert lost == []
        assert there.keys() <= gardens.logged().keys(), "a record is stored that no bridge has logged"
        assert await asyncio.to_thread(collector.stop) == 0
        print(collector.printed.splitlines()[-1])
    finally:
        collector.kill()
        gardens.kill_all()
        await broker.stop()
