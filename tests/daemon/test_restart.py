"""A restart, a kill or an outage loses no latched trip and no record."""

import asyncio
import json
import os
import random
import sqlite3
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import aiomqtt
import pytest

from bridge.config.plan import BridgePlan, LogPlan
from bridge.daemon import saved_state
from bridge.daemon.process import Daemon
from bridge.daemon.rows import RecordClock
from bridge.demo import BRIDGE_ID, HURRIED, RESERVOIR, bridge, station
from bridge.guard.alarms import AlarmRecord, Status
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, Flow, Phase, Trip
from bridge.guard.state import Latch, begin
from bridge.history import senml
from bridge.history.backup import state_of
from bridge.history.reader import Reader
from bridge.history.records import AlarmChange, AlarmRow, CommandRow, ReadingRow
from bridge.history.waiting import LogSettings, OutboxSettings
from bridge.history.writer import Log
from bridge.mqtt.broker import MqttVersion
from bridge.purifier.cartridge import Load
from bridge.rig.faults import Fault, FaultName
from bridge.rig.pty import RigServer
from bridge.rig.scenario import DEMO
from bridge.rig.world import World
from bridge.station.cells import CellPair
from bridge.station.events import StationEvent
from bridge.station.inventory import assuming, sample_of, sampled, unmeasured
from bridge.station.plan import CalibrationInForce
from tests.brokers import Mosquitto
from tests.running import Running, started
from tests.waiting import DEADLINE_S, until, within

pytestmark = pytest.mark.slow


END_MS = 2**45
"""A time after all others."""
RECORDS = f"clearwell/{BRIDGE_ID}/records"
KILLS = int(os.environ.get("CLEARWELL_KILLS", "30" if os.environ.get("CI") else "12"))
"""The number of kills. The whole campaign has 200."""


def test_what_is_latched_comes_back_as_it_was() -> None:
    before = replace(
        begin(
            50.0,
            latches=(Latch(Trip.OVERFLOW, 20.0), Latch(Trip.PRODUCT_OVER_LIMIT, 30.0, True)),
            first_out=Trip.OVERFLOW,
            hold=True,
            alarms=(
                AlarmRecord(Trip.OVERFLOW, Status.LATCHED_UNACKNOWLEDGED, 21.0),
                AlarmRecord(Advisory.RESERVOIR_LOW, Status.NORMAL, 22.0, 50.0 + 600.0),
            ),
            day_from=10.0,
        ),
        day_l=33.0,
    )
    plan = station(DEMO, "nowhere", Limits(), 0.5, 0.9)
    cell = plan.product
    accounts = replace(unmeasured(6.0), load=Load(1500.0, 470.0))
    accounts = sampled(assuming(accounts, 6.0, 120.0), sample_of(plan, 7.0), 50.0, now=40.0)
    accounts = replace(accounts, band_ppm=0.5, aged_at=30.0, exchanged=CellPair(4.0, 600.0, 45.0))
    then = saved_state.Moment(50.0, 1_800_000_000.0)
    kept = (
        saved_state.latched(RESERVOIR, before, then),
        saved_state.accounts(RESERVOIR, saved_state.counters(before, accounts, cell, then)),
    )
    # The next process starts 100 s later, with its own monotonic clock.
    now = saved_state.Moment(7.0, 1_800_000_100.0)
    after = saved_state.guard_state(*kept, Limits(), now)
    assert after.phase is Phase.TRIPPED
    assert [(one.trip, one.remedied) for one in after.latches] == [
        (Trip.OVERFLOW, False),
        (Trip.PRODUCT_OVER_LIMIT, True),
    ]
    assert (after.first_out, after.hold, after.day_l) == (Trip.OVERFLOW, True, 33.0)
    assert after.alarms[0].since == 7.0 - 129.0
    assert after.alarms[1].shelved_until == 7.0 + 500.0
    assert after.day_from == 7.0 - 140.0
    kept_accounts = saved_state.inventory(kept[1], unmeasured(20.0), cell, now)
    water = replace(accounts.water, sampled_s=7.0 - 110.0)
    assert kept_accounts == replace(
        accounts, water=water, aged_at=7.0 - 120.0, exchanged=CellPair(4.0, 600.0, 7.0)
    )
    # A calibrated cell has another error than before, and the watch over it begins again.
    made = CalibrationInForce(datetime(2027, 1, 1, tzinfo=UTC), "84", 1.0, Path("cell.toml"))
    other = saved_state.inventory(kept[1], unmeasured(20.0), replace(cell, calibration=made), now)
    assert other.water.cell_gain == 0.0
    assert other.water.ppm == accounts.water.ppm


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, 366 * 86400.0, -366 * 86400.0])
def test_a_clock_that_jumped_over_a_restart_shelves_nothing_for_ever(jump_s: float) -> None:
    state = begin(0.0, alarms=(AlarmRecord(Trip.OVERFLOW, Status.UNACKNOWLEDGED, 0.0, 600.0),))
    kept = saved_state.latched(RESERVOIR, state, saved_state.Moment(0.0, 1_800_000_000.0))
    after = saved_state.guard_state(kept, None, Limits(), saved_state.Moment(0.0, 1_800_000_000.0 + jump_s))
    until = after.alarms[0].shelved_until
    assert until is not None
    assert 0.0 <= until <= 60.0 * Limits().shelve_max_minutes
    assert 0.0 <= -after.day_from <= 86_400.0


