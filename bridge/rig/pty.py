"""The rig on a real pseudo-terminal: the shell around :class:`bridge.rig.rig.Rig`.

Line seconds are real seconds here, so leases lapse in real time whatever the speed; the world runs
``speed`` times as fast. A peer may open and close the terminal as it likes: the rig keeps one end of it
open for itself, so the terminal stays, as a board stays when the computer forgets it.
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
from bridge.rig.reservoir import Truth
from bridge.rig.rig import Rig
from bridge.rig.world import World

_TICK_S = 0.02
_CHUNK = 4096
_MOST_UNREAD = 2048

OnTruth = Callable[[Truth], None]


class RigServer:
    """Serves one world on a pseudo-terminal whose name is the symlink ``pty_path``.

    ``on_truth`` is called with the truth every ``truth_every_s`` real seconds, and within a few
    hundredths of one when the valve, the true path, the float or the set of active faults changes. While
    :meth:`run` runs, the owner may call ``world.draw``, ``world.change_cartridge`` and ``world.inject``
    from the same event loop.
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
        """Prepare; nothing is opened before :meth:`run`."""
        self.world = world
        self.rig = Rig(world, controller, speed)
        self.ready = asyncio.Event()
        """Set while the symlink stands and the terminal can be opened."""
        self._path = pty_path
        self._on_truth = on_truth
        self._truth_every_s = truth_every_s
        self._next_truth_s = 0.0
        self._told: tuple[object, ...] = ()
        self._master = self._slave = -1
        self._started_s = 0.0

    async def run(self) -> None:
        """Serve until cancelled; then close the terminal and take the symlink away.

        Raises:
            InputError: ``pty_path`` exists and is no symlink, or its directory cannot be written.
            LinkError: the system gives no pseudo-terminal.
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
            _point(self._path, slave_name)
            self._started_s = loop.time() - self.rig.line_s
            loop.add_reader(self._master, self._readable)
            self.ready.set()
            while True:
                self._write(self.rig.advance(loop.time() - self._started_s))
                self._tell()
                await asyncio.sleep(_TICK_S)
        finally:
            self.ready.clear()
            loop.remove_reader(self._master)
            os.close(self._master)
            os.close(self._slave)
            _unpoint(self._path, slave_name)

    def _readable(self) -> None:
        try:
            data = os.read(self._master, _CHUNK)
        except BlockingIOError:
            return
        now_s = asyncio.get_running_loop().time() - self._started_s
        # Time first: a lease that is over has lapsed before the next one is read.
        self._write(self.rig.advance(now_s) + self.rig.receive(data))

    def _write(self, data: bytes) -> None:
        """Put bytes on the line, never waiting. Unread bytes do not pile up: a board's line has no memory."""
        if not data:
            return
        unread = struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, b"\0\0\0\0"))[0]
        if unread > _MOST_UNREAD:
            termios.tcflush(self._slave, termios.TCIFLUSH)
        # A line that takes nothing more loses what it cannot take, as a full output buffer does.
        with contextlib.suppress(BlockingIOError):
            os.write(self._master, data)

    def _tell(self) -> None:
        if self._on_truth is None:
            return
        truth = self.world.truth()
        told = (truth.driven, truth.path, truth.faults, truth.overflow_up)
        if told != self._told or self.rig.line_s >= self._next_truth_s:
            self._told = told
            self._next_truth_s = self.rig.line_s + self._truth_every_s
            self._on_truth(truth)


def _point(path: Path, target: str) -> None:
    """Make ``path`` a symlink to ``target``, in one move; an old symlink is replaced, nothing else is."""
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


def _unpoint(path: Path, target: str) -> None:
    """Take the symlink away if it is still ours."""
    with contextlib.suppress(OSError):
        if os.readlink(path) == target:
            os.unlink(path)
