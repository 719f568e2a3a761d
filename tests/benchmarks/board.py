"""The controller's end of a pseudo-terminal: always the same readings, and the received commands."""

import math
import os
import random
import tty

from bridge.protocol.frame import seal

GOOD_US, OVER_US, GROSS_US = 160.0, 1200.0, 3000.0
"""Conductance of the product cell (0.1 /cm): about 8, 60 and 150 ppm at 0.5 ppm per µS/cm."""
ABSENT = b""


class Water:
    """An invented barrel: noise of 0.2 % on the cells, 0.02 K and a thousandth of the level; a slow day.

    Each reading is one second of the barrel's time, at any rate of sending.
    """

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(seed)
        self._second = 0
        self._pulses = 0.0

    def fields(self, product_us: float, path: str) -> str:
        """Returns the fields of one reading, as in a frame."""
        gauss = self._chance.gauss
        self._second += 1
        if path == "fill":
            self._pulses += 7.5
        celsius = 16.0 + 4.0 * math.sin(self._second / 86_400 * math.tau) + gauss(0.0, 0.02)
        warm = (1.0 + 0.02 * (celsius - 25.0)) * (1.0 + gauss(0.0, 0.002))
        return (
            f"path={path} p={product_us * warm:.3f} pt={celsius:.2f} f={640.0 * warm:.2f} ft={celsius:.2f}"
            f" lv={0.5 + gauss(0.0, 0.001):.4f} sw=100 n={int(self._pulses)}"
        )


class Board:
    """One controller. It sends readings on request, and obeys and acknowledges each command at once."""

    def __init__(self, seed: int = 1) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self._slave)
        self.flow = "shut"
        self.sent = 0
        self.heard: list[bytes] = []
        """The kinds of command heard, oldest first, since somebody emptied the list."""
        self._water = Water(seed)
        self._sequence = 0
        self._rest = ABSENT

    def send(self, product_us: float = GOOD_US) -> None:
        """Sends one reading in one write, so that all of its bytes are on the wire at once."""
        self._say(f"reading {self._water.fields(product_us, self.flow)}")
        self.sent += 1

    def hear(self) -> list[bytes]:
        """Reads the frames on the wire and returns the types of the commands."""
        try:
            data = self._rest + os.read(self.master, 65536)
        except BlockingIOError:
            return []
        *lines, self._rest = data.split(b"\n")
        kinds = [line.split(b"*")[0].split(b" ") for line in lines]
        for one in kinds:
            if one[2] == b"identify":
                self._say("hello id=board fw=1.0 boot=power lease=10000 fit=15")
                continue
            self.flow = "fill" if one[2] == b"lease" else "shut"
            self._say(f"ack of={int(one[1])} path={self.flow}")
        found = [one[2] for one in kinds]
        self.heard += found
        return found

    def forget(self) -> None:
        """Resets the line for another program: no pending bytes, the valve shut, numbers from the start."""
        self.hear()
        self.flow, self._sequence, self._rest = "shut", 0, ABSENT
        self.heard.clear()

    def close(self) -> None:
        os.close(self.master)
        os.close(self._slave)

    def _say(self, text: str) -> None:
        try:
            os.write(self.master, seal(f">1 {self._sequence} {text}"))
        except BlockingIOError:
            # Without a reader the bytes are lost, as on a real line.
            return
        self._sequence = (self._sequence + 1) % 65536
