"""Time, as it is handed to everything that needs it: two clocks and timers.

The daemon runs under a :class:`LoopClock`, a simulation under a :class:`VirtualClock`. Monotonic seconds
measure durations. Wall seconds are the date as the machine has it; somebody may set them at any moment.
"""

import asyncio
import heapq
import math
import time
from collections.abc import Callable
from typing import Protocol

from bridge.errors import OutOfRangeError

Callback = Callable[[], None]


class Timer(Protocol):
    """A call that will be made, unless it is cancelled before."""

    def cancel(self) -> None:
        """Do not make the call. Does nothing if it was made or cancelled already."""


class Clock(Protocol):
    """Gives the time, and calls back at a time."""

    def monotonic(self) -> float:
        """Seconds that never go backwards; where they start means nothing."""

    def wall(self) -> float:
        """Seconds since 1970 (UTC), as the machine's own clock has them."""

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
        """Seconds since 1970 (UTC), as the machine's own clock has them."""
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
        """Timers are made due in order of time; those of the same time as they were set."""
        return (self.when, self.order) < (other.when, other.order)

    @property
    def cancelled(self) -> bool:
        """Whether there is nothing left to call."""
        return self._callback is None

    def cancel(self) -> None:
        """Do not make the call."""
        self._callback = None

    def fire(self) -> None:
        """Make the call, once."""
        callback, self._callback = self._callback, None
        if callback is not None:
            callback()


class VirtualClock:
    """A clock that stands still until it is moved.

    There are two ways to move it. :meth:`advance_to` makes each call at its own time. :meth:`skip_to` and
    then :meth:`run_due` make every call that came due on the way late, at the new time, as an event loop does
    that was held up; what else happens at the new time can be done in between.

    Args:
        monotonic_s: where monotonic seconds start.
        wall_s: what the wall clock shows at that moment.
    """

    def __init__(self, monotonic_s: float = 0.0, wall_s: float = 0.0) -> None:
        self._now = monotonic_s
        self._wall_offset_s = wall_s - monotonic_s
        self._timers: list[VirtualTimer] = []
        self._set = 0

    def monotonic(self) -> float:
        """Seconds that never go backwards."""
        return self._now

    def wall(self) -> float:
        """Seconds since 1970, with every step that was made."""
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
        """When the next timer is due; infinity while there is none."""
        timers = self._timers
        while timers and timers[0].cancelled:
            heapq.heappop(timers)
        return timers[0].when if timers else math.inf

    def advance_to(self, when: float) -> None:
        """Move on to this time, and make each call that is due on the way at its own time, in order.

        What a callback raises comes out of here, with the clock at the time of that callback.

        Raises:
            OutOfRangeError: the time is past.
        """
        self._refuse_past(when)
        while (due := self.next_due) <= when:
            self._now = max(self._now, due)
            heapq.heappop(self._timers).fire()
        self._now = when

    def skip_to(self, when: float) -> None:
        """Move on to this time and make no call.

        Raises:
            OutOfRangeError: the time is past.
        """
        self._refuse_past(when)
        self._now = when

    def run_due(self) -> None:
        """Make every call that is due by now, in order."""
        self.advance_to(self._now)

    def _refuse_past(self, when: float) -> None:
        if not when >= self._now:
            raise OutOfRangeError(f"{when} s lies before {self._now} s: a monotonic clock cannot go back")
