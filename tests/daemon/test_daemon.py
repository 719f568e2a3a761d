"""The daemon runs as a process with a real serial line, a real rig, a real broker and real signals."""

import asyncio
import json
import signal
import socket
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from bridge.config.plan import BridgePlan
from bridge.daemon import process as bridge_process
from bridge.daemon.process import Daemon
from bridge.demo import BRIDGE_ID, HURRIED, RESERVOIR, bridge, station
from bridge.guard.limits import Limits
from bridge.guard.model import Flow, Phase
from bridge.mqtt.broker import MqttVersion
from bridge.protocol.messages import Close, Lease
from bridge.rig.pty import RigServer
from bridge.rig.scenario import DEMO
from bridge.rig.world import World
from bridge.station.events import StationEvent
from bridge.station.plan import StationPlan
from tests.board import UNHURRIED, Board, SpiedKeeper, answered, filling, greeted, running
from tests.brokers import AnyBroker, Mosquitto, Observe, free_port
from tests.running import clearwell_process, started
from tests.waiting import until, within

DEVICE = f"homie/5/{BRIDGE_ID}-{RESERVOIR}"


@pytest.fixture
def board() -> Iterator[Board]:
    one = Board()
    yield one
    one.close()


def _plan(
    port: str, broker_port: int, *, hub: bool = True, version: str = "5", limits: Limits = UNHURRIED
) -> BridgePlan:
    plan = bridge(station(DEMO, port, limits, 0.5, 0.65), "127.0.0.1", broker_port, MqttVersion(version))
    return plan if hub else replace(plan, hub=None)


async def _close_on_the_wire(board: Board, daemon: Daemon, before: Callable[[], Awaitable[None]]) -> None:
    """Fill, run ``before``, and check that one bad reading causes a close on the wire."""
    keeper = daemon.keepers[RESERVOIR]
    board.hello()
    await filling(board, keeper)
    await before()
    await answered(board, 20.0, Flow.TO_RESERVOIR)
    assert keeper.station.state.flow is Flow.TO_RESERVOIR
    sent = await answered(board, 2000.0, Flow.TO_RESERVOIR)
    assert any(isinstance(one, Close) for one in sent), (
        "water over the limit, and no close on the wire when the reading had been handled"
    )
    assert not any(isinstance(one, Lease) for one in sent)


def _closed_since(count: int) -> bool:
    """Return whether a close answered any reading after the first ``count``."""
    return any(isinstance(one, Close) for sent in SpiedKeeper.answers[count:] for one in sent)


async def _nothing() -> None:
    return


@pytest.fixture
def spied(board: Board, monkeypatch: pytest.MonkeyPatch) -> Board:
    SpiedKeeper.board, SpiedKeeper.answers = board, []
    monkeypatch.setattr(bridge_process, "Keeper", SpiedKeeper)
    return board


async def test_a_reading_over_the_limit_puts_the_close_on_the_wire_in_the_same_turn(spied: Board) -> None:
    async with running(_plan(spied.path, 1, hub=False)) as daemon:
        await greeted(spied)
        await _close_on_the_wire(spied, daemon, _nothing)


@pytest.mark.parametrize("stopped", [False, True], ids=["broker-runs", "broker-stopped"])
async def test_the_close_is_on_the_wire_in_the_same_turn_with_a_broker_that(
    spied: Board, broker: AnyBroker, stopped: bool
) -> None:
    async with running(_plan(spied.path, broker.port, version=broker.newest)) as daemon:
        await greeted(spied)
        await until(lambda: daemon.hub_connected, "the bridge never reached the broker")

        async def stop() -> None:
            await broker.stop()
            await until(lambda: not daemon.hub_connected, "the loss of the broker was not noticed")

        await _close_on_the_wire(spied, daemon, stop if stopped else _nothing)


async def test_the_close_is_on_the_wire_in_the_same_turn_with_a_broker_that_hangs(
    spied: Board, mosquitto: Mosquitto
) -> None:
    async with running(_plan(spied.path, mosquitto.port)) as daemon:
        await greeted(spied)
        await until(lambda: daemon.hub_connected, "the bridge never reached the broker")

        async def freeze() -> None:
            mosquitto.signal(signal.SIGSTOP)

        try:
            await _close_on_the_wire(spied, daemon, freeze)
        finally:
            mosquitto.signal(signal.SIGCONT)


async def test_an_impossible_value_in_a_good_frame_closes_the_valve(spied: Board) -> None:
    board = spied
    async with running(_plan(board.path, 1, hub=False)) as daemon:
        keeper = daemon.keepers[RESERVOIR]
        await greeted(board)
        for impossible_us, level_sensor in ((-5.0, 0.3), (0.0, 0.3), (20.0, 7.0)):
            await filling(board, keeper)
            before = len(SpiedKeeper.answers)
            await until(
                partial(_closed_since, before),
                f"{impossible_us} µS and level sensor {level_sensor} left the valve open",
                meanwhile=partial(board.read, impossible_us, Flow.TO_RESERVOIR, level_sensor),
            )


