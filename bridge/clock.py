"""The clocks and timers for every part of the program that needs the time, and the back-off.

The daemon runs under a :class:`LoopClock`, a simulation under a :class:`VirtualClock`. Monotonic seconds
measure durations. Wall seconds are the date of the machine, which may be set at any moment.

A :class:`Backoff` is the wait before the next attempt after a failure. It doubles each time, up to a bound.
"""

import asyncio
import heapq
import math
import random
import time
from collections.abc import Callable
from typing import Protocol

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


Callback = Callable[[], None]


class Timer(Protocol):
    """A future call that can be cancelled."""

    def cancel(self) -> None:
        """Cancel the call. Does nothing if it was made or cancelled already."""


class Clock(Protocol):
    """Returns the time, and calls back at a given time."""

    def monotonic(self) -> float:
        """Return seconds that never go back, from an arbitrary start."""

    def wall(self) -> float:
        """Return seconds since 1970 (UTC) by the machine's clock."""

    def call_at(self, when: float, callback: Callback) -> Timer:
        """Call back at this monotonic time, or soon after it."""

    def call_later(self, seconds: float, callback: Callback) -> Timer:
        """Call back so many seconds from now."""


class LoopClock:
    """The clock of an asyncio event loop, with the machine's own wall clock."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self.monotonic = loop.time
        self._loop = loop

    def wall(self) -> float:
        """Return seconds since 1970 (UTC) by the machine's clock."""
        return time.time()

    def call_at(self, when: float, callback: Callback) -> Timer:
        """Call back at this time of the loop."""
        return self._loop.call_at(when, callback)

    def call_later(self, seconds: float, callback: Callback) -> Timer:
        """Call back so many seconds from now."""
        return self._loop.call_later(seconds, callback)


class VirtualTimer:
    """A timer of a :class:`VirtualClock`."""

    __slots__ = ("_callback", "order", "when")

    def __init__(self, when: float, order: int, callback: Callback) -> None:
        self.when = when
        self.order = order
        self._callback: Callback | None = callback

    def __lt__(self, other: "VirtualTimer") -> bool:
        """Return whether this timer is due first: by time, then by the order of the calls that set it."""
        return (self.when, self.order) < (other.when, other.order)

    @property
    def cancelled(self) -> bool:
        """Whether the call was made or cancelled."""
        return self._callback is None

    def cancel(self) -> None:
        """Cancel the call."""
        self._callback = None

    def fire(self) -> None:
        """Make the call, once."""
        callback, self._callback = self._callback, None
        if callback is not None:
            callback()


class VirtualClock:
    """A clock that stands still until it is moved.

    There are two ways to move it. :meth:`advance_to` makes each call at its own time. :meth:`skip_to` and
    then :meth:`run_due` make the calls late, at the new time, like an event loop that was blocked. Other work
    at the new time can be done between the two.

    Args:
        monotonic_s: Monotonic seconds at the start.
        wall_s: Wall seconds at the start.
    """

    def __init__(self, monotonic_s: float = 0.0, wall_s: float = 0.0) -> None:
        self._now = monotonic_s
        self._wall_offset_s = wall_s - monotonic_s
        self._timers: list[VirtualTimer] = []
        self._set = 0

    def monotonic(self) -> float:
        """Return seconds that never go back."""
        return self._now

    def wall(self) -> float:
        """Return seconds since 1970, with every step of the wall clock."""
        return self._now + self._wall_offset_s

    def step_wall(self, seconds: float) -> None:
        """Set the wall clock forward by so many seconds, or back if they are negative. No timer moves."""
        self._wall_offset_s += seconds

    def call_at(self, when: float, callback: Callback) -> VirtualTimer:
        """Call back at this monotonic time; a time that is past is due at once."""
        timer = VirtualTimer(when, self._set, callback)
        self._set += 1
        heapq.heappush(self._timers, timer)
        return timer

    def call_later(self, seconds: float, callback: Callback) -> VirtualTimer:
        """Call back so many seconds from now."""
        return self.call_at(self._now + seconds, callback)

    @property
    def next_due(self) -> float:
        """The time of the next timer; infinity without one."""
        timers = self._timers
        while timers and timers[0].cancelled:
            heapq.heappop(timers)
        return timers[0].when if timers else math.inf

    def advance_to(self, when: float) -> None:
        """Move on to this time, and make each call that is due on the way at its own time, in order.

        An exception of a callback is raised here, with the clock at the time of that callback.

        Raises:
            OutOfRangeError: The time is past.
        """
        self._refuse_past(when)
        while (due := self.next_due) <= when:
            self._now = max(self._now, due)
            heapq.heappop(self._timers).fire()
        self._now = when

    def skip_to(self, when: float) -> None:
        """Move on to this time and make no call.

        Raises:
            OutOfRangeError: The time is past.
        """
        self._refuse_past(when)
        self._now = when

    def run_due(self) -> None:
        """Make every call that is due by now, in order."""
        self.advance_to(self._now)

    def _refuse_past(self, when: float) -> None:
        if not when >= self._now:
            raise OutOfRangeError(f"{when} s lies before {self._now} s: a monotonic clock cannot go back")
