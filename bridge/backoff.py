"""The wait before the next attempt after a failure: twice as long each time, up to a bound."""

import random

from bridge.errors import OutOfRangeError


class Backoff:
    """The waits between repeated attempts; mutable.

    Args:
        first_s: The first wait.
        longest_s: The longest wait.
        jitter: Each wait is shortened by a random share up to this one, so that programs that lost the same
            server at the same moment do not reconnect together. 0 for none.
        chance: The source of the random share. Give a seeded one to repeat a run.

    Raises:
        OutOfRangeError: The waits are not above 0 and in order, or the jitter is not from 0 to below 1.
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
        """Return the wait before the next attempt, and double the one after it."""
        wait_s = self._upcoming_s
        self._upcoming_s = min(2.0 * wait_s, self._longest_s)
        return wait_s * (1.0 - self._jitter * self._chance.random()) if self._jitter else wait_s

    def reset(self) -> None:
        """Start again with the first wait, after a success."""
        self._upcoming_s = self._first_s

    def lasted(self, seconds: float) -> None:
        """Count an attempt that lasted longer than the longest wait as a success."""
        if seconds > self._longest_s:
            self.reset()
