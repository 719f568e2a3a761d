"""Watches whether the controller opens the valve when it should, and stays up while it does. Core.

An opening fails if the controller restarts soon after it, or if the controller does not report the commanded
path for :data:`FOLLOW_S`. After a failed opening no lease is sent for a time, which doubles with each failure
in a row. An opening of :data:`STEADY_S` ends the row. A controller that restarts at :data:`RESTARTS_MAX`
openings in a row causes a trip: its supply cannot hold the valve, and each try wears the valve.
"""

import math

from bridge.clock import Backoff
from bridge.guard.model import Flow

FOLLOW_S = 10.0
"""The longest time for which the controller may report another path than the commanded one."""
RESTART_WITHIN_S = 10.0
"""A restart this soon after an opening is taken for its consequence."""
STEADY_S = 20.0
"""An opening that lasts this long is a success."""
RESTARTS_MAX = 5
FIRST_WAIT_S = 5.0
LONGEST_WAIT_S = 600.0


class Openings:
    """The openings of one valve; mutable. All times are monotonic seconds."""

    def __init__(self) -> None:
        self._flow = Flow.SHUT
        self._since = -math.inf
        self._followed_at: float | None = None
        self._differs_at: float | None = None
        self._waits = Backoff(FIRST_WAIT_S, LONGEST_WAIT_S)
        self._held_until = -math.inf
        self._restarts = 0
        self._failed = False

    @property
    def failed(self) -> bool:
        """True if the last opening failed."""
        return self._failed

    @property
    def restarts_each_time(self) -> bool:
        """True if the controller has restarted at so many openings in a row that a trip is due."""
        return self._restarts >= RESTARTS_MAX

    def held(self, now: float) -> bool:
        """Return whether no lease may be sent yet, because the last opening failed."""
        return now < self._held_until

    def look(self, flow: Flow, seen: Flow | None, reported_at: float | None, now: float) -> None:
        """Take a decision, and the path that the controller reported last.

        Args:
            flow: The decision in force.
            seen: The reported path.
            reported_at: The time of the report. None before the first one.
            now: The present time.
        """
        if flow is not self._flow:
            self._flow = flow
            self._begin(now)
        if flow is Flow.SHUT or reported_at is None or reported_at <= self._since:
            return
        if seen is flow:
            self._differs_at = None
            if self._followed_at is None:
                self._followed_at = reported_at
            elif reported_at - self._followed_at >= STEADY_S and (self._failed or self._restarts):
                self.forgive()
                self._waits.reset()
        elif self._differs_at is None:
            self._differs_at = self._since if self._followed_at is None else reported_at
        elif reported_at - self._differs_at >= FOLLOW_S:
            # Silence is no sign: only reports count.
            self._fail(now)
            self._begin(now)

    def restarted(self, now: float) -> None:
        """Take a restart of the controller."""
        if self._flow is Flow.SHUT:
            return
        if now - self._since <= RESTART_WITHIN_S:
            self._restarts += 1
            self._fail(now)
        # The next lease opens the valve anew.
        self._begin(now)

    def forgive(self) -> None:
        """Begin a new row, because an opening was good or a trip has latched."""
        self._restarts = 0
        self._failed = False

    def _fail(self, now: float) -> None:
        self._failed = True
        self._held_until = now + self._waits.wait_s()

    def _begin(self, now: float) -> None:
        self._since, self._followed_at, self._differs_at = now, None, None
