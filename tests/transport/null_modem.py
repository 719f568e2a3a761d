"""Simulates two serial devices with a cable between them. Each end is a pseudo-terminal with a name."""

import os
import select
import threading
import tty


class NullModem:
    """Copies all bytes from the device :attr:`near` to the device :attr:`far`, and back."""

    def __init__(self) -> None:
        self._ends = []
        names = []
        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._ends.append((master, slave))
            names.append(os.ttyname(slave))
        self.near, self.far = names
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def __enter__(self) -> "NullModem":
        return self

    def __exit__(self, *_: object) -> None:
        self.cut()

    def cut(self) -> None:
        """Remove both devices."""
        if not self._stop.is_set():
            self._stop.set()
            self._thread.join(10)
            for master, slave in self._ends:
                os.close(master)
                os.close(slave)

    def _carry(self) -> None:
        (one, _), (other, _) = self._ends
        far_end = {one: other, other: one}
        while not self._stop.is_set():
            for end in select.select(list(far_end), [], [], 0.02)[0]:
                os.write(far_end[end], os.read(end, 4096))
