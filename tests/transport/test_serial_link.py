"""The link on a real pseudo-terminal: comes up, goes down, comes back, and never keeps the loop waiting."""

import asyncio
import contextlib
import errno
import os
import select
import termios
import tty

import pytest
import serial

from bridge.errors import LinkError
from bridge.guard.model import Flow
from bridge.protocol.codec import Decoder
from bridge.protocol.fields import encode
from bridge.protocol.frame import Damaged, DamageReason, Direction
from bridge.protocol.messages import Close, Identify, Lease, Reading
from bridge.protocol.session import DownCause, LinkDown, LinkUp
from bridge.transport.line import WAITING_LIMIT, Line, open_device
from bridge.transport.serial_link import SerialLink

PATIENCE_S = 10.0


class Far:
    """The controller's end of a pseudo-terminal, behind a name that stays when the terminal changes."""

    def __init__(self, name):
        self.master, self.slave = os.openpty()
        # Held open here too, so that the master does not hang up between two openings by the link.
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        fresh = name.with_suffix(".new")
        fresh.symlink_to(os.ttyname(self.slave))
        fresh.replace(name)
        self.decoder = Decoder(Direction.TO_CONTROLLER)
        self.heard = asyncio.Queue()
        self.number = 0
        self.ticking = None
        self.listen()

    def listen(self):
        asyncio.get_running_loop().add_reader(self.master, self._read)

    def stop_listening(self):
        asyncio.get_running_loop().remove_reader(self.master)

    def _read(self):
        for event in self.decoder.feed(os.read(self.master, 65536)):
            self.heard.put_nowait(event)

    async def hears(self, kind):
        """The next message of this kind."""
        async with asyncio.timeout(PATIENCE_S):
            while True:
                event = await self.heard.get()
                if isinstance(event, kind):
                    return event

    def says(self, data):
        assert os.write(self.master, data) == len(data)

    def reads(self):
        """Send the next reading; its number as conductance."""
        self.number += 1
        self.says(encode(Reading(self.number, Flow.SHUT, float(self.number), 20.0)))

    def keeps_reading(self):
        """Send a reading every 20 ms."""
        self.reads()
        self.ticking = asyncio.get_running_loop().call_later(0.02, self.keeps_reading)

    def stops_reading(self):
        if self.ticking is not None:
            self.ticking.cancel()

    def vanish(self):
        self.stops_reading()
        self.stop_listening()
        os.close(self.master)
        os.close(self.slave)


class Watched:
    """A link with its task and everything it told."""

    def __init__(self, path, **settings):
        self.messages, self.states, self.strays = asyncio.Queue(), asyncio.Queue(), []
        settings = {"silence_s": 5.0, "first_wait_s": 0.01, "longest_wait_s": 0.04} | settings
        self.link = SerialLink(
            str(path),
            **{
                "on_message": self.messages.put_nowait,
                "on_link": self.states.put_nowait,
                "on_stray": self.strays.append,
            }
            | settings,
        )

    async def __aenter__(self):
        self.task = asyncio.create_task(self.link.run())
        return self

    async def __aexit__(self, *_):
        self.task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self.task

    async def state(self):
        async with asyncio.timeout(PATIENCE_S):
            return await self.states.get()

    async def message(self):
        async with asyncio.timeout(PATIENCE_S):
            return await self.messages.get()


@pytest.fixture
async def far(tmp_path):
    ends = []

    def make():
        ends.append(Far(tmp_path / "controller"))
        return ends[-1]

    yield make
    for end in ends:
        with contextlib.suppress(OSError):
            end.vanish()


async def test_opening_sends_close_and_identify_and_the_first_good_frame_brings_the_link_up(far, tmp_path):
    end = far()
    end.says(b"stale bytes from before\n")
    async with Watched(tmp_path / "controller") as watched:
        assert await end.hears(Close) == Close(0)
        assert await end.hears(Identify) == Identify(1)
        assert not watched.link.is_up
        end.says(b"noise\n")
        end.reads()
        assert await watched.state() == LinkUp()
        assert (await watched.message()).product_us == 1.0
        assert watched.link.is_up
        assert watched.strays == [Damaged(DamageReason.NO_START, b"noise")]
        assert watched.link.send(Lease(watched.link.next_sequence(), Flow.TO_RESERVOIR, 4000))
        assert await end.hears(Lease) == Lease(2, Flow.TO_RESERVOIR, 4000)


async def test_an_answer_sent_from_the_callback_is_on_the_wire_in_the_same_turn_of_the_loop(far, tmp_path):
    end = far()
    seen = asyncio.get_running_loop().create_future()

    def on_message(message):
        end.stop_listening()
        assert watched.link.send(Close(4711))
        # The loop stands still in here: whatever arrives was written by the call above.
        readable, _, _ = select.select([end.master], [], [], PATIENCE_S)
        seen.set_result(os.read(end.master, 4096) if readable else b"")

    async with Watched(tmp_path / "controller", on_message=on_message) as watched:
        await end.hears(Identify)
        end.reads()
        async with asyncio.timeout(PATIENCE_S):
            assert await seen == encode(Close(4711))


