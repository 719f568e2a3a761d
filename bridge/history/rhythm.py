"""When the log's thread has its turn. Pure: the time is handed in.

A row is taken within ``every_s``, and the thread wakes as seldom as that allows. After a quiet while a row
wakes it and is taken at once: at a reading a second, one wake-up each. Rows that come closer together gather
until ``every_s`` after the last turn, and wake nobody.
"""

import math


class Rhythm:
    """Knows when the last turn was, and whether rows come fast.

    Args:
        every_s: the longest that a row may wait, in seconds.
    """

    __slots__ = ("_dense", "_every_s", "_gathered_s", "rouses")

    def __init__(self, every_s: float) -> None:
        self._every_s = every_s
        self._gathered_s = -math.inf
        self._dense = False
        self.rouses = False
        """During the wait that was last asked for, the first row to come must wake the thread."""

    def turned(self, now_s: float, taken: int) -> None:
        """A turn begins, and takes so many rows."""
        self._gathered_s = now_s + self._every_s
        self._dense = taken > 1

    def wait_s(self, now_s: float, waits: bool, due_s: float | None) -> float | None:
        """How long to wait before the thread looks again; 0 when its turn is due, None until it is woken.

        Args:
            now_s: monotonic seconds.
            waits: rows wait to be taken.
            due_s: when something else is due; None for nothing.
        """
        # Where rows come fast the next one is expected, and need not say so.
        gathers = waits or (self._dense and now_s < self._gathered_s)
        self.rouses = not gathers
        at_s = self._gathered_s if gathers else math.inf
        if due_s is not None and due_s < at_s:
            at_s = due_s
        if at_s <= now_s:
            return 0.0
        return None if at_s == math.inf else at_s - now_s