@asynccontextmanager
async def _running(plan: BridgePlan, events: list[StationEvent] | None = None) -> AsyncIterator[Daemon]:
    """Run a daemon with all reservoirs, and stop it at the end.

    Args:
        plan: The configuration.
        events: Receives the events of all reservoirs.
    """
    daemon = Daemon(plan, None if events is None else events.append)
    running = asyncio.create_task(daemon.run())
    waiting = asyncio.create_task(daemon.ready.wait())
    done, _ = await asyncio.wait((waiting, running), timeout=DEADLINE_S, return_when=asyncio.FIRST_COMPLETED)
    assert done, "the daemon did not get ready"
    if running in done:
        running.result()
    try:
        yield daemon
    finally:
        daemon.stop()
        await within(running, "the daemon did not stop")


@asynccontextmanager
async def _rig(pty: Path, seed: int) -> AsyncIterator[World]:
    """Run a simulated controller at 20 times the real speed."""
    world = World(DEMO, seed=seed)
    rig = RigServer(world, pty, 20.0)
    serving = asyncio.create_task(rig.run())
    await within(rig.ready.wait(), "the rig did not get ready")
    yield world
    serving.cancel()
    await asyncio.gather(serving, return_exceptions=True)


def _plan(folder: Path, pty: Path, port: int) -> BridgePlan:
    plan = bridge(station(DEMO, str(pty), HURRIED, 0.5, 0.65), "127.0.0.1", port, MqttVersion.V5)
    log = LogPlan(folder / "log.db", LogSettings(outbox=OutboxSettings(every_s=0.0)))
    return replace(plan, log=log)


async def test_a_latched_trip_and_a_hold_survive_a_restart(tmp_path: Path) -> None:
    pty = tmp_path / "controller"
    plan = replace(_plan(tmp_path, pty, 1), hub=None)
    async with _rig(pty, seed=2) as world:
        async with _running(plan) as daemon:
            before = daemon.keepers[RESERVOIR].station
            await until(lambda: before.state.phase is Phase.FILL, "no fill began")
            world.inject(Fault(FaultName.PROBE_DRY, world.time_s, world.time_s + 200.0))
            await until(lambda: bool(before.state.latches), "a dry probe did not trip")
            treated_l = before.memory.inventory.load.treated_l
        async with _running(plan) as daemon:
            after = daemon.keepers[RESERVOIR].station
            assert [one.trip for one in after.state.latches] == [Trip.PROBE_FAILURE]
            assert after.state.flow is Flow.SHUT
            assert after.memory.inventory.load.treated_l == pytest.approx(treated_l, abs=0.1)

    with Reader(tmp_path / "log.db") as reader:
        rows = list(reader.events(0, END_MS))
    raised = [row.alarm for row in rows if isinstance(row, AlarmRow) and row.change is AlarmChange.RAISED]
    assert Trip.PROBE_FAILURE in raised
    assert raised.count(Trip.PROBE_FAILURE) == 1, "the restart raised the same trip again"


async def test_a_log_that_cannot_be_read_holds_filling_and_says_so(tmp_path: Path) -> None:
    pty = tmp_path / "controller"
    plan = replace(_plan(tmp_path, pty, 1), hub=None)
    (tmp_path / "log.db").write_bytes(b"this was a log once" * 1000)
    events: list[StationEvent] = []
    async with _rig(pty, seed=2), _running(plan, events) as daemon:
        kept = daemon.keepers[RESERVOIR].station
        assert kept.state.hold
        assert any(event.id == "state-lost" for event in events)
        await until(lambda: kept.picture is not None, "the guard did not go on")
        assert kept.state.flow is Flow.SHUT
    aside = [name for name in os.listdir(tmp_path) if ".damaged-" in name]
    assert [(tmp_path / name).read_bytes()[:19] for name in aside] == [b"this was a log once"]


