"""The hub's log of a campaign, and the relay that carries records to it under the bridge's clock."""

from collections.abc import Callable

from bridge.clock import Timer, VirtualClock
from bridge.daemon.relay import Fetch, Pause, Relay, Send
from bridge.history import senml
from bridge.history.outbox import Parcel
from bridge.history.records import Stamp
from bridge.simulate.disk import Disk
from bridge.simulate.log import Complain

_ROOT = "simulated"
_QUIET_S = 60.0


class HubLog:
    """Keeps what arrives, and drops what it has; mutable."""

    def __init__(self, complain: Complain) -> None:
        self._complain = complain
        self._last: Stamp | None = None
        self.rows = 0
        """Different ones."""

    def take(self, parcel: Parcel, payload: str) -> None:
        """A parcel arrives."""
        before: Stamp | None = None
        for row in parcel.rows:
            if before is not None and row.stamp <= before:
                self._complain(f"the record of {row.stamp} was sent after that of {before}")
            before = row.stamp
            if self._last is None or row.stamp > self._last:
                self._last = row.stamp
                self.rows += 1
        if not payload.startswith("["):
            self._complain("what was sent is no list of records")


class Carrier:
    """Runs the relay of one life; mutable.

    Args:
        clock: this life's clock.
        disk: where the parcels are.
        hub: where they go.
        connected: whether the broker can be used now.
    """

    def __init__(self, clock: VirtualClock, disk: Disk, hub: HubLog, connected: Callable[[], bool]) -> None:
        self._clock = clock
        self._disk = disk
        self._hub = hub
        self._connected = connected
        self._relay = Relay(clock.monotonic())
        self._timer: Timer = clock.call_later(0.0, self._go)
        self._until_entry = False

    def entry(self) -> None:
        """Something else than a reading was written."""
        if self._until_entry:
            self._until_entry = False
            self._timer.cancel()
            self._timer = self._clock.call_later(0.0, self._go)

    def _go(self) -> None:
        while True:
            now = self._clock.monotonic()
            match self._relay.next(now, self._connected()):
                case Pause(seconds, until_entry):
                    self._until_entry = until_entry
                    self._timer = self._clock.call_later(seconds, self._go)
                    return
                case Fetch(count):
                    parcels = self._disk.packs(count)
                    self._relay.fetched([(one, senml.pack(one.rows, _ROOT)) for one in parcels], _QUIET_S)
                case Send(parcel, payload):
                    self._hub.take(parcel, payload)
                    self._disk.acknowledge(parcel)
                    self._relay.sent(True, now)
