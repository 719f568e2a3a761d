"""Carries the outbox to the hub's log: SenML packs, in order, QoS 1, at a bounded rate. Core.

A parcel leaves the outbox only when the broker has acknowledged it. A parcel whose sending breaks off is sent
again, with the same times and values, so that whoever keeps it can drop it the second time.

Whoever runs a relay asks :meth:`Relay.next` for the next step, carries it out and reports its outcome.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace

from bridge.history.outbox import Parcel

PER_S = 20.0
BURST = 20.0
AWAY_S = 1.0
"""A broker that was away is tried again after this long."""
LEAST_WAIT_S = 5.0
"""Parcels of several reservoirs, which are due at different times, are fetched together..."""
GATHER_S = 0.5
"""...and an entry is fetched this long after it came, with what came with it."""
AT_ONCE = 16


@dataclass(frozen=True, slots=True)
class Fetch:
    """Take the first parcels out of the log, and report them with :meth:`Relay.fetched`."""

    count: int


@dataclass(frozen=True, slots=True)
class Send:
    """Send this, and report with :meth:`Relay.sent` whether the broker acknowledged it."""

    parcel: Parcel
    payload: str


@dataclass(frozen=True, slots=True)
class Pause:
    """Wait for so long."""

    seconds: float
    until_entry: bool = False
    """Or until something else than a reading is written."""


Step = Fetch | Send | Pause


@dataclass(frozen=True, slots=True)
class Pace:
    """Up to ``burst`` at once, and ``per_s`` a second in the long run."""

    per_s: float
    burst: float
    tokens: float
    at_s: float
    """Monotonic seconds at which ``tokens`` was true."""


def full_pace(per_s: float, burst: float, now_s: float) -> Pace:
    """A bucket that is full."""
    return Pace(per_s, burst, burst, now_s)


def allowed(pace: Pace, now_s: float) -> int:
    """How many may go now."""
    return int(_filled(pace, now_s) + 1e-9)


def spend(pace: Pace, count: int, now_s: float) -> Pace:
    """The bucket after ``count`` went; ``count`` at most what is allowed."""
    return replace(pace, tokens=_filled(pace, now_s) - count, at_s=max(now_s, pace.at_s))


def wait_s(pace: Pace, now_s: float) -> float:
    """Seconds until one more may go; 0 when one may go now."""
    return max(0.0, (1.0 - _filled(pace, now_s)) / pace.per_s)


def _filled(pace: Pace, now_s: float) -> float:
    return min(pace.burst, pace.tokens + max(0.0, now_s - pace.at_s) * pace.per_s)


class Relay:
    """The policy of the relay; mutable. All times are monotonic seconds."""

    def __init__(self, now: float) -> None:
        self._pace = full_pace(PER_S, BURST, now)
        self._parcels: deque[tuple[Parcel, str]] = deque()
        self._pauses: deque[Pause] = deque()
        self._rest: tuple[Pause, ...] = ()
        """What to wait for when these parcels are sent; nothing where the log has more."""

    def next(self, now: float, connected: bool) -> Step:
        """What to do now; ``connected`` is whether the broker can be used."""
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
        """The parcels that the log had; ``quiet_s`` is for how long it will have no other one of readings."""
        self._parcels.extend(packs)
        all_there_is = len(packs) < AT_ONCE
        self._rest = (
            (Pause(max(LEAST_WAIT_S, quiet_s), until_entry=True), Pause(GATHER_S)) if all_there_is else ()
        )
        if not packs:
            self._pauses.extend(self._rest)

    def sent(self, acknowledged: bool, now: float) -> None:
        """What became of the parcel; if it was acknowledged, it may leave the outbox."""
        if not acknowledged:
            self._parcels.clear()
            self._pauses.append(Pause(AWAY_S))
            return
        self._parcels.popleft()
        self._pace = spend(self._pace, 1, now)
        if not self._parcels:
            self._pauses.extend(self._rest)
