"""The link on a real pseudo-terminal comes up, goes down, comes back, and never blocks the loop."""

import asyncio
import contextlib
import errno
import os
import select
import termios
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from typing import TypeVar

import pytest
import serial

from bridge.errors import LinkError
from bridge.guard.model import Flow
from bridge.protocol.codec import Decoder
from bridge.protocol.fields import encode
from bridge.protocol.frame import Damaged, DamageReason, Direction, Ignored
from bridge.protocol.messages import Close, FromBridge, FromController, Identify, Lease, Reading
from bridge.protocol.sequence import MODULUS
from bridge.protocol.session import DownCause, LinkDown, LinkUp
from bridge.transport.line import WAITING_LIMIT, Line, open_device
from bridge.transport.link import SerialLink
from tests.narrowing import of_kind
from tests.waiting import DEADLINE_S, until, within

M = TypeVar("M", bound=FromBridge)
Item = TypeVar("Item")

MakeFar = Callable[[], "Far"]


class Far:
    """The controller's end of a pseudo-terminal. The name of the device stays when the terminal changes."""

    def __init__(self, name: Path) -> None:
        self.master, self.slave = os.openpty()
        # This end also stays open, so that the master does not hang up between two openings by the link.
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        fresh = name.with_suffix(".new")
        fresh.symlink_to(os.ttyname(self.slave))
        fresh.replace(name)
        self.decoder = Decoder(Direction.TO_CONTROLLER)
        self.heard: asyncio.Queue[FromBridge | Damaged | Ignored] = asyncio.Queue()
        self.number = 0
        self.ticking: asyncio.TimerHandle | None = None
        self.listen()

    def listen(self) -> None:
        asyncio.get_running_loop().add_reader(self.master, self._read)

    def stop_listening(self) -> None:
        asyncio.get_running_loop().remove_reader(self.master)

    def _read(self) -> None:
        for event in self.decoder.feed(os.read(self.master, 65536)):
            self.heard.put_nowait(event)

    async def hears(self, kind: type[M]) -> M:
        """Wait for the next message of this kind."""
        while True:
            event = await within(self.heard.get(), f"no {kind.__name__} came")
            if isinstance(event, kind):
                return event

    def says(self, data: bytes) -> None:
        assert os.write(self.master, data) == len(data)

    def reads(self) -> None:
        """Send the next reading, with its number as the conductance."""
        self.number += 1
        self.says(encode(Reading(self.number, Flow.SHUT, float(self.number), 20.0)))

    def keeps_reading(self) -> None:
        """Send a reading every 20 ms."""
        self.reads()
        self.ticking = asyncio.get_running_loop().call_later(0.02, self.keeps_reading)

    def stops_reading(self) -> None:
        if self.ticking is not None:
            self.ticking.cancel()

    def vanish(self) -> None:
        self.stops_reading()
        self.stop_listening()
        os.close(self.master)
        os.close(self.slave)


class Watched:
    """A link with its task and everything that it reported."""

    def __init__(
        self,
        path: Path,
        on_message: Callable[[FromController], None] | None = None,
        silence_s: float = DEADLINE_S,
        first_wait_s: float = 0.01,
        longest_wait_s: float = 0.04,
    ) -> None:
        self.messages: asyncio.Queue[FromController] = asyncio.Queue()
        self.states: asyncio.Queue[LinkUp | LinkDown] = asyncio.Queue()
        self.strays: list[Damaged | Ignored] = []
        self.link = SerialLink(
            str(path),
            on_message=on_message or self.messages.put_nowait,
            on_link=self.states.put_nowait,
            on_stray=self.strays.append,
            silence_s=silence_s,
            first_wait_s=first_wait_s,
            longest_wait_s=longest_wait_s,
        )

    async def __aenter__(self) -> "Watched":
        self.task = asyncio.create_task(self.link.run())
        return self

    async def __aexit__(self, *_: object) -> None:
        self.task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self.task

    async def state(self) -> LinkUp | LinkDown:
        return await within(self.states.get(), "the link reported nothing")

    async def down(self) -> LinkDown:
        return of_kind(LinkDown, await self.state())

    async def reading(self) -> Reading:
        return of_kind(Reading, await within(self.messages.get(), "no message came"))


