"""Carries the outbox to the hub's log: SenML packs, in order, QoS 1, at a bounded rate. Core.

A parcel leaves the outbox only when the broker has acknowledged it. A parcel whose sending breaks off is sent
again with the same times and values, so that the receiver can drop the duplicate.

The caller gets the next step from :meth:`Relay.next`, carries it out and reports its result.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.history.outbox import Parcel
from bridge.history.pace import full_pace, spend, wait_s

PER_S = 20.0
BURST = 20.0
AWAY_S = 1.0
"""The wait before the next attempt while the broker is away."""
LEAST_WAIT_S = 5.0
"""The shortest wait for readings, so that parcels of several reservoirs are fetched together."""
GATHER_S = 0.5
"""The wait after an entry, so that entries of the same moment are fetched together."""
AT_ONCE = 16


@dataclass(frozen=True, slots=True)
class Fetch:
    """Get the first parcels of the outbox, and report them with :meth:`Relay.fetched`."""

    count: int


@dataclass(frozen=True, slots=True)
class Send:
    """Send this, and report with :meth:`Relay.sent` whether the broker acknowledged it."""

    parcel: Parcel
    payload: str


@dataclass(frozen=True, slots=True)
class Pause:
    """Wait for this time."""

    seconds: float
    until_entry: bool = False
    """True to end the wait when an entry other than a reading is written."""


Step = Fetch | Send | Pause


class Relay:
    """The policy of the relay; mutable. All times are monotonic seconds."""

    def __init__(self, now: float) -> None:
        self._pace = full_pace(PER_S, BURST, now)
        self._parcels: deque[tuple[Parcel, str]] = deque()
        self._pauses: deque[Pause] = deque()
        self._rest: tuple[Pause, ...] = ()
        """The pauses after these parcels; empty if the outbox has more."""

    def next(self, now: float, connected: bool) -> Step:
        """Return the next step. ``connected`` is True while the broker can be used."""
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
        """Take the parcels of the outbox. For ``quiet_s`` it will have no further parcel of readings."""
        self._parcels.extend(packs)
        all_there_is = len(packs) < AT_ONCE
        self._rest = (
            (Pause(max(LEAST_WAIT_S, quiet_s), until_entry=True), Pause(GATHER_S)) if all_there_is else ()
        )
        if not packs:
            self._pauses.extend(self._rest)

    def sent(self, acknowledged: bool, now: float) -> None:
        """Take the result of a :class:`Send`: whether the broker acknowledged the parcel."""
        if not acknowledged:
            self._parcels.clear()
            self._pauses.append(Pause(AWAY_S))
            return
        self._parcels.popleft()
        self._pace = spend(self._pace, 1, now)
        if not self._parcels:
            self._pauses.extend(self._rest)
