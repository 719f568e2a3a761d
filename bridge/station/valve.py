"""From a decision to the wire: closes, leases and their renewal, and whether the controller obeys.

A close goes out at once, and again every :data:`OBEY_S` while the controller reports an open valve. A lease
goes out when water may flow, and anew when a third of it is over, so that two may be lost. Core, like the
station.
"""

from collections.abc import Callable

from bridge.guard.model import SHUT, Flow
from bridge.protocol.messages import Close, FromBridge, Lease

OBEY_S = 2.0
"""A controller may take this long to report the path it was told."""


class Driver:
    """Puts one station's decisions on the wire.

    Args:
        send: puts a message on the wire at once; False when the line cannot take it.
        next_sequence: the number for the next message.
        lease_s: how long a lease is to last.
        now: monotonic seconds at the start.
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
        """When the valve was last told to shut for the first time."""
        self._differs_since: float | None = None

    def drive(self, flow: Flow, seen: Flow | None, heard_at: float | None, now: float) -> None:
        """Carry a decision to the wire.

        Args:
            flow: what was decided.
            seen: what the controller said last about its valves.
            heard_at: when it said so; None before anything was heard.
            now: monotonic seconds.
        """
        if flow is not SHUT:
            # A valve that stays shut harms nobody at once, and has an alarm of its own when nothing rises.
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
        if seen is SHUT or heard_at is None:
            self._differs_since = None
            return
        if now - self._closed_at >= OBEY_S:
            self._closed_at = now
            self._send(Close(self._next_sequence()))
        if self._differs_since is None and heard_at > self._shut_at:
            # What was heard before the close shows nothing yet.
            self._differs_since = heard_at

    def disobeyed(self, seen: Flow | None, heard_at: float | None) -> bool:
        """Frames have shown an open valve for too long after it was to be shut; silence shows nothing."""
        since = self._differs_since
        return since is not None and heard_at is not None and seen is not SHUT and heard_at - since >= OBEY_S

    def shut(self) -> None:
        """Close the valve, whatever was decided."""
        self._leased = None
        self._send(Close(self._next_sequence()))

    def forget(self) -> None:
        """No lease runs any more: the controller started again, or the line was down."""
        self._leased = None

    def refused(self, now: float) -> None:
        """The controller refused a command: it is asked again after a while, not with every reading."""
        self._leased = None
        self._refused_at = now

    def greeted(self, longest_lease_ms: int) -> None:
        """The controller told the longest lease that it grants.

        It cuts a longer one to that; renewed by thirds of what is left, none lapses in between.
        """
        self._lease_ms = min(self._wanted_ms, longest_lease_ms)
        self._refused_at = None

    def _wants_lease(self, flow: Flow, now: float) -> bool:
        """A lease is due: none runs, another path is wanted, or a third of it is over."""
        if self._leased is None:
            return self._refused_at is None or now - self._refused_at >= OBEY_S
        return self._leased is not flow or now - self._leased_at >= self._lease_ms / 3000.0
