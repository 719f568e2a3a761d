"""The rig on a real pseudo-terminal, seen from a program at the other end."""

import asyncio
import contextlib
import json
import os
import select
import termios
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path as FilePath

import pytest

from bridge.errors import InputError, OutOfRangeError
from bridge.guard.model import Flow
from bridge.protocol.codec import Decoder, Direction, encode
from bridge.protocol.messages import Ack, Hello, Identify, Lease, LocalFault, Reading
from bridge.rig.controller import Controller
from bridge.rig.pty import RigServer
from bridge.rig.reservoir import Truth, truth_line
from bridge.rig.scenario import POLYTUNNEL_WITH_DRAIN
from bridge.rig.world import World

PATIENCE_S = 8.0


class Peer:
    """A program that opens the terminal."""

    def __init__(self, path: FilePath) -> None:
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        termios.tcflush(self.fd, termios.TCIOFLUSH)
        self._decoder = Decoder(Direction.TO_BRIDGE)
        self._waiting: list[object] = []

    def send(self, message) -> None:
        os.write(self.fd, encode(message))

    async def hear(self, wanted: Callable[[object], bool]) -> object:
        """Waits for the wanted event and skips those before it."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                while self._waiting:
                    event = self._waiting.pop(0)
                    if wanted(event):
                        return event
                await asyncio.sleep(0.005)
                if select.select([self.fd], [], [], 0)[0]:
                    self._waiting += self._decoder.feed(os.read(self.fd, 4096))

    def leave(self) -> None:
        os.close(self.fd)


@asynccontextmanager
async def _serving(
    path: FilePath, speed: float = 1.0, on_truth=None, controller=None
) -> AsyncIterator[RigServer]:
    server = RigServer(World(POLYTUNNEL_WITH_DRAIN, seed=1), path, speed, on_truth, 0.1, controller)
    task = asyncio.create_task(server.run())
    try:
        async with asyncio.timeout(PATIENCE_S):
            await server.ready.wait()
        yield server
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def _until(so: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while True:
            if so():
                return
            await asyncio.sleep(0.005)


async def _truth_becomes(server: RigServer, path: Flow) -> None:
    await _until(lambda: server.world.truth().path is path)


@pytest.mark.parametrize("speed", [1.0, 120.0])
async def test_a_lease_opens_the_true_valve_and_silence_shuts_it_within_the_lease(tmp_path, speed):
    async with _serving(tmp_path / "tty", speed) as server:
        peer = Peer(tmp_path / "tty")
        await peer.hear(lambda event: isinstance(event, Reading))
        peer.send(Lease(5, Flow.TO_RESERVOIR, 500))
        sent_s = asyncio.get_running_loop().time()
        ack = await peer.hear(lambda event: isinstance(event, Ack))
        assert (ack.of, ack.path) == (5, Flow.TO_RESERVOIR)
        reading = await peer.hear(lambda event: isinstance(event, Reading))
        assert reading.path is Flow.TO_RESERVOIR
        await _truth_becomes(server, Flow.TO_RESERVOIR)
        await _truth_becomes(server, Flow.SHUT)
        lasted_s = asyncio.get_running_loop().time() - sent_s
        assert lasted_s > 0.45, "the lease ended before its time"
        reading = await peer.hear(lambda event: isinstance(event, Reading) and event.path is Flow.SHUT)
        assert reading.faults & LocalFault.LEASE_LAPSED
        # The inflow shows how long the valve was really open, also on a busy machine.
        flow_l_s = POLYTUNNEL_WITH_DRAIN.fittings.flow_l_min / 60.0
        assert server.world.truth().inflow_l <= 0.5 * speed * flow_l_s * 1.001
        peer.leave()


async def test_the_terminal_outlives_its_peer(tmp_path):
    async with _serving(tmp_path / "tty") as server:
        first = Peer(tmp_path / "tty")
        await first.hear(lambda event: isinstance(event, Reading))
        first.leave()
        left_s = server.rig.line_s
        await _until(lambda: server.rig.line_s > left_s + 0.1)
        second = Peer(tmp_path / "tty")
        second.send(Identify(1))
        hello = await second.hear(lambda event: isinstance(event, Hello))
        assert hello.features == POLYTUNNEL_WITH_DRAIN.fittings.features
        second.leave()


async def test_nobody_reading_neither_stops_the_world_nor_leaves_a_heap_of_old_frames(tmp_path):
    controller = Controller(POLYTUNNEL_WITH_DRAIN.fittings.features, reading_period_s=0.02)
    async with _serving(tmp_path / "tty", 60.0, controller=controller) as server:
        await _until(lambda: server.world.time_s > 75.0)
        fd = os.open(tmp_path / "tty", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        old = os.read(fd, 100_000)
        os.close(fd)
    assert b" reading " in old
    assert len(old) < 2500, "some 4,500 bytes were sent and nobody read them"


async def test_the_truth_is_told_in_json_lines_and_at_once_when_the_path_changes(tmp_path):
    lines: list[str] = []

    def tell(truth: Truth) -> None:
        lines.append(truth_line(truth))

    async with _serving(tmp_path / "tty", 30.0, tell) as server:
        peer = Peer(tmp_path / "tty")
        await peer.hear(lambda event: isinstance(event, Reading))
        peer.send(Lease(1, Flow.TO_RESERVOIR, 300))
        await _truth_becomes(server, Flow.TO_RESERVOIR)
        await _truth_becomes(server, Flow.SHUT)
        server.world.draw(20.0)
        server.world.change_cartridge()
        await _until(lambda: server.world.truth().drawn_l > 19.99)
        told_until_now = len(lines)
        await _until(lambda: len(lines) > told_until_now)
        peer.leave()
    told = [json.loads(line) for line in lines]
    paths = [record["path"] for record in told]
    assert paths.index("fill") < len(paths) - 1 - paths[::-1].index("shut")
    assert set(told[0]) == set(Truth.__dataclass_fields__)


async def test_the_symlink_goes_when_the_rig_ends_and_replaces_an_old_one(tmp_path):
    path = tmp_path / "tty"
    path.symlink_to("/nowhere")
    async with _serving(path):
        assert os.readlink(path) != "/nowhere"
    assert list(tmp_path.iterdir()) == []


async def test_a_file_in_the_way_or_a_missing_directory_is_refused_and_nothing_is_overwritten(tmp_path):
    precious = tmp_path / "notes.txt"
    precious.write_text("keep me")
    with pytest.raises(InputError, match=r"notes\.txt"):
        await RigServer(World(POLYTUNNEL_WITH_DRAIN), precious).run()
    assert precious.read_text() == "keep me"
    with pytest.raises(InputError, match="directory"):
        await RigServer(World(POLYTUNNEL_WITH_DRAIN), tmp_path / "no" / "tty").run()


@pytest.mark.parametrize("speed", [0.0, -1.0, float("inf"), float("nan")])
def test_a_speed_that_is_none_is_refused(tmp_path, speed):
    with pytest.raises(OutOfRangeError, match="speed"):
        RigServer(World(POLYTUNNEL_WITH_DRAIN), tmp_path / "tty", speed)
