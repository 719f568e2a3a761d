"""Sends the guard's decisions to the controller, and watches whether the controller obeys. Core.

A close is sent at once, and again every :data:`OBEY_S` while the controller reports an open valve. A lease is
sent when water may flow, and renewed after a third of its time, so that two renewals may be lost.
"""

from collections.abc import Callable

from bridge.guard.model import Flow
from bridge.protocol.messages import Close, FromBridge, Lease

OBEY_S = 2.0
"""The longest time from a command until the controller must report the new valve position."""


class Driver:
    """Sends one station's decisions to its controller; mutable.

    Args:
        send: Puts a message on the wire at once. Returns False if the line cannot take it.
        next_sequence: Returns the number for the next message.
        lease_s: The length of a lease.
        now: Monotonic seconds at the start.
    """

    def __init__(
        self,
        send: Callable[[FromBridge], bool],
        next_sequence: Callable[[], int],
        lease_s: float,
        now: float,
    ) -> None:
        self._send = send
        self._next_sequence = next_sequence
        self._wanted_ms = self._lease_ms = round(1000.0 * lease_s)
        self._leased: Flow | None = None
        self._leased_at = now
        self._refused_at: float | None = None
        self._closed_at = now - OBEY_S
        self._shut_at = now - OBEY_S
        """When the first close of the last shutting was sent."""
        self._differs_since: float | None = None

    def drive(self, flow: Flow, seen: Flow | None, reported_at: float | None, now: float) -> None:
        """Send what a decision needs.

        Args:
            flow: The decision.
            seen: The valve position that the controller reported last.
            reported_at: The time of that report. None before the first one.
            now: Monotonic seconds.
        """
        if flow is not Flow.SHUT:
            # A valve that stays shut does no harm at once, and the trip for a missing rise covers it.
            self._differs_since = None
            if self._wants_lease(flow, now) and self._send(
                Lease(self._next_sequence(), flow, self._lease_ms)
            ):
                self._leased, self._leased_at = flow, now
            return
        if self._leased is not None:
            self._leased = None
            self._closed_at = self._shut_at = now
            self._send(Close(self._next_sequence()))
        if seen is Flow.SHUT or reported_at is None:
            self._differs_since = None
            return
        if now - self._closed_at >= OBEY_S:
            self._closed_at = now
            self._send(Close(self._next_sequence()))
        if self._differs_since is None and reported_at > self._shut_at:
            # A report from before the close does not count.
            self._differs_since = reported_at

    def disobeyed(self, seen: Flow | None, reported_at: float | None) -> bool:
        """Return whether the controller has reported an open valve for too long after a close.

        Silence is no sign of disobedience.
        """
        since = self._differs_since
        if since is None or reported_at is None or seen is Flow.SHUT:
            return False
        return reported_at - since >= OBEY_S

    def forget(self) -> None:
        """Assume that no lease runs, because the controller restarted or the line was down."""
        self._leased = None

    def refused(self, now: float) -> None:
        """Note that the controller refused a command. The next lease is sent after :data:`OBEY_S`."""
        self._leased = None
        self._refused_at = now

    def greeted(self, longest_lease_ms: int) -> None:
        """Note the longest lease that the controller grants.

        The controller shortens a longer lease to this. The renewal follows the shorter time, so that no lease
        lapses in between.
        """
        self._lease_ms = min(self._wanted_ms, longest_lease_ms)
        self._refused_at = None

    def _wants_lease(self, flow: Flow, now: float) -> bool:
        """Return whether a lease is due: none runs, the flow has changed, or a third of it is over."""
        if self._leased is None:
            return self._refused_at is None or now - self._refused_at >= OBEY_S
        return self._leased is not flow or now - self._leased_at >= self._lease_ms / 3000.0