async def test_when_the_device_goes_and_another_appears_under_its_name_the_link_comes_back(far, tmp_path):
    end = far()
    async with Watched(tmp_path / "controller") as watched:
        await end.hears(Identify)
        end.reads()
        assert await watched.state() == LinkUp()
        end.vanish()
        down = await watched.state()
        assert down.cause is DownCause.LOST
        assert "disappeared" in str(down.error)
        assert not watched.link.send(Close(1))
        assert (await watched.state()).cause is DownCause.NO_DEVICE

        end = far()
        await end.hears(Identify)
        end.reads()
        assert await watched.state() == LinkUp()
        assert watched.link.counts.good == 2


async def test_silence_is_noticed_and_the_device_opened_anew(far, tmp_path):
    end = far()
    end.keeps_reading()
    async with Watched(tmp_path / "controller", silence_s=0.2) as watched:
        await end.hears(Identify)
        assert await watched.state() == LinkUp()
        end.stops_reading()
        down = await watched.state()
        assert down.cause is DownCause.SILENT
        assert "silent for 0.2 s" in str(down.error)
        assert not watched.link.send(Lease(9, Flow.TO_RESERVOIR, 4000))
        # It goes with a close, comes again with a close, and asks who is there.
        await end.hears(Close)
        await end.hears(Identify)
        end.keeps_reading()
        assert await watched.state() == LinkUp()


async def test_garbage_and_repeated_frames_are_no_sign_of_life(far, tmp_path):
    end = far()
    frame = encode(Reading(7, Flow.SHUT, 3.0, 20.0))
    async with Watched(tmp_path / "controller", silence_s=0.3) as watched:
        await end.hears(Identify)
        end.says(frame)
        assert await watched.state() == LinkUp()
        assert (await watched.message()).sequence == 7
        async with asyncio.timeout(PATIENCE_S):
            while watched.states.empty():
                end.says(b"garbage\n" + frame)
                await asyncio.sleep(0.01)
        assert (await watched.state()).cause is DownCause.SILENT
        assert watched.messages.empty()
        assert watched.link.track.counted.duplicates > 3


async def test_a_reader_that_is_stuck_neither_stops_the_loop_nor_piles_up_leases(far, tmp_path):
    end = far()
    async with Watched(tmp_path / "controller") as watched:
        await end.hears(Identify)
        end.reads()
        assert await watched.state() == LinkUp()
        end.stop_listening()
        line = watched.link._line
        sent = 0
        while watched.link.send(Lease(sent % 65536, Flow.TO_RESERVOIR, 4000)):
            sent += 1
            assert len(line._pending) <= WAITING_LIMIT
            assert sent < 20_000, "nothing bounds what waits"
        assert (await watched.state()).cause is DownCause.STUCK
        # Once somebody reads again: old leases at most, then the close of the end or of the new beginning.
        end.listen()
        await end.hears(Close)
        await end.hears(Identify)
        assert not any(isinstance(event, Lease) for event in iter_now(end.heard))
        end.reads()
        assert await watched.state() == LinkUp()


def iter_now(queue):
    while not queue.empty():
        yield queue.get_nowait()


async def test_a_device_whose_own_queue_is_full_counts_as_stuck(far, tmp_path, monkeypatch):
    end = far()
    async with Watched(tmp_path / "controller") as watched:
        await end.hears(Identify)
        end.reads()
        assert await watched.state() == LinkUp()
        with monkeypatch.context() as patch:
            # A pseudo-terminal always says that nothing waits; a serial chip says how much.
            patch.setattr(serial.Serial, "out_waiting", WAITING_LIMIT)
            assert not watched.link.send(Lease(1, Flow.TO_RESERVOIR, 4000))
        assert (await watched.state()).cause is DownCause.STUCK


async def test_a_close_goes_in_front_of_leases_that_nobody_took(far, tmp_path):
    end = far()
    end.stop_listening()
    ended = []
    port = open_device(str(tmp_path / "controller"), 115200)
    line = Line(port, "controller", lambda data: None, ended.append)
    while not line._pending:
        assert line.write(encode(Lease(1, Flow.TO_RESERVOIR, 4000)))
    assert line.write(encode(Lease(2, Flow.TO_RESERVOIR, 4000)))
    assert line.write(encode(Close(3)), urgent=True)
    end.listen()
    heard = []
    async with asyncio.timeout(PATIENCE_S):
        while Close(3) not in heard:
            heard.append(await end.heard.get())
    assert Lease(2, Flow.TO_RESERVOIR, 4000) not in heard
    assert ended == []
    await line.hang_up()


async def test_finish_sends_a_close_at_once_and_run_returns(far, tmp_path):
    end = far()
    watched = Watched(tmp_path / "controller")
    task = asyncio.create_task(watched.link.run())
    await end.hears(Identify)
    end.reads()
    assert await watched.state() == LinkUp()
    end.stop_listening()
    watched.link.finish()
    readable, _, _ = select.select([end.master], [], [], PATIENCE_S)
    assert readable
    assert os.read(end.master, 4096) == encode(Close(2))
    async with asyncio.timeout(PATIENCE_S):
        await task
    assert watched.states.empty()


