"""One open serial device on the event loop: bytes out at once, bytes in as they come, nothing piles up.

The asyncio transport that goes with the serial library is not used. Its write calls the library's write,
which tries again without pause when the device takes nothing, and so stops the loop; its buffer has no
bound; its close waits in a thread, without limit, until the device has taken everything. Here the file
descriptor is written to directly.

Opens a serial device, and says in plain words why that, or keeping it, did not work.
"""

import asyncio
import errno
import os
import termios
from collections.abc import Callable
from contextlib import suppress

import serial

from bridge.protocol.session import DownCause, LinkDown, down

_CAUSES = {
    errno.ENOENT: DownCause.NO_DEVICE,
    errno.ENOTDIR: DownCause.NO_DEVICE,
    errno.ENXIO: DownCause.NO_DEVICE,
    errno.ENODEV: DownCause.NO_DEVICE,
    # A device node without hardware behind it opens, and fails at the first question.
    errno.EIO: DownCause.NO_DEVICE,
    errno.EACCES: DownCause.PERMISSION,
    errno.EPERM: DownCause.PERMISSION,
    errno.EBUSY: DownCause.BUSY,
    errno.EAGAIN: DownCause.BUSY,
    errno.ENOTTY: DownCause.NOT_SERIAL,
    errno.EISDIR: DownCause.NOT_SERIAL,
    errno.EINVAL: DownCause.NOT_SERIAL,
}


def open_device(path: str, baud: int) -> serial.Serial | LinkDown:
    """Open ``path`` raw, 8N1, without flow control, for us alone, and drop what waited in both directions.

    Blocks while the system opens the device: call it in a thread. The lock is an advisory one (flock).
    Opening raises DTR, which resets many boards; a controller boots with its valves shut.
    """
    try:
        # Not passed to the constructor, which would open in the middle of building the object.
        port = serial.Serial(None, baud, timeout=0, write_timeout=0, exclusive=True)
        port.port = path
        port.open()
    except (OSError, ValueError, termios.error) as error:
        number = _errno(error)
        cause = _CAUSES.get(number, DownCause.UNUSABLE)
        return down(cause, path, os.strerror(number) if number else str(error))
    try:
        os.set_blocking(port.fileno(), False)
        termios.tcflush(port.fileno(), termios.TCIOFLUSH)
    except (OSError, termios.error) as error:
        port.close()
        return down(DownCause.LOST, path, os.strerror(_errno(error)))
    return port


def _errno(error: BaseException | None) -> int:
    """The first error number in a chain of exceptions; 0 if there is none.

    The serial library keeps it in some of its errors and only in their context in others.
    """
    while error is not None:
        number = getattr(error, "errno", None)
        if number is None and isinstance(error, termios.error) and error.args:
            number = error.args[0]
        if isinstance(number, int) and number:
            return number
        error = error.__context__
    return 0


WAITING_LIMIT = 480
"""Bytes that may wait to be sent, here and in the system together: more than a dozen leases, which the
line carries in 42 ms at 115200 baud. More means that nobody takes them, and old leases must
not be handed over when somebody does again."""

READ_SIZE = 4096
DRAIN_LIMIT_S = 0.25
_DRAIN_STEP_S = 0.005


class Line:
    """An open device. ``on_end`` is called when it fails or takes no more; then :meth:`hang_up` it."""

    def __init__(
        self,
        port: serial.Serial,
        path: str,
        on_bytes: Callable[[bytes], None],
        on_end: Callable[[LinkDown], None],
    ) -> None:
        self._loop = asyncio.get_running_loop()
        self._port = port
        self._fd = port.fileno()
        self._path = path
        self._on_bytes = on_bytes
        self._on_end = on_end
        self._pending = b""
        self._most_waiting = WAITING_LIMIT
        """No more bytes than this can wait in the system; not known before it was asked."""
        self._writes = False
        self._failed = False
        self._loop.add_reader(self._fd, self._readable)

    @property
    def failed(self) -> bool:
        """Whether the device went away: nothing can be written any more."""
        return self._failed

    def write(self, frame: bytes, urgent: bool = False) -> bool:
        """Hand a frame to the system in this very call, or keep what it does not take yet, within bounds.

        An urgent frame goes in front of everything that still waits. False when it was not taken.
        """
        if self._failed:
            return False
        try:
            crowded = self._crowded(len(self._pending) + len(frame), urgent)
            if urgent and (crowded or self._pending):
                # A frame cut in two here does no harm: its receiver begins anew at the next start character.
                self._pending, self._most_waiting = b"", 0
                termios.tcflush(self._fd, termios.TCOFLUSH)
            elif crowded:
                self._end(DownCause.STUCK, f"{WAITING_LIMIT} bytes would wait")
                return False
            if self._pending:
                self._pending += frame
                return True
            self._push(frame)
        except (OSError, termios.error) as error:
            self._end(DownCause.LOST, str(error.args[-1]))
            return False
        return True

    def _crowded(self, more: int, urgent: bool) -> bool:
        # To ask the system is dear beside a close, for which it is asked only when it may be so.
        if not urgent or self._most_waiting + more > WAITING_LIMIT:
            self._most_waiting = self._port.out_waiting
        return self._most_waiting + more > WAITING_LIMIT

    def _push(self, data: bytes) -> None:
        try:
            sent = os.write(self._fd, data)
        except BlockingIOError:
            sent = 0
        self._most_waiting += sent
        self._pending = data[sent:]
        if self._pending:
            self._writes = True
            self._loop.add_writer(self._fd, self._writable)
        elif self._writes:
            self._writes = False
            self._loop.remove_writer(self._fd)

    def _writable(self) -> None:
        try:
            self._push(self._pending)
        except OSError as error:
            self._end(DownCause.LOST, str(error.args[-1]))

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, READ_SIZE)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._end(DownCause.LOST, str(error.args[-1]))
            return
        if data:
            self._on_bytes(data)
        else:
            self._end(DownCause.LOST, "end of file")

    def _end(self, cause: DownCause, detail: str) -> None:
        self._failed = cause is DownCause.LOST
        self._detach()
        self._on_end(down(cause, self._path, detail))

    def _detach(self) -> None:
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)

    async def hang_up(self) -> None:
        """Let what was sent leave, for a bounded time, then close the device. Safe to cancel."""
        self._detach()
        left = round(DRAIN_LIMIT_S / _DRAIN_STEP_S)
        try:
            while left and self._waits():
                left -= 1
                await asyncio.sleep(_DRAIN_STEP_S)
        finally:
            if self._waits():
                # Else the close itself would wait for a device that takes nothing.
                with suppress(OSError, termios.error):
                    termios.tcflush(self._fd, termios.TCOFLUSH)
            await self._loop.run_in_executor(None, self._port.close)

    def _waits(self) -> bool:
        try:
            if self._pending:
                self._pending = self._pending[os.write(self._fd, self._pending) :]
            return bool(self._pending) or self._port.out_waiting > 0
        except BlockingIOError:
            return True
        except OSError:
            return False