CONFIG = """
[bridge]
id = "clearwell-demo"
[hub]
host = "127.0.0.1"
port = {broker}
version = "{version}"
[reservoir.barrel]
port = "{pty}"
shape = {{ kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }}
assumed_ppm = 6
[reservoir.barrel.level]
refill_fraction = 0.60
fill_fraction = 0.90
wave_time_constant_s = 0.2
overflow_float = true
overflow_return_s = 0.5
[reservoir.barrel.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.barrel.product]
cell_constant_per_cm = 0.1
[reservoir.barrel.guard]
lease_s = 2
rinse_min_s = 0.5
in_spec_s = 0.4
"""


def _config(folder: Path, broker_port: int, version: str = "5") -> tuple[Path, Path]:
    pty = folder / "controller"
    file = folder / "clearwell.toml"
    file.write_text(CONFIG.format(broker=broker_port, pty=pty, version=version))
    return file, pty


async def test_each_refused_command_is_reported_once_and_in_plain_words(
    tmp_path: Path, mosquitto: Mosquitto, observe: Observe
) -> None:
    hub = await observe(mosquitto)
    config, _ = _config(tmp_path, mosquitto.port)
    with started("run", "--config", config) as run:
        await hub.has(f"homie/5/{BRIDGE_ID}/$state", "ready")
        await hub.sends(f"{DEVICE}/valve/hold/set", "true")
        await hub.sends(f"{DEVICE}/fill/start/set", "begin")
        await hub.sends(f"{DEVICE}/health/reset/set", "overflow")
        await hub.sends(f"{DEVICE}/fill/start/set", "start")
        await hub.sends(f"{DEVICE}/valve/hold/set", "false")
        # The lines are published in order, so the line about the last command comes last.
        await hub.said(f"{DEVICE}/$log/info", '"hold off"')
        assert run.stop() == 0
    warned = [payload for topic, payload in hub.seen if topic == f"{DEVICE}/$log/warn"]
    for part in ("'begin' is not the word start", "overflow is not latched", "no fill can start"):
        assert len([one for one in warned if part in one]) == 1, warned
        assert len([one for one in run.printed.splitlines() if part in one]) == 1, run.printed
    assert 'The command "start fill" from hub: no fill can start' in "".join(warned)


ENDINGS = {"killed": signal.SIGKILL, "terminated": signal.SIGTERM, "interrupted": signal.SIGINT}


@pytest.mark.parametrize("how", [*ENDINGS, "cable cut"])
def test_whatever_ends_the_bridge_the_rig_sees_its_valve_close(tmp_path: Path, how: str) -> None:
    """The rig reports the true valve. Other tests measure the lease by the controller's clock."""
    config, pty = _config(tmp_path, free_port())
    fault = ("--fault", "link-cut@60") if how == "cable cut" else ()
    with (
        started("rig", "--pty", pty, "--speed", 10, "--json", *fault) as rig,
        started("run", "--config", config) as run,
    ):
        truths = map(json.loads, rig.lines())
        last_open = next(truth for truth in truths if truth["path"] == "fill")
        if how == "cable cut":
            last_open = next(truth for truth in truths if "link-cut" in truth["faults"])
            assert last_open["path"] == "fill"
        else:
            run.send_signal(ENDINGS[how])
        shut = next(truth for truth in truths if truth["path"] == "shut")
        assert shut["driven"] == "shut"
        after = [next(truths) for _ in range(5)]
        assert {(truth["driven"], truth["path"]) for truth in after} == {("shut", "shut")}
        if how in ("terminated", "interrupted"):
            assert run.ended() == 0


@pytest.mark.parametrize("how", ["terminated", "interrupted"])
async def test_a_bridge_that_is_stopped_sends_a_close_last(board: Board, tmp_path: Path, how: str) -> None:
    """The valve does not wait for its lease to lapse."""
    file, _ = _config(tmp_path, free_port())
    file.write_text(file.read_text().replace(str(tmp_path / "controller"), board.path))
    sent: list[object] = []

    def read() -> None:
        sent.extend(board.heard())
        leased = any(isinstance(one, Lease) for one in sent)
        board.read(20.0, Flow.TO_RESERVOIR if leased else Flow.SHUT)

    with started("run", "--config", file) as run:
        board.hello()
        await until(lambda: any(isinstance(one, Lease) for one in sent), "no fill began", meanwhile=read)
        run.send_signal(ENDINGS[how])
        assert await asyncio.to_thread(run.ended) == 0
    sent.extend(board.heard())
    assert isinstance(sent[-1], Close), "the last command was not a close"