async def test_cancelling_sends_a_close_and_leaves_the_device_free(far, tmp_path):
    end = far()
    async with Watched(tmp_path / "controller"):
        await end.hears(Identify)
    await end.hears(Close)
    port = open_device(str(tmp_path / "controller"), 115200)
    assert isinstance(port, serial.Serial)
    port.close()


async def test_cancelling_in_the_middle_of_opening_leaves_the_device_free(far, tmp_path):
    far()
    async with Watched(tmp_path / "controller"):
        await asyncio.sleep(0)
    await asyncio.get_running_loop().shutdown_default_executor()
    port = open_device(str(tmp_path / "controller"), 115200)
    assert isinstance(port, serial.Serial)
    port.close()


async def test_finish_while_there_is_no_device_returns_at_once(tmp_path):
    watched = Watched(tmp_path / "nothing", first_wait_s=3600.0, longest_wait_s=3600.0)
    task = asyncio.create_task(watched.link.run())
    assert (await watched.state()).cause is DownCause.NO_DEVICE
    watched.link.finish()
    async with asyncio.timeout(PATIENCE_S):
        await task


async def test_what_a_callback_raises_comes_out_of_run_and_the_valve_is_closed(far, tmp_path):
    end = far()

    def on_message(message):
        raise ArithmeticError("a fault of the station")

    watched = Watched(tmp_path / "controller", on_message=on_message)
    task = asyncio.create_task(watched.link.run())
    await end.hears(Identify)
    end.reads()
    with pytest.raises(ArithmeticError, match="a fault of the station"):
        await task
    await end.hears(Close)


async def test_a_missing_device_is_told_once_tried_ever_more_slowly_and_up_to_a_bound(far, tmp_path):
    async with Watched(tmp_path / "controller") as watched:
        down = await watched.state()
        assert down.cause is DownCause.NO_DEVICE
        assert isinstance(down.error, LinkError)
        assert str(tmp_path / "controller") in str(down.error)
        assert watched.link.wait_s == 0.02
        (tmp_path / "controller").write_text("now something else is there")
        assert (await watched.state()).cause is DownCause.NOT_SERIAL
        (tmp_path / "controller").unlink()
        assert (await watched.state()).cause is DownCause.NO_DEVICE
        assert watched.link.wait_s == 0.04
        end = far()
        await end.hears(Identify)
        assert watched.link.wait_s == 0.04
        end.reads()
        assert await watched.state() == LinkUp()
        assert watched.link.wait_s == 0.01


def test_a_device_that_another_program_holds_is_busy(tmp_path):
    master, slave = os.openpty()
    with serial.Serial(os.ttyname(slave), exclusive=True):
        down = open_device(os.ttyname(slave), 115200)
    os.close(slave)
    os.close(master)
    assert isinstance(down, LinkDown)
    assert down.cause is DownCause.BUSY
    assert "Another program uses" in str(down.error)


@pytest.mark.parametrize("make", ["file", "directory"])
def test_what_is_no_serial_line_is_said_to_be_none(tmp_path, make):
    path = tmp_path / make
    path.write_text("text") if make == "file" else path.mkdir()
    down = open_device(str(path), 115200)
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
def test_a_refusal_by_the_system_becomes_a_sentence_with_target(monkeypatch, number, cause, target):
    def refuse(*_):
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(os, "open", refuse)
        down = open_device("/dev/controller", 115200)
    assert down.cause is cause
    assert target in str(down.error)


def test_what_an_earlier_program_left_unsent_is_dropped():
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(slave, False)
    os.set_blocking(master, False)
    left = 0
    with contextlib.suppress(BlockingIOError):
        while True:
            left += os.write(slave, b"x" * 1000)
    port = open_device(os.ttyname(slave), 115200)
    came = 0
    with contextlib.suppress(BlockingIOError):
        while select.select([master], [], [], 0.1)[0]:
            came += len(os.read(master, 65536))
    # What the reader's own buffer holds already is out of reach; all behind it is gone.
    assert came <= 4096 < left
    port.close()
    os.close(slave)
    os.close(master)


def test_a_device_is_opened_raw_and_what_waited_is_dropped(tmp_path):
    master, slave = os.openpty()
    tty.setraw(slave)
    os.write(master, b"old\n")
    select.select([slave], [], [], PATIENCE_S)
    port = open_device(os.ttyname(slave), 115200)
    attributes = termios.tcgetattr(port.fileno())
    assert not attributes[3] & (termios.ICANON | termios.ECHO | termios.ISIG)
    assert not attributes[0] & (termios.IXON | termios.ICRNL)
    assert not attributes[1] & termios.OPOST
    assert attributes[5] == termios.B115200
    assert select.select([port.fileno()], [], [], 0)[0] == []
    port.close()
    os.close(slave)
    os.close(master)
