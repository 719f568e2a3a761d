"""A third-party controller finds bridge and reservoirs, reads every value and sends commands.

It is the library ``node-homie`` 5.0.0 (npm), under a few lines in ``tests/node/controller.cjs``. Bridge, rigs
and broker are the real programs. The controller is given only the address of the broker.
"""

import asyncio
import contextlib
import json
import sys
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from bridge.config.loading import load
from bridge.config.plan import BridgePlan
from bridge.forecast import persistence as saved
from bridge.forecast.learned import Kept, new_state
from bridge.guard.faults import FAULTS
from bridge.guard.model import Trip
from bridge.history.writer import Log
from bridge.mqtt.properties import PROPERTIES, Datatype, Property
from bridge.mqtt.topics import fitted
from bridge.protocol.messages import Feature
from bridge.purifier.cartridge import Load
from bridge.purifier.season import begin_season
from bridge.rig.faults import parse_fault
from bridge.rig.pty import RigServer
from bridge.rig.scenario import POLYTUNNEL, POLYTUNNEL_WITH_DRAIN, Fittings
from bridge.rig.world import World
from bridge.station.plan import StationIdentity
from bridge.tank.use import DrawOff, RunningMean
from tests.brokers import Mosquitto, Observe, Observer
from tests.node.modules import HERE, node_modules
from tests.waiting import DEADLINE_S, within

pytestmark = pytest.mark.needs("nodejs", "mosquitto")

SPEED = 120.0
AT_REST_UNKNOWN = "check/difference"
"""The cells are compared only while product flows, so at rest this property is not described."""
TYPES: dict[Datatype, type | tuple[type, ...]] = {
    Datatype.FLOAT: (int, float), Datatype.INTEGER: int, Datatype.BOOLEAN: bool, Datatype.STRING: str,
    Datatype.ENUM: str, Datatype.JSON: list,
}  # fmt: skip
"""What the library makes of a value of each datatype, as JSON brings it here."""
BRIDGE, NORTH, SOUTH = "garden", "garden-north", "garden-south"
SWITCHES = Feature.SWITCH_LOW | Feature.SWITCH_FULL | Feature.SWITCH_OVERFLOW
CONFIG = """
[bridge]
id = "garden"
name = 'The "garden" bridge ☘'
[hub]
host = "127.0.0.1"
port = {broker}

[reservoir.north]
name = 'Fässer "Nord", 1/2 #+$'
port = "{north}"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
assumed_ppm = 6
[reservoir.north.level]
refill_fraction = 0.60
fill_fraction = 0.62
wave_time_constant_s = 0.2
overflow_float = true
overflow_return_s = 0.5
[reservoir.north.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.north.product]
cell_constant_per_cm = 0.1
[reservoir.north.feed]
cell_constant_per_cm = 1.0
[reservoir.north.purifier]
drain_valve = true
flow_max_l_min = 300
[reservoir.north.cartridge]
kind = "exchange"
treats = "1200 l"
treats_of = "250 ppm"
[reservoir.north.guard]
rinse_min_s = 0.5
in_spec_s = 0.4

[reservoir.south]
port = "{south}"
shape = {{ kind = "box", length_m = 1.0, width_m = 0.5, height_m = 0.4 }}
[reservoir.south.level]
low_switch = true
overflow_return_s = 0.5
debounce_s = 0.2
full_switch = true
[reservoir.south.product]
cell_constant_per_cm = 0.1
[reservoir.south.check_cell]
cell_constant_per_cm = 0.1

[tray.bog]
fed_from = "north"
area_m2 = 1
"""


def _sent(values: set[tuple[str, str]], hub: Observer) -> bool:
    """Returns whether all of these values were sent to the hub."""
    return values <= set(hub.seen)


