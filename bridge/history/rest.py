"""Long work in bites, so that the event loop gets the interpreter in between.

While a thread runs Python code no other can: each time the event loop makes a system call it may wait for the
interpreter as long as a switch interval, and a reading takes several. So whatever works for longer than a
bite in the log's thread takes a :data:`Rest` and calls it in its loops, every few tens of microseconds. To
those that know of no thread it is a function like any other.
"""

import time
from collections.abc import Callable

Rest = Callable[[], None]
"""To be called often. It may take its time, and raises what the work around it must not go on after."""

BITE_S = 0.0002
"""Less than the switch interval: then the event loop waits for a bite, and not for its turn."""
NAP_S = 0.002
"""Long enough for a turn of the event loop or two."""


def no_rest() -> None:
    """For those who have nobody waiting."""


class Bites:
    """A rest that does nothing within a bite, and naps between two.

    Args:
        between: what to do before each nap. It must not rest itself.
    """

    def __init__(self, between: Callable[[], None]) -> None:
        self._between = between
        self._ends_s = 0.0

    def begin(self) -> None:
        """A bite begins."""
        self._ends_s = time.perf_counter() + BITE_S

    def rest(self) -> None:
        """Go on, or nap first."""
        if time.perf_counter() >= self._ends_s:
            self._between()
            time.sleep(NAP_S)
            self.begin()
