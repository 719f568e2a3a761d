"""Opens a serial device and runs it on the event loop, with bounded buffers and plain error messages. Shell.

The asyncio transport of the serial library is not used. Its write retries without a pause while the device
takes nothing, and so blocks the loop. Its buffer has no bound. Its close waits without limit in a thread
until the device has taken everything. Here the file descriptor is written to directly.
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
    # A device node without hardware can be opened, and fails at the first ioctl.
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
    """Open a device raw, 8N1, without flow control, exclusively, and drop the bytes that waited.

    May block: call it in a thread. The lock is advisory (flock). Opening raises DTR, which resets many
    boards; a controller boots with its valves shut.
    """
    try:
        # The constructor would open the port before the object is complete.
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
    """Return the first error number in a chain of exceptions, or 0.

    In some errors of the serial library only the context has the number.
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
"""The most bytes that may wait to be sent, here and in the system together.

That is more than a dozen leases, which take 42 ms at 115200 baud. If more wait, the device takes none, and
old leases must not reach it when it does again."""

READ_SIZE = 4096
DRAIN_LIMIT_S = 0.25
_DRAIN_STEP_S = 0.005


class Line:
    """An open device.

    If it fails or takes no more bytes, ``on_end`` is called; then call :meth:`hang_up`.
    """

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
        """An upper bound of the bytes in the output queue of the system; reading the queue corrects it."""
        self._writes = False
        self._failed = False
        self._loop.add_reader(self._fd, self._readable)

    @property
    def failed(self) -> bool:
        """Whether the device is gone and nothing can be written."""
        return self._failed

    def write(self, frame: bytes, urgent: bool = False) -> bool:
        """Write a frame in this call; keep the part that the system does not take yet, within the limit.

        An urgent frame replaces everything that still waits. Returns False if the frame was not taken.
        """
        if self._failed:
            return False
        try:
            crowded = self._crowded(len(self._pending) + len(frame), urgent)
            if urgent and (crowded or self._pending):
                # A frame may be cut here. Its receiver starts again at the next start character.
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
        # Reading the queue length is slow, so for a close it is read only if the bound may be passed.
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
        """Wait a bounded time until the sent bytes have left, then close the device. Safe to cancel."""
        self._detach()
        left = round(DRAIN_LIMIT_S / _DRAIN_STEP_S)
        try:
            while left and self._waits():
                left -= 1
                await asyncio.sleep(_DRAIN_STEP_S)
        finally:
            if self._waits():
                # Otherwise the close would wait for a device that takes nothing.
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