@dataclass
class Stranger:
    """The controller. It returns one answer to each order."""

    process: asyncio.subprocess.Process

    async def asked(self, do: str, **order: object) -> Any:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(json.dumps({"do": do, **order}).encode() + b"\n")
        line = await within(self.process.stdout.readline(), "the controller does not answer")
        assert line, "the controller ended"
        answer = json.loads(line)
        assert answer["order"] == do
        assert "failed" not in answer, f"{do} {order}: {answer['failed']}"
        assert answer["complaints"] == [], "the controller complains of what it reads"
        return answer["said"]


@dataclass
class House:
    """A broker, two controllers with their reservoirs, the daemon, and two observers."""

    stranger: Stranger
    hub: Observer
    daemon: asyncio.subprocess.Process
    north: World
    identities: dict[str, StationIdentity]

    def rows(self, device: str) -> tuple[Property, ...]:
        return fitted(self.identities[device])

    def valued(self) -> list[str]:
        """Returns the pointer of every property that has a retained value while no product flows."""
        return [
            f"{device}/{row.path}"
            for device in self.identities
            for row in self.rows(device)
            if row.retained and row.source is not None and row.path != AT_REST_UNKNOWN
        ]


@contextlib.asynccontextmanager
async def program(*words: str, cwd: Path | None = None) -> AsyncIterator[asyncio.subprocess.Process]:
    pipe = asyncio.subprocess.PIPE
    one = await asyncio.create_subprocess_exec(*words, cwd=cwd, stdin=pipe, stdout=pipe, limit=2**20)
    try:
        yield one
    finally:
        with contextlib.suppress(ProcessLookupError):
            one.kill()
        await one.communicate()


def _remembers_a_month(plan: BridgePlan) -> None:
    """Writes a log with a learned month of use, so that the daemon forecasts at once."""
    north = plan.stations[0]
    yesterday = time.time() / 86400.0 - 1.0
    learned = replace(
        new_state(north, (), Load()),
        draw=DrawOff(day=RunningMean(weight=20.0, mean=6.0, variance=2.0)),
        use=begin_season(6.0, yesterday),
        since_day=yesterday,
    )
    kept = Kept(learned, north.cartridge, north.limits.limit_ppm, 320.0, 118.0, Load())
    assert plan.log is not None
    log = Log(plan.log.path)
    log.start().result(DEADLINE_S)
    log.write([saved.written(north.identity.reservoir, kept)])
    assert log.close()


@pytest.fixture
async def house(tmp_path: Path, mosquitto: Mosquitto, observe: Observe) -> AsyncIterator[House]:
    await asyncio.to_thread(node_modules)
    file, north_port, south_port = tmp_path / "clearwell.toml", tmp_path / "north", tmp_path / "south"
    file.write_text(CONFIG.format(broker=mosquitto.port, north=north_port, south=south_port))
    garden = replace(
        POLYTUNNEL_WITH_DRAIN, barrel=replace(POLYTUNNEL_WITH_DRAIN.barrel, start_fraction=0.599)
    )
    north = World(garden, seed=3)
    two_cells = Fittings(features=SWITCHES | Feature.FEED_CELL, check_cell_per_cm=0.1)
    south = World(replace(POLYTUNNEL, fittings=two_cells), seed=4)
    rigs = [RigServer(north, north_port, SPEED), RigServer(south, south_port, 1.0)]
    plan = load(file, {})
    assert plan.hub is not None
    identities = {plan.hub.layout.device(one.identity.reservoir): one.identity for one in plan.stations}
    await asyncio.to_thread(_remembers_a_month, plan)
    serving = [asyncio.create_task(rig.run()) for rig in rigs]
    hub = await observe(mosquitto)
    url = f"mqtt://{mosquitto.host}:{mosquitto.port}"
    try:
        async with (
            program(sys.executable, "-m", "bridge", "run", "--quiet", "--config", str(file)) as daemon,
            program("node", str(HERE / "controller.cjs"), url) as node,
        ):
            yield House(Stranger(node), hub, daemon, north, identities)
    finally:
        for task in serving:
            task.cancel()
        await asyncio.gather(*serving, return_exceptions=True)