CONFIG = """
[bridge]
id = "clearwell-demo"
[hub]
host = "127.0.0.1"
port = {broker}
[log]
path = "log.db"
[log.outbox]
every_s = 0
[reservoir.barrel]
port = "{pty}"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
assumed_ppm = 6
[reservoir.barrel.level]
refill_fraction = 0.60
fill_fraction = 0.90
wave_time_constant_s = 0.2
overflow_return_s = 0.1
[reservoir.barrel.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.barrel.product]
cell_constant_per_cm = 0.1
[reservoir.barrel.guard]
lease_s = 2
rinse_min_s = 0.3
in_spec_s = 0.2
pause_s = 0.5
probe_failure_after_s = 0.5
fill_max_s = 36000
fill_max_l = 1000
daily_max_l = 100000
no_rise_after_s = 36000
"""


class Truths:
    """Reads the rig's lines about the true state.

    Args:
        lines: The lines of the rig. They end when the rig ends.
    """

    def __init__(self, lines: Iterator[str]) -> None:
        self.newest: dict[str, object] = {}
        self.changed = threading.Condition()
        self._thread = threading.Thread(target=self._read, args=(lines,), daemon=True)
        self._thread.start()

    def _read(self, lines: Iterator[str]) -> None:
        for line in lines:
            with self.changed:
                self.newest = json.loads(line)
                self.changed.notify_all()

    def until(self, driven: str, timeout_s: float = DEADLINE_S) -> bool:
        """Wait until the valves are driven to this path. Returns False after the timeout."""
        with self.changed:
            return self.changed.wait_for(lambda: self.newest.get("driven") == driven, timeout_s)

    def until_open_or(self, condition: Callable[[], bool], patience_s: float) -> None:
        """Wait until the valve is open to the reservoir, until a condition holds, or for the timeout."""
        with self.changed:
            self.changed.wait_for(lambda: self.newest.get("driven") == "fill" or condition(), patience_s)

    def until_shut(self) -> dict[str, object]:
        assert self.until("shut"), "the valve did not shut after the bridge was killed"
        return self.newest

    def following(self) -> dict[str, object]:
        """Wait for the next line."""
        with self.changed:
            now = self.newest
            assert self.changed.wait_for(lambda: self.newest is not now, DEADLINE_S), (
                "the rig printed no more"
            )
            return self.newest


class Hub:
    """Keeps every received record, as the hub's log does."""

    def __init__(self) -> None:
        self.records: list[senml.SenmlRecord] = []
        self.arrived: set[tuple[str, float]] = set()
        """The name and time of every record."""
        self.kept: dict[str, str] = {}

    async def listen(self, port: int, up: asyncio.Event) -> None:
        async with aiomqtt.Client("127.0.0.1", port) as client:
            await client.subscribe([(RECORDS, 1), (f"homie/5/{BRIDGE_ID}-{RESERVOIR}/#", 1)])
            up.set()
            async for message in client.messages:
                text = bytes(message.payload).decode()
                if message.topic.value == RECORDS:
                    records = senml.parse(text)
                    self.records += records
                    self.arrived |= {(record.name, record.time_s) for record in records}
                else:
                    self.kept[message.topic.value] = text

    def judge(self, wanted: list[senml.SenmlRecord]) -> None:
        """Check that, without duplicates by time and name, each record is there once and in order."""
        got: dict[tuple[str, float], senml.SenmlRecord] = {}
        newest: dict[str, float] = {}
        for record in self.records:
            key = (record.name, record.time_s)
            if key in got:
                assert got[key] == record, f"{record} came again, and was {got[key]} before"
                continue
            got[key] = record
            assert record.time_s >= newest.get(record.name, 0.0), f"{record.name} is out of order"
            newest[record.name] = record.time_s
        missing = [record for record in wanted if (record.name, record.time_s) not in got]
        assert not missing, (
            f"{len(missing)} of {len(wanted)} records never arrived, the first is {missing[0]}"
        )


