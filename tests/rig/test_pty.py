"""The rig on a real pseudo-terminal, with a program at the other end."""

import asyncio
import contextlib
import json
import os
import select
import termios
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path as FilePath
from typing import TypeVar

import pytest

from bridge.errors import InputError, OutOfRangeError
from bridge.guard.model import Flow
from bridge.protocol.codec import Decoder, Direction, encode
from bridge.protocol.messages import Ack, FromBridge, Hello, Identify, Lease, LocalFault, Reading
from bridge.rig.controller import Controller
from bridge.rig.pty import OnTruth, RigServer
from bridge.rig.scenario import POLYTUNNEL_WITH_DRAIN
from bridge.rig.water_path import Truth, truth_line
from bridge.rig.world import World
from tests.waiting import until, within

M = TypeVar("M", Ack, Hello, Reading)


class Peer:
    """A program that opens the terminal."""

    def __init__(self, path: FilePath) -> None:
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        termios.tcflush(self.fd, termios.TCIOFLUSH)
        self._decoder = Decoder(Direction.TO_BRIDGE)
        self._waiting: list[object] = []

    def send(self, message: FromBridge) -> None:
        os.write(self.fd, encode(message))

    async def hear(self, kind: type[M], path: Flow | None = None) -> M:
        """Waits for a message of this class and path, and skips earlier messages."""
        found: list[M] = []

        def read() -> bool:
            if select.select([self.fd], [], [], 0)[0]:
                self._waiting += self._decoder.feed(os.read(self.fd, 4096))
            while self._waiting and not found:
                event = self._waiting.pop(0)
                if isinstance(event, kind) and path in (None, getattr(event, "path", None)):
                    found.append(event)
            return bool(found)

        await until(read, f"no {kind.__name__} came")
        return found[0]

    def leave(self) -> None:
        os.close(self.fd)


@asynccontextmanager
async def _serving(
    path: FilePath, speed: float = 1.0, on_truth: OnTruth | None = None, controller: Controller | None = None
) -> AsyncIterator[RigServer]:
    server = RigServer(World(POLYTUNNEL_WITH_DRAIN, seed=1), path, speed, on_truth, 0.1, controller)
    task = asyncio.create_task(server.run())
    try:
        await within(server.ready.wait(), "the rig never was ready")
        yield server
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


class Told:
    """Every true state that the rig reports. The rig reports each change of the path."""

    def __init__(self) -> None:
        self.truths: list[Truth] = []

    async def becomes(self, path: Flow) -> None:
        """Waits for a true state with this path, and discards the states up to it."""
        await until(lambda: any(one.path is path for one in self._new()), f"the valve never was {path.value}")
        self._seen += next(k for k, one in enumerate(self._new()) if one.path is path) + 1

    _seen = 0

    def _new(self) -> list[Truth]:
        return self.truths[self._seen :]


@pytest.mark.parametrize("speed", [1.0, 120.0])
async def test_a_lease_opens_the_true_valve_and_silence_shuts_it_within_the_lease(
    tmp_path: FilePath, speed: float
) -> None:
    told = Told()
    async with _serving(tmp_path / "tty", speed, told.truths.append) as server:
        peer = Peer(tmp_path / "tty")
        await peer.hear(Reading)
        peer.send(Lease(5, Flow.TO_RESERVOIR, 500))
        sent_s = asyncio.get_running_loop().time()
        ack = await peer.hear(Ack)
        assert (ack.of, ack.path) == (5, Flow.TO_RESERVOIR)
        reading = await peer.hear(Reading)
        assert reading.path is Flow.TO_RESERVOIR
        await told.becomes(Flow.TO_RESERVOIR)
        await told.becomes(Flow.SHUT)
        lasted_s = asyncio.get_running_loop().time() - sent_s
        assert lasted_s > 0.45, "the lease ended before its time"
        reading = await peer.hear(Reading, Flow.SHUT)
        assert reading.faults & LocalFault.LEASE_LAPSED
        # The inflow gives the true open time of the valve, also on a busy machine.
        flow_l_s = POLYTUNNEL_WITH_DRAIN.fittings.flow_l_min / 60.0
        assert server.world.truth().inflow_l <= 0.5 * speed * flow_l_s * 1.001
        peer.leave()


async def test_the_terminal_stays_open_after_its_peer(tmp_path: FilePath) -> None:
    async with _serving(tmp_path / "tty") as server:
        first = Peer(tmp_path / "tty")
        await first.hear(Reading)
        first.leave()
        left_s = server.rig.line_s
        await until(lambda: server.rig.line_s > left_s + 0.1, "the rig stood still")
        second = Peer(tmp_path / "tty")
        second.send(Identify(1))
        hello = await second.hear(Hello)
        assert hello.features == POLYTUNNEL_WITH_DRAIN.fittings.features
        second.leave()


async def test_without_a_reader_the_world_continues_and_old_frames_are_dropped(
    tmp_path: FilePath,
) -> None:
    controller = Controller(POLYTUNNEL_WITH_DRAIN.fittings.features, reading_period_s=0.02)
    async with _serving(tmp_path / "tty", 60.0, controller=controller) as server:
        await until(lambda: server.world.time_s > 75.0, "the rig stood still")
        fd = os.open(tmp_path / "tty", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        old = os.read(fd, 100_000)
        os.close(fd)
    assert b" reading " in old
    assert len(old) < 2500, "some 4,500 bytes were sent and nobody read them"


async def test_the_true_state_is_printed_as_json_lines_and_at_each_change_of_path(tmp_path: FilePath) -> None:
    told = Told()
    async with _serving(tmp_path / "tty", 30.0, told.truths.append) as server:
        peer = Peer(tmp_path / "tty")
        await peer.hear(Reading)
        peer.send(Lease(1, Flow.TO_RESERVOIR, 300))
        await told.becomes(Flow.TO_RESERVOIR)
        await told.becomes(Flow.SHUT)
        server.world.draw(20.0)
        server.world.change_cartridge()
        await until(lambda: told.truths[-1].drawn_l > 19.99, "no truth tells of the water that was drawn")
        peer.leave()
    record = json.loads(truth_line(told.truths[-1]))
    assert record["path"] == "shut"
    assert set(record) == set(Truth.__dataclass_fields__)


async def test_the_symlink_is_removed_with_the_rig_and_replaces_an_old_one(tmp_path: FilePath) -> None:
    path = tmp_path / "tty"
    path.symlink_to("/nowhere")
    async with _serving(path):
        assert os.readlink(path) != "/nowhere"
    assert os.listdir(tmp_path) == []


async def test_an_existing_file_or_a_missing_directory_is_refused_and_no_file_is_overwritten(
    tmp_path: FilePath,
) -> None:
    precious = tmp_path / "notes.txt"
    precious.write_text("keep me")
    with pytest.raises(InputError, match=r"notes\.txt"):
        await RigServer(World(POLYTUNNEL_WITH_DRAIN), precious).run()
    assert precious.read_text() == "keep me"
    with pytest.raises(InputError, match="directory"):
        await RigServer(World(POLYTUNNEL_WITH_DRAIN), tmp_path / "no" / "tty").run()


@pytest.mark.parametrize("speed", [0.0, -1.0, float("inf"), float("nan")])
def test_an_invalid_speed_is_refused(tmp_path: FilePath, speed: float) -> None:
    with pytest.raises(OutOfRangeError, match="speed"):
        RigServer(World(POLYTUNNEL_WITH_DRAIN), tmp_path / "tty", speed)