async def test_a_third_party_controller_finds_everything_and_its_commands_work(house: House) -> None:
    stranger, hub, valued = house.stranger, house.hub, house.valued()

    def complete(seen: Observer) -> bool:
        return all(seen.kept.get(f"homie/5/{one}") for one in valued)

    await hub.until(complete, "not every property got a value")
    found = {one["id"]: one for one in await stranger.asked("find", devices=3, values=valued)}

    assert set(found) == {BRIDGE, NORTH, SOUTH}
    assert found[BRIDGE]["children"] == [NORTH, SOUTH]
    assert found[BRIDGE]["name"] == 'The "garden" bridge ☘'
    assert found[NORTH]["name"] == """Fässer "Nord", 1/2 #+$"""
    assert {row.path for one in (NORTH, SOUTH) for row in house.rows(one)} == {
        row.path for row in PROPERTIES
    }, "a kind of property is not tried here"
    for device in (NORTH, SOUTH):
        assert (found[device]["root"], found[device]["homie"]) == (BRIDGE, "5.0")
        read = _same_as_the_table(found[device], house.rows(device))
        await hub.until(partial(_sent, read), "it read what was never sent")

    hold, start = f"{NORTH}/valve/hold", f"{NORTH}/fill/start"
    assert await stranger.asked("set", property=hold, value="true") == "true"
    await hub.has(f"homie/5/{hold}", "true")
    refusal = await stranger.asked("refused", property=start, value="start")
    assert "on hold" in refusal
    assert await stranger.asked("set", property=hold, value="false") == "false"
    assert await stranger.asked("set", property=f"{NORTH}/reservoir/sample", value="12.5") == "12.5"
    await stranger.asked("until", property=f"{NORTH}/reservoir/ppm", value="12.50")

    overflow = Trip.OVERFLOW.value
    house.north.inject(parse_fault(f"overflow-float-up@{house.north.time_s + 1.0}"))
    sentence = await stranger.asked("alert", device=NORTH, alert=overflow)
    assert sentence == FAULTS[Trip.OVERFLOW].sentence
    await stranger.asked("until", property=f"{NORTH}/health/first-out", value=overflow)
    acknowledge = f"{NORTH}/health/acknowledge"
    assert await stranger.asked("set", property=acknowledge, value=overflow) == overflow
    assert overflow in await stranger.asked("refused", property=f"{NORTH}/health/reset", value=overflow)
    shelve = json.dumps({"alarm": overflow, "minutes": 60})
    assert await stranger.asked("set", property=f"{NORTH}/health/shelve", value=shelve) == shelve
    await stranger.asked("no-alert", device=NORTH, alert=overflow)

    house.daemon.kill()
    lost = await stranger.asked("states", state="lost")
    assert lost == dict.fromkeys((BRIDGE, NORTH, SOUTH), "lost")


def _same_as_the_table(device: dict[str, Any], rows: tuple[Property, ...]) -> set[tuple[str, str]]:
    """Checks the found properties against the table, with type, unit and value. Returns topics and values."""
    read = set()
    rows = tuple(row for row in rows if row.path != AT_REST_UNKNOWN)
    found = {(node["id"], one["id"]): one for node in device["nodes"] for one in node["properties"]}
    assert list(found) == [(row.node, row.id) for row in rows], "something was left out, or added"
    assert [node["id"] for node in device["nodes"]] == list(dict.fromkeys(row.node for row in rows))
    for row in rows:
        one, what = found[row.node, row.id], f"{device['id']}/{row.path}"
        described = {
            "name": row.name, "datatype": row.datatype.value, "format": row.format, "unit": row.unit,
            "settable": row.settable, "retained": row.retained,
        }  # fmt: skip
        assert {name: one[name] for name in described} == described, what
        if not row.retained:
            continue
        assert one["valid"], f"{what}: the library calls {one['value']!r} no {row.datatype.value}"
        assert isinstance(one["typed"], TYPES[row.datatype]), what
        read.add((f"homie/5/{what}", one["value"]))
    return read