@pytest.fixture
async def far(tmp_path: Path) -> AsyncIterator[MakeFar]:
    ends: list[Far] = []

    def make() -> Far:
        ends.append(Far(tmp_path / "controller"))
        return ends[-1]

    yield make
    for end in ends:
        with contextlib.suppress(OSError):
            end.vanish()


def opened(path: str) -> serial.Serial:
    return of_kind(serial.Serial, open_device(path, 115200))


async def test_opening_sends_close_and_identify_and_the_first_good_frame_brings_the_link_up(
    far: MakeFar, tmp_path: Path
) -> None:
    end = far()
    end.says(b"stale bytes from before\n")
    async with Watched(tmp_path / "controller") as watched:
        first = (await end.hears(Close)).sequence
        assert await end.hears(Identify) == Identify((first + 1) % MODULUS)
        assert not watched.link.is_up
        end.says(b"noise\n")
        end.reads()
        assert await watched.state() == LinkUp()
        assert (await watched.reading()).product_us == 1.0
        assert watched.link.is_up
        assert watched.strays == [Damaged(DamageReason.NO_START, b"noise")]
        assert watched.link.send(Lease(watched.link.next_sequence(), Flow.TO_RESERVOIR, 4000))
        assert await end.hears(Lease) == Lease((first + 2) % MODULUS, Flow.TO_RESERVOIR, 4000)


async def test_each_start_begins_with_another_number_so_that_no_first_lease_is_a_duplicate() -> None:
    def first() -> int:
        link = SerialLink("nowhere", on_message=lambda message: None, on_link=lambda state: None)
        return link.next_sequence()

    assert len({first() for _ in range(8)}) > 1


async def test_an_answer_sent_from_the_callback_is_on_the_wire_in_the_same_turn_of_the_loop(
    far: MakeFar, tmp_path: Path
) -> None:
    end = far()
    seen: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()

    def on_message(message: FromController) -> None:
        end.stop_listening()
        assert watched.link.send(Close(4711))
        # The loop is blocked here, so all bytes that arrive were written by the call above.
        readable, _, _ = select.select([end.master], [], [], DEADLINE_S)
        seen.set_result(os.read(end.master, 4096) if readable else b"")

    async with Watched(tmp_path / "controller", on_message=on_message) as watched:
        await end.hears(Identify)
        end.reads()
        assert await within(seen) == encode(Close(4711))


async def test_when_the_device_goes_and_another_appears_under_its_name_the_link_comes_back(
    far: MakeFar, tmp_path: Path
) -> None:
    end = far()
    async with Watched(tmp_path / "controller") as watched:
        await end.hears(Identify)
        end.reads()
        assert await watched.state() == LinkUp()
        end.vanish()
        down = await watched.down()
        assert down.cause is DownCause.LOST
        assert "disappeared" in str(down.error)
        assert not watched.link.send(Close(1))
        assert (await watched.down()).cause is DownCause.NO_DEVICE

        end = far()
        await end.hears(Identify)
        end.reads()
        assert await watched.state() == LinkUp()
        assert watched.link.counts.good == 2


async def test_silence_is_noticed_and_the_device_opened_anew(far: MakeFar, tmp_path: Path) -> None:
    end = far()
    end.keeps_reading()
    async with Watched(tmp_path / "controller", silence_s=0.2) as watched:
        await end.hears(Identify)
        assert await watched.state() == LinkUp()
        end.stops_reading()
        down = await watched.down()
        assert down.cause is DownCause.SILENT
        assert "no reading for 0.2 s" in str(down.error)
        assert not watched.link.send(Lease(9, Flow.TO_RESERVOIR, 4000))
        # The link sends a close when it ends, another close when it returns, and then identify.
        await end.hears(Close)
        await end.hears(Identify)
        end.keeps_reading()
        assert await watched.state() == LinkUp()


async def test_garbage_and_repeated_frames_are_no_sign_of_life(far: MakeFar, tmp_path: Path) -> None:
    end = far()
    frame = encode(Reading(7, Flow.SHUT, 3.0, 20.0))
    async with Watched(tmp_path / "controller", silence_s=0.3) as watched:
        await end.hears(Identify)
        end.says(frame)
        assert await watched.state() == LinkUp()
        assert (await watched.reading()).sequence == 7
        await until(
            lambda: not watched.states.empty(),
            "garbage and a repeated frame kept the link up",
            meanwhile=lambda: end.says(b"garbage\n" + frame),
        )
        assert (await watched.down()).cause is DownCause.SILENT
        assert watched.messages.empty()
        assert watched.link.track.counted.duplicates > 3


