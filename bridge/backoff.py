"""How long to wait before something that failed is tried again: each time twice as long, up to a bound."""

import random

from bridge.errors import OutOfRangeError


class Backoff:
    """The waits of one thing that is tried again and again; mutable.

    Args:
        first_s: the first wait.
        longest_s: the bound, from which on the waits stay the same.
        jitter: each wait is shortened by a random share of up to this much, so that many who lost the same
            partner at the same moment do not come back to it together. 0 for none.
        chance: where the random share comes from; one of its own seed where a run is to be repeated.

    Raises:
        OutOfRangeError: the waits are not above 0 and in order, or the jitter is not from 0 to below 1.
    """

    def __init__(
        self, first_s: float, longest_s: float, jitter: float = 0.0, chance: random.Random | None = None
    ) -> None:
        if not 0.0 < first_s <= longest_s:
            raise OutOfRangeError(f"waits from {first_s} to {longest_s} s: they must be above 0 and in order")
        if not 0.0 <= jitter < 1.0:
            raise OutOfRangeError(f"a jitter of {jitter}: it must be from 0 to below 1")
        self._first_s = first_s
        self._longest_s = longest_s
        self._jitter = jitter
        self._chance = chance or random.Random()
        self._upcoming_s = first_s

    @property
    def upcoming_s(self) -> float:
        """The next wait, without its jitter."""
        return self._upcoming_s

    def wait_s(self) -> float:
        """The wait before the next attempt; the one after it will be twice as long."""
        wait_s = self._upcoming_s
        self._upcoming_s = min(2.0 * wait_s, self._longest_s)
        return wait_s * (1.0 - self._jitter * self._chance.random()) if self._jitter else wait_s

    def reset(self) -> None:
        """It worked: begin again with the first wait."""
        self._upcoming_s = self._first_s

    def lasted(self, seconds: float) -> None:
        """It worked for so long before it failed: longer than the longest wait counts as a success."""
        if seconds > self._longest_s:
            self.reset()