async def _reset_repeatedly(client: aiomqtt.Client) -> None:
    """Reset every trip repeatedly, because a reset is refused while the cause is present."""
    while True:
        await client.publish(f"homie/5/{BRIDGE_ID}-{RESERVOIR}/health/reset/set", "all", qos=1)
        await asyncio.sleep(0.5)


async def test_killed_at_random_moments_nothing_latched_and_no_record_is_lost(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    """The rig's true state and clock check the valve. SQLite and the hub's copy check the log."""
    speed, lease_s = 10.0, 2.0
    (tmp_path / "clearwell.toml").write_text(
        CONFIG.format(broker=mosquitto.port, pty=tmp_path / "controller")
    )
    # A probe that falls dry at intervals latches a trip. The test resets the trip after the next start.
    faults = [f"--fault=probe-dry@{start}+30" for start in range(60, 30_000, 70)]
    rig = started("rig", "--pty", tmp_path / "controller", "--json", "--speed", speed, *faults)
    truths = Truths(rig.lines())
    hub, up = Hub(), asyncio.Event()
    listening = asyncio.create_task(hub.listen(mosquitto.port, up))
    await up.wait()
    chance = random.Random(7)
    database = tmp_path / "log.db"
    trips = f"homie/5/{BRIDGE_ID}-{RESERVOIR}/health/trips"
    opened = tripped = 0

    def start() -> Running:
        return started("run", "--quiet", "--config", tmp_path / "clearwell.toml")

    def latched() -> list[str]:
        return [str(trip) for trip in json.loads(hub.kept.get(trips, "[]"))]

    def kill(run: Running) -> None:
        assert not run.has_ended, f"the bridge ended by itself: {run.printed}"
        run.kill()

    run = start()
    try:
        # The first start creates the file. The log's own tests kill a bridge before the file exists.
        await until(lambda: trips in hub.kept, "no first start")
        assert await asyncio.to_thread(run.stop) == 0
        number = 0
        # A bridge may need seconds to start on a busy machine, so the loop waits for both kinds of kill.
        while number < KILLS or (number < 4 * KILLS and not (opened and tripped)):
            hub.kept.pop(trips, None)
            run = start()
            # The test needs a kill at a random time, so it has no event to await.
            await asyncio.sleep(chance.uniform(0.6, 2.6))
            if number % 3 == 0:
                # The valve is mostly shut, so every third kill waits for an open valve or a trip.
                await asyncio.to_thread(truths.until_open_or, lambda: latched() != [], DEADLINE_S)
            number += 1
            seen_latched = latched()
            last = await asyncio.to_thread(truths.following)
            kill(run)
            shut = await asyncio.to_thread(truths.until_shut)
            if last.get("driven") == "fill":
                opened += 1
                open_s = (float(str(shut["time_s"])) - float(str(last["time_s"]))) / speed
                assert open_s <= lease_s + 1.2, f"the valve stayed open for {open_s:.1f} s after the kill"
            with sqlite3.connect(database) as connection:
                assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            kept = await asyncio.to_thread(state_of, database)
            if seen_latched:
                tripped += 1
                now = saved_state.Moment(0.0, 0.0)
                state = saved_state.guard_state(kept.get(f"latched.{RESERVOIR}"), None, Limits(), now)
                assert {one.trip.value for one in state.latches} >= set(seen_latched), (
                    "a latched trip was lost"
                )
                async with aiomqtt.Client("127.0.0.1", mosquitto.port) as client:
                    hub.kept.pop(trips, None)
                    run = start()
                    await until(lambda: trips in hub.kept, "the bridge did not connect after a kill")
                    resetting = asyncio.create_task(_reset_repeatedly(client))
                    await until(lambda: latched() == [], "the trip was not reset")
                    resetting.cancel()
                    kill(run)
        assert opened > 0, "the bridge was never killed with its valve open: the test shows nothing"
        assert tripped > 0, "the bridge was never killed with a trip latched: the test shows nothing"
        # Only the records up to the last kill count, because the next run may hold back its readings.
        wanted = await asyncio.to_thread(_logged, database)
        hub.kept.pop(trips, None)
        run = start()
        # Before it is connected, the bridge may not yet take a signal as a request to stop.
        await until(lambda: trips in hub.kept, "the bridge did not connect after the last kill")
        await _arrived(hub, listening, wanted)
        assert await asyncio.to_thread(run.stop) == 0
        hub.judge(wanted)
        print(f"{KILLS} kills: {opened} with the valve open, {tripped} with a trip latched, "
              f"{len(wanted)} records in the log, {len(hub.records)} arrived")  # fmt: skip
    finally:
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
        run.kill()
        rig.kill()


def _logged(database: Path) -> list[senml.SenmlRecord]:
    """Return all rows of the log as the records that must arrive."""
    with Reader(database) as reader:
        rows = [*reader.readings(RESERVOIR, 0, END_MS), *reader.events(0, END_MS)]
    return [record for row in rows for record in senml.row_records(row, BRIDGE_ID)]


async def _arrived(hub: Hub, listening: "asyncio.Task[None]", wanted: list[senml.SenmlRecord]) -> None:
    """Wait until all these records have arrived."""
    names = {(record.name, record.time_s) for record in wanted}

    def complete() -> bool:
        assert not listening.done(), f"the hub stopped listening: {listening}"
        return names <= hub.arrived

    def missing() -> str:
        late = names - hub.arrived
        return f"{len(late)} of {len(names)} records never arrived, such as {min(late)}"

    await until(complete, missing)


async def test_a_day_without_a_broker_is_sent_afterwards_in_order_and_beside_what_is_new(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    """The broker stops again in the middle of the replay, and live values do not wait for its end."""
    pty = tmp_path / "controller"
    plan = _plan(tmp_path, pty, mosquitto.port)
    settings = LogSettings(outbox=OutboxSettings(every_s=10.0))
    plan = replace(plan, log=LogPlan(tmp_path / "log.db", settings))
    await asyncio.to_thread(_log_a_day, tmp_path / "log.db", settings)
    await mosquitto.stop()
    hub = Hub()

    async def listen() -> asyncio.Task[None]:
        up = asyncio.Event()
        task = asyncio.create_task(hub.listen(mosquitto.port, up))
        await within(up.wait(), "the hub did not connect")
        return task

    async with _rig(pty, seed=4), _running(plan):
        await mosquitto.start()
        listening = await listen()
        await until(lambda: len(hub.records) > 20_000, "the replay did not begin")
        replayed = len(hub.records)
        await mosquitto.stop()
        await asyncio.gather(listening, return_exceptions=True)
        await mosquitto.start()
        listening = await listen()
        await until(lambda: len(hub.records) > replayed, "the replay did not go on")
        hub.kept.clear()
        wanted = await asyncio.to_thread(_logged_thinned, tmp_path / "log.db", settings)
        await until(lambda: bool(hub.kept), "no live value arrived while the replay went on")
        assert len(hub.records) < len(wanted), "the replay was over before a live value arrived"
        await _arrived(hub, listening, wanted)
        hub.judge(wanted)
        listening.cancel()
    await asyncio.gather(listening, return_exceptions=True)


DAY_READINGS = 8640


def _log_a_day(path: Path, settings: LogSettings) -> None:
    """Write a day of readings every ten seconds, and a few alarms and commands, with the real log."""
    log = Log(path, settings=settings)
    opened = log.start().result(DEADLINE_S)
    clock = RecordClock(opened.boot, opened.last_utc_ms)
    start_s = 1_790_000_000.0
    for number in range(DAY_READINGS):
        at = number * 10.0
        stamp, _ = clock.stamp(at, start_s + at)
        log.write(
            [ReadingRow(stamp, RESERVOIR, 40.0, 15.0, 5.0, 2.5 + 0.001 * number, 0.1, 320.0, 120.0, 6.0, 1.0)]
        )
        if number % 2000 == 500:
            stamp, _ = clock.stamp(at, start_s + at)
            log.write(
                [AlarmRow(stamp, RESERVOIR, Trip.OVERFLOW, AlarmChange.RAISED, "The overflow float is up.")]
            )
            stamp, _ = clock.stamp(at, start_s + at)
            log.write([CommandRow(stamp, RESERVOIR, "reset all", "hub", True)])
        if number % 500 == 0:
            assert log.flush().result(DEADLINE_S)
    assert log.flush().result(DEADLINE_S)
    assert log.close(DEADLINE_S)


def _logged_thinned(path: Path, settings: LogSettings) -> list[senml.SenmlRecord]:
    """Return all records of the prepared day. The outbox thins no readings at this interval."""
    with Reader(path) as reader:
        end_ms = int((1_790_000_000.0 + DAY_READINGS * 10.0) * 1000)
        rows = [*reader.readings(RESERVOIR, 0, end_ms), *reader.events(0, end_ms)]
    return [record for row in rows for record in senml.row_records(row, BRIDGE_ID)]