async def test_a_reader_that_is_stuck_neither_stops_the_loop_nor_piles_up_leases(
    far: MakeFar, tmp_path: Path
) -> None:
    end = far()
    async with Watched(tmp_path / "controller") as watched:
        await end.hears(Identify)
        end.reads()
        assert await watched.state() == LinkUp()
        end.stop_listening()
        line = watched.link._line
        assert line is not None
        sent = 0
        while watched.link.send(Lease(sent % 65536, Flow.TO_RESERVOIR, 4000)):
            sent += 1
            assert len(line._pending) <= WAITING_LIMIT
            assert sent < 20_000, "nothing bounds what waits"
        assert (await watched.down()).cause is DownCause.STUCK
        # A new reader receives at most old leases, then the close of the old or of the new connection.
        end.listen()
        await end.hears(Close)
        await end.hears(Identify)
        assert not any(isinstance(event, Lease) for event in iter_now(end.heard))
        end.reads()
        assert await watched.state() == LinkUp()


def iter_now(queue: asyncio.Queue[Item]) -> Iterator[Item]:
    while not queue.empty():
        yield queue.get_nowait()


async def test_a_device_whose_own_queue_is_full_counts_as_stuck(
    far: MakeFar, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    end = far()
    async with Watched(tmp_path / "controller") as watched:
        await end.hears(Identify)
        end.reads()
        assert await watched.state() == LinkUp()
        with monkeypatch.context() as patch:
            # A pseudo-terminal always reports an empty output queue. A serial chip reports its length.
            patch.setattr(serial.Serial, "out_waiting", WAITING_LIMIT)
            assert not watched.link.send(Lease(1, Flow.TO_RESERVOIR, 4000))
        assert (await watched.down()).cause is DownCause.STUCK


async def test_a_close_goes_in_front_of_leases_that_nobody_took(far: MakeFar, tmp_path: Path) -> None:
    end = far()
    end.stop_listening()
    ended: list[object] = []
    port = opened(str(tmp_path / "controller"))
    line = Line(port, "controller", lambda data: None, ended.append)
    while not line._pending:
        assert line.write(encode(Lease(1, Flow.TO_RESERVOIR, 4000)))
    assert line.write(encode(Lease(2, Flow.TO_RESERVOIR, 4000)))
    assert line.write(encode(Close(3)), urgent=True)
    end.listen()
    heard: list[object] = []
    while Close(3) not in heard:
        heard.append(await within(end.heard.get(), "the close did not come"))
    assert Lease(2, Flow.TO_RESERVOIR, 4000) not in heard
    assert ended == []
    await line.hang_up()


async def test_finish_sends_a_close_at_once_and_run_returns(far: MakeFar, tmp_path: Path) -> None:
    end = far()
    watched = Watched(tmp_path / "controller")
    task = asyncio.create_task(watched.link.run())
    asked = await end.hears(Identify)
    end.reads()
    assert await watched.state() == LinkUp()
    end.stop_listening()
    watched.link.finish()
    readable, _, _ = select.select([end.master], [], [], DEADLINE_S)
    assert readable
    assert os.read(end.master, 4096) == encode(Close((asked.sequence + 1) % MODULUS))
    await within(task, "the link did not end")
    assert watched.states.empty()


async def test_cancelling_sends_a_close_and_leaves_the_device_free(far: MakeFar, tmp_path: Path) -> None:
    end = far()
    async with Watched(tmp_path / "controller"):
        await end.hears(Identify)
    await end.hears(Close)
    opened(str(tmp_path / "controller")).close()


async def test_cancelling_in_the_middle_of_opening_leaves_the_device_free(
    far: MakeFar, tmp_path: Path
) -> None:
    far()
    async with Watched(tmp_path / "controller"):
        await asyncio.sleep(0)
    await asyncio.get_running_loop().shutdown_default_executor()
    opened(str(tmp_path / "controller")).close()


async def test_finish_while_there_is_no_device_returns_at_once(tmp_path: Path) -> None:
    watched = Watched(tmp_path / "nothing", first_wait_s=3600.0, longest_wait_s=3600.0)
    task = asyncio.create_task(watched.link.run())
    assert (await watched.down()).cause is DownCause.NO_DEVICE
    watched.link.finish()
    await within(task, "the link did not end")


async def test_what_a_callback_raises_comes_out_of_run_and_the_valve_is_closed(
    far: MakeFar, tmp_path: Path
) -> None:
    end = far()

    def on_message(message: FromController) -> None:
        raise ArithmeticError("a fault of the station")

    watched = Watched(tmp_path / "controller", on_message=on_message)
    task = asyncio.create_task(watched.link.run())
    await end.hears(Identify)
    end.reads()
    with pytest.raises(ArithmeticError, match="a fault of the station"):
        await task
    await end.hears(Close)


async def test_a_missing_device_is_told_once_tried_ever_more_slowly_and_up_to_a_bound(
    far: MakeFar, tmp_path: Path
) -> None:
    async with Watched(tmp_path / "controller") as watched:
        down = await watched.down()
        assert down.cause is DownCause.NO_DEVICE
        assert isinstance(down.error, LinkError)
        assert str(tmp_path / "controller") in str(down.error)
        assert watched.link.wait_s == 0.02
        (tmp_path / "controller").write_text("now something else is there")
        assert (await watched.down()).cause is DownCause.NOT_SERIAL
        (tmp_path / "controller").unlink()
        assert (await watched.down()).cause is DownCause.NO_DEVICE
        assert watched.link.wait_s == 0.04
        end = far()
        await end.hears(Identify)
        assert watched.link.wait_s == 0.04
        end.reads()
        assert await watched.state() == LinkUp()
        assert watched.link.wait_s == 0.01


def test_a_device_that_another_program_holds_is_busy(tmp_path: Path) -> None:
    master, slave = os.openpty()
    with serial.Serial(os.ttyname(slave), exclusive=True):
        down = open_device(os.ttyname(slave), 115200)
    os.close(slave)
    os.close(master)
    assert isinstance(down, LinkDown)
    assert down.cause is DownCause.BUSY
    assert "Another program uses" in str(down.error)


@pytest.mark.parametrize("make", ["file", "directory"])
def test_what_is_no_serial_line_is_said_to_be_none(tmp_path: Path, make: str) -> None:
    path = tmp_path / make
    path.write_text("text") if make == "file" else path.mkdir()
    down = of_kind(LinkDown, open_device(str(path), 115200))
    assert down.cause is DownCause.NOT_SERIAL
    assert "is not a serial line" in str(down.error)


@pytest.mark.parametrize(
    ("number", "cause", "target"),
    [
        (errno.EACCES, DownCause.PERMISSION, "group that owns the device"),
        (errno.EBUSY, DownCause.BUSY, "stop the other one"),
        (errno.ENXIO, DownCause.NO_DEVICE, "Plug the controller in"),
        (errno.EMFILE, DownCause.UNUSABLE, os.strerror(errno.EMFILE)),
    ],
)
def test_a_refusal_by_the_system_becomes_a_sentence_with_target(
    monkeypatch: pytest.MonkeyPatch, number: int, cause: DownCause, target: str
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(os, "open", refuse)
        down = of_kind(LinkDown, open_device("/dev/controller", 115200))
    assert down.cause is cause
    assert target in str(down.error)


def test_what_an_earlier_program_left_unsent_is_dropped() -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(slave, False)
    os.set_blocking(master, False)
    left = 0
    with contextlib.suppress(BlockingIOError):
        while True:
            left += os.write(slave, b"x" * 1000)
    port = opened(os.ttyname(slave))
    came = 0
    with contextlib.suppress(BlockingIOError):
        while select.select([master], [], [], 0.1)[0]:
            came += len(os.read(master, 65536))
    # The bytes in the reader's own buffer cannot be removed. All bytes behind them are gone.
    assert came <= 4096 < left
    port.close()
    os.close(slave)
    os.close(master)


def test_a_device_is_opened_raw_and_what_waited_is_dropped(tmp_path: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    os.write(master, b"old\n")
    select.select([slave], [], [], DEADLINE_S)
    port = opened(os.ttyname(slave))
    attributes = termios.tcgetattr(port.fileno())
    assert not attributes[3] & (termios.ICANON | termios.ECHO | termios.ISIG)
    assert not attributes[0] & (termios.IXON | termios.ICRNL)
    assert not attributes[1] & termios.OPOST
    assert attributes[5] == termios.B115200
    assert select.select([port.fileno()], [], [], 0)[0] == []
    port.close()
    os.close(slave)
    os.close(master)
