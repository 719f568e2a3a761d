"""The policy of the relay from the outbox to the hub's log: SenML packs in order, QoS 1, bounded rate. Core.

A parcel leaves the outbox only when the broker has acknowledged it. A parcel that was not acknowledged is
sent again with the same times and values, so that a receiver can drop the second copy.

The caller gets each step from :meth:`Relay.next`, runs it, and reports its result.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

from bridge.history.outbox import Parcel

PER_S = 20.0
BURST = 20.0
AWAY_S = 1.0
"""The delay before a broker that was away is tried again."""
LEAST_WAIT_S = 1.0
"""The shortest pause between two fetches, so that rows of several reservoirs are sent together."""
GATHER_S = 0.5
"""The pause after an entry, so that entries of the same moment are fetched together."""
AT_ONCE = 16


@dataclass(frozen=True, slots=True)
class Fetch:
    """Read the first parcels from the log, and report them with :meth:`Relay.fetched`."""

    count: int


@dataclass(frozen=True, slots=True)
class Send:
    """Send a parcel, and report with :meth:`Relay.sent` whether the broker acknowledged it."""

    parcel: Parcel
    payload: str


@dataclass(frozen=True, slots=True)
class Pause:
    """Wait for this time."""

    seconds: float
    until_entry: bool = False
    """True to end the wait when an entry is written."""


Step = Fetch | Send | Pause


@dataclass(frozen=True, slots=True)
class Pace:
    """A token bucket: up to ``burst`` parcels at once, and ``per_s`` a second on average."""

    per_s: float
    burst: float
    tokens: float
    at_s: float
    """Monotonic seconds to which ``tokens`` belongs."""


def full_pace(per_s: float, burst: float, now_s: float) -> Pace:
    """Return a full bucket."""
    return Pace(per_s, burst, burst, now_s)


def spend(pace: Pace, count: int, now_s: float) -> Pace:
    """Return the bucket after ``count`` parcels were sent."""
    return replace(pace, tokens=_filled(pace, now_s) - count, at_s=max(now_s, pace.at_s))


def wait_s(pace: Pace, now_s: float) -> float:
    """Return the seconds until the next parcel may be sent; 0 if it may be sent now."""
    return max(0.0, (1.0 - _filled(pace, now_s)) / pace.per_s)


def _filled(pace: Pace, now_s: float) -> float:
    return min(pace.burst, pace.tokens + max(0.0, now_s - pace.at_s) * pace.per_s)


class Relay:
    """The policy of the relay; mutable. All times are monotonic seconds.

    Args:
        now: the time at the start.
    """

    def __init__(self, now: float) -> None:
        self._pace = full_pace(PER_S, BURST, now)
        self._parcels: deque[tuple[Parcel, str]] = deque()
        self._pauses: deque[Pause] = deque()
        self._rest: tuple[Pause, ...] = ()
        """The pauses after these parcels; none if the log has more."""

    def next(self, now: float, connected: bool) -> Step:
        """Return the next step.

        Args:
            now: the time.
            connected: True if the broker can be used.
        """
        if not connected:
            self._parcels.clear()
            self._pauses.clear()
            return Pause(AWAY_S)
        if self._pauses:
            return self._pauses.popleft()
        if not self._parcels:
            return Fetch(AT_ONCE)
        wait = wait_s(self._pace, now)
        if wait > 0.0:
            return Pause(wait)
        return Send(*self._parcels[0])

    def fetched(self, packs: Sequence[tuple[Parcel, str]], quiet_s: float) -> None:
        """Take the parcels of a fetch.

        Args:
            packs: the parcels.
            quiet_s: the seconds until the next look for parcels of only readings.
        """
        self._parcels.extend(packs)
        all_there_is = len(packs) < AT_ONCE
        self._rest = (
            (Pause(max(LEAST_WAIT_S, quiet_s), until_entry=True), Pause(GATHER_S)) if all_there_is else ()
        )
        if not packs:
            self._pauses.extend(self._rest)

    def sent(self, acknowledged: bool, now: float) -> None:
        """Take the result of a sent parcel. An acknowledged parcel may leave the outbox."""
        if not acknowledged:
            self._parcels.clear()
            self._pauses.append(Pause(AWAY_S))
            return
        self._parcels.popleft()
        self._pace = spend(self._pace, 1, now)
        if not self._parcels:
            self._pauses.extend(self._rest)
