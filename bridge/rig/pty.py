"""Serves a rig on a real pseudo-terminal. Shell.

Line seconds are real seconds, so leases lapse in real time at every speed; the world runs ``speed`` times as
fast. A peer may open and close the terminal at any time: the rig keeps one end open, so the terminal stays.
"""

import asyncio
import contextlib
import fcntl
import os
import struct
import termios
import tty
from collections.abc import Callable
from pathlib import Path

from bridge.errors import InputError, LinkError
from bridge.rig.controller import Controller
from bridge.rig.rig import Rig
from bridge.rig.water_path import Truth
from bridge.rig.world import World

_TICK_S = 0.02
_CHUNK = 4096
_MOST_UNREAD = 2048

OnTruth = Callable[[Truth], None]


class RigServer:
    """Serves one world on a pseudo-terminal.

    While :meth:`run` runs, the owner may call ``world.draw``, ``world.change_cartridge`` and ``world.inject``
    from the same event loop.

    Args:
        world: The world.
        pty_path: The symlink to the terminal.
        speed: World seconds for each real second.
        on_truth: Receives the truth at each interval, and within a few hundredths of a second after a change
            of the valve, the true path, the float or the active faults.
        truth_every_s: Interval between two truths, real seconds.
        controller: The controller; a new one by default.
    """

    def __init__(
        self,
        world: World,
        pty_path: Path,
        speed: float = 1.0,
        on_truth: OnTruth | None = None,
        truth_every_s: float = 1.0,
        controller: Controller | None = None,
    ) -> None:
        """Prepares; nothing is opened before :meth:`run`."""
        self.world = world
        self.rig = Rig(world, controller, speed)
        self.ready = asyncio.Event()
        """Set while the symlink exists and the terminal can be opened."""
        self._path = pty_path
        self._on_truth = on_truth
        self._truth_every_s = truth_every_s
        self._next_truth_s = 0.0
        self._shown: tuple[object, ...] = ()
        self._master = self._slave = -1
        self._started_s = 0.0

    async def run(self) -> None:
        """Serve until cancelled, then close the terminal and remove the symlink.

        Raises:
            InputError: ``pty_path`` exists and is not a symlink, or its directory cannot be written.
            LinkError: The system has no pseudo-terminal left.
        """
        loop = asyncio.get_running_loop()
        try:
            self._master, self._slave = os.openpty()
        except OSError as error:
            raise LinkError(f"the system gives no pseudo-terminal: {error.strerror}") from error
        slave_name = os.ttyname(self._slave)
        try:
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            _make_symlink(self._path, slave_name)
            self._started_s = loop.time() - self.rig.line_s
            loop.add_reader(self._master, self._readable)
            self.ready.set()
            while True:
                self._write(self.rig.advance(loop.time() - self._started_s))
                self._show_truth()
                await asyncio.sleep(_TICK_S)
        finally:
            self.ready.clear()
            loop.remove_reader(self._master)
            os.close(self._master)
            os.close(self._slave)
            _remove_symlink(self._path, slave_name)

    def _readable(self) -> None:
        try:
            data = os.read(self._master, _CHUNK)
        except BlockingIOError:
            return
        now_s = asyncio.get_running_loop().time() - self._started_s
        # Time first: a lease that has ended lapses before the next one is read.
        self._write(self.rig.advance(now_s) + self.rig.receive(data))

    def _write(self, data: bytes) -> None:
        """Write bytes without waiting; too many unread bytes are dropped, as a serial line does."""
        if not data:
            return
        unread = struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, b"\0\0\0\0"))[0]
        if unread > _MOST_UNREAD:
            termios.tcflush(self._slave, termios.TCIFLUSH)
        # A full line drops the bytes, as the full output buffer of a board does.
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)

    def _show_truth(self) -> None:
        if self._on_truth is None:
            return
        truth = self.world.truth()
        shown = (truth.driven, truth.path, truth.faults, truth.overflow_up)
        if shown != self._shown or self.rig.line_s >= self._next_truth_s:
            self._shown = shown
            self._next_truth_s = self.rig.line_s + self._truth_every_s
            self._on_truth(truth)


def _make_symlink(path: Path, target: str) -> None:
    """Make ``path`` a symlink to ``target`` in one step; it replaces an old symlink and no other file."""
    if os.path.lexists(path) and not path.is_symlink():
        raise InputError(f"the path {path} for the terminal exists and is no symlink: give a free name")
    new = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        os.symlink(target, new)
        os.replace(new, path)
    except OSError as error:
        raise InputError(
            f"the symlink {path} for the terminal cannot be made: {error.strerror}; "
            "give a path in a directory that exists and can be written"
        ) from error


def _remove_symlink(path: Path, target: str) -> None:
    """Remove the symlink if it still points to this terminal."""
    with contextlib.suppress(OSError):
        if os.readlink(path) == target:
            os.unlink(path)