async def test_a_separate_rig_is_filled_and_shown_on_the_hub(
    tmp_path: Path, broker: AnyBroker, observe: Observe
) -> None:
    config, pty = _config(tmp_path, broker.port, broker.newest)
    hub = await observe(broker)
    with (
        started("rig", "--pty", pty, "--speed", 300),
        started("run", "--config", config),
    ):
        full = f"{DEVICE}/reservoir/zone"
        await hub.until(lambda seen: seen.kept.get(full) == "full", "the reservoir never got full")
        await hub.has(f"{DEVICE}/$state", "ready")
        # The water that stands in the purifier now is not judged, that of the reservoir is.
        await hub.has(f"{DEVICE}/product/state", "standing")
        await hub.has(f"{DEVICE}/product/verdict", "unknown")
        assert hub.kept[f"{DEVICE}/reservoir/verdict"] in ("suitable", "marginal")
        assert float(hub.kept[f"{DEVICE}/reservoir/volume"]) > 170


async def test_one_failing_reservoir_does_not_stop_the_others(
    board: Board, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One port is not a serial device, and one station raises in the middle of its scan."""
    one = station(DEMO, board.path, UNHURRIED, 0.5, 0.65)
    nothing = tmp_path / "no-device"
    nothing.write_text("")

    def named(name: str, port: str) -> StationPlan:
        return replace(one, port=port, identity=replace(one.identity, reservoir=name))

    failing = Board()
    plan = BridgePlan(
        (named("good", board.path), named("missing", str(nothing)), named("bad", failing.path)), None
    )
    events: list[StationEvent] = []
    try:
        daemon = Daemon(plan, events.append)
        task = asyncio.create_task(daemon.run())
        await within(daemon.ready.wait())

        def broken(*_: object) -> None:
            raise ZeroDivisionError("a fault of the program")

        await until(
            lambda: any(True for _ in failing.heard()), "the bridge said nothing to the second controller"
        )
        monkeypatch.setattr(daemon.keepers["bad"].station, "receive", broken)
        failing.read(20.0)
        await until(lambda: any(e.id == "station-failed" for e in events), "the fault was swallowed")
        assert any(isinstance(said, Close) for said in failing.heard()), (
            "the failing station left its valve open"
        )
        await filling(board, daemon.keepers["good"])
        assert any(e.id == "link-down" and e.reservoir == "missing" for e in events)
    finally:
        daemon.stop()
        await within(task)
        failing.close()


async def test_a_lost_cable_is_found_again_and_the_fill_goes_on(tmp_path: Path) -> None:
    pty = tmp_path / "controller"
    world = World(DEMO, seed=3)

    async def plugged() -> asyncio.Task[None]:
        rig = RigServer(world, pty, 20.0)
        serving = asyncio.create_task(rig.run())
        await rig.ready.wait()
        return serving

    serving = await plugged()
    async with running(_plan(str(pty), 1, hub=False, limits=HURRIED)) as daemon:
        keeper = daemon.keepers[RESERVOIR]
        await until(lambda: keeper.station.state.phase is Phase.FILL, "no fill began")
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)
        await until(
            lambda: keeper.station.state.phase is Phase.PAUSE, "a cut cable did not interrupt the fill"
        )
        serving = await plugged()
        await until(lambda: keeper.station.state.phase is Phase.FILL, "the fill did not go on")
    serving.cancel()
    await asyncio.gather(serving, return_exceptions=True)


async def test_the_service_manager_hears_ready_alive_and_stopping(
    board: Board, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The protocol of sd_notify(3)."""
    address = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(address))
        manager.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(address))
        monkeypatch.setenv("WATCHDOG_USEC", "100000")
        heard: list[str] = []
        loop = asyncio.get_running_loop()
        loop.add_reader(manager, lambda: heard.append(manager.recv(4096).decode()))
        async with running(_plan(board.path, 1, hub=False)):
            await until(lambda: heard.count("WATCHDOG=1") >= 3, "the watchdog was not told that all is well")
        assert heard[0].startswith("READY=1\nSTATUS=")
        await until(lambda: "STOPPING=1" in heard, "the manager was not told of the stop")
        loop.remove_reader(manager)


def test_a_wrong_configuration_ends_with_status_2_and_no_traceback(tmp_path: Path) -> None:
    file = tmp_path / "clearwell.toml"
    file.write_text("[reservoir.barrel]\nport = 7\n")
    done = clearwell_process("run", "--config", file)
    assert done.status == 2
    assert "Traceback" not in done.stderr
    assert "reservoir.barrel" in done.stderr
