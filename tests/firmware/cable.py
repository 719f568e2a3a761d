"""A serial cable between a program and a board, which a test can cut."""

import os
import select
import threading
import tty
from pathlib import Path


class SerialCable:
    """Carries bytes both ways between the device ``board`` and a device of its own at ``path``.

    Use the cable as a context manager. :meth:`cut` removes the device while a program has it open, like a
    pulled plug.
    """

    def __init__(self, board: str, path: Path) -> None:
        self._board = os.open(board, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = path
        path.symlink_to(os.ttyname(self._slave))
        self._cut = threading.Event()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def __enter__(self) -> "SerialCable":
        return self

    def __exit__(self, *_: object) -> None:
        self.cut()

    def cut(self) -> None:
        if not self._cut.is_set():
            self._cut.set()
            self._thread.join(10)
            self.path.unlink()
            for end in (self._slave, self._master, self._board):
                os.close(end)

    def _carry(self) -> None:
        ends = {self._board: self._master, self._master: self._board}
        while not self._cut.is_set():
            for one in select.select(list(ends), [], [], 0.02)[0]:
                try:
                    os.write(ends[one], os.read(one, 4096))
                except BlockingIOError:
                    continue
