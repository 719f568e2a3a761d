"""The messages that wait for the broker, and in which order they leave. Core.

The queue is bounded whatever the broker does: the latest view of each reservoir, the messages of one of them,
the last lines for ``$log`` and the last echoes of commands.
"""

from collections import deque
from collections.abc import Callable, Iterator, Sequence

from bridge.errors import HubError
from bridge.mqtt.announcements import Announcements
from bridge.mqtt.device import Device
from bridge.mqtt.topics import Layout, Lifecycle, Publication, describe_bridge
from bridge.station.plan import StationIdentity
from bridge.station.view import StationView

LINES = 100
"""The greatest number of waiting lines for ``$log``; older lines are dropped."""
AT_ONCE = 10
"""Lines or echoes that are published together."""


class Outgoing:
    """The devices on the hub, and the messages that wait.

    Args:
        layout: the names that topics start with.
        reservoirs: every reservoir that will ever be offered.
        announcements: the user's own messages.
        thing: makes the Thing Description of a reservoir.
        heartbeat_s: every value is published at least this often.
        utc_s: seconds since 1970, for the version of the descriptions.
    """

    def __init__(
        self,
        layout: Layout,
        reservoirs: Sequence[StationIdentity],
        announcements: Announcements,
        thing: Callable[[StationIdentity], Publication],
        heartbeat_s: float,
        utc_s: float,
    ) -> None:
        self._layout = layout
        self._announcements = announcements
        self._thing = thing
        self._devices = {one.reservoir: Device.of(layout, one, heartbeat_s, utc_s) for one in reservoirs}
        self._root = describe_bridge(layout, self._devices, utc_s)
        self._root_at: float | None = None
        """When description and state of the bridge were published; None before that on a connection."""
        self._heartbeat_s = heartbeat_s
        self._latest: dict[str, StationView] = {}
        self._fresh: dict[str, None] = {}
        """Reservoirs whose latest view was not compared yet, in order."""
        self._lines: deque[Publication] = deque(maxlen=LINES)
        self._echoes: deque[Publication] = deque(maxlen=LINES)
        self.waiting: deque[Publication] = deque()
        """Messages that are published before all others."""

    @property
    def identities(self) -> dict[str, StationIdentity]:
        """The reservoirs' identities, by device id."""
        return {device.map.device: device.map.identity for device in self._devices.values()}

    @property
    def more(self) -> bool:
        """Whether `refill` would find anything."""
        return bool(self._fresh or self._echoes or self._lines)

    def offer(self, view: StationView) -> bool:
        """Take the state of a reservoir; only the latest one is kept.

        Returns:
            Whether its alarms have changed.

        Raises:
            HubError: the reservoir is not one of those given at the start.
        """
        reservoir = view.identity.reservoir
        if reservoir not in self._devices:
            raise HubError(f"The reservoir {reservoir!r} is not one of those given at the start.")
        before = self._latest.get(reservoir)
        self._latest[reservoir] = view
        self._fresh[reservoir] = None
        return before is not None and view.alarms != before.alarms

    def queue_line(self, line: Publication) -> None:
        """Queue a line for ``$log``."""
        self._lines.append(line)

    def queue_echo(self, echo: Publication) -> None:
        """Queue the echo of a command that was carried out."""
        self._echoes.append(echo)

    def queue_alerts(self, reservoir: str) -> None:
        """Queue the alerts of the latest view; its other values follow later."""
        # Messages of an earlier view that still wait must not arrive after those of this view.
        if not self.waiting:
            self._devices[reservoir], alerts = self._devices[reservoir].alerts(self._latest[reservoir])
            self.waiting.extend(alerts)

    def refill(self, now: float, utc_s: float) -> None:
        """Queue the messages of the next view, or else the next echoes or lines, if nothing waits.

        Views come before lines for ``$log``, so that an alarm does not wait behind lines.
        """
        if self.waiting:
            return
        if self._root_at is None:
            self._root_at = now
        elif now - self._root_at >= self._heartbeat_s:
            self._root_at = now
            self.waiting.extend(self._root_messages())
        if self._fresh:
            reservoir = next(iter(self._fresh))
            self.waiting.extend(self._changes(reservoir, now, utc_s))
            return
        queue = self._echoes or self._lines
        self.waiting.extend(queue.popleft() for _ in range(min(AT_ONCE, len(queue))))

    def reset(self) -> Publication:
        """Clear the queue at a new connection. Returns the first message for the broker."""
        self._echoes.clear()
        self.waiting.clear()
        self._root_at = None
        return self._layout.state(self._layout.bridge, Lifecycle.INIT)

    def descriptions(self) -> Iterator[Sequence[Publication]]:
        """Yield each reservoir's description: children before their parent, as the convention recommends."""
        for reservoir, device in self._devices.items():
            self._devices[reservoir], messages = device.describe()
            yield messages

    def values(self, now: Callable[[], float], utc_s: Callable[[], float]) -> Iterator[Sequence[Publication]]:
        """Yield every value of each reservoir that was offered; more may be offered meanwhile.

        Args:
            now: returns monotonic seconds.
            utc_s: returns seconds since 1970.
        """
        for reservoir in tuple(self._latest):
            yield self._changes(reservoir, now(), utc_s())

    def ready(self) -> Sequence[Publication]:
        """Return the bridge's description and state, and the announcements that hold no value.

        Publish them once the bridge has subscribed to commands.
        """
        identities = tuple(self.identities.values())
        return (*self._root_messages(), *self._announcements.without_value(identities))

    def _root_messages(self) -> tuple[Publication, ...]:
        layout = self._layout
        return self._root.publication(layout), layout.state(layout.bridge, Lifecycle.READY)

    def things(self) -> Sequence[Publication]:
        """Return the Thing Description of each reservoir."""
        return [self._thing(identity) for identity in self.identities.values()]

    def last_states(self) -> Sequence[Publication]:
        """Return the last state of every device."""
        return [
            self._layout.state(one, Lifecycle.DISCONNECTED) for one in (*self.identities, self._layout.bridge)
        ]

    def _changes(self, reservoir: str, now: float, utc_s: float) -> Sequence[Publication]:
        """Return the messages for the latest view of a reservoir, which then counts as published."""
        self._fresh.pop(reservoir, None)
        before = self._devices[reservoir]
        device, messages = before.update(self._latest[reservoir], now, utc_s)
        self._devices[reservoir] = device
        if not messages:
            return ()
        if device.map is not before.map:
            messages = (*messages, self._thing(device.map.identity))
        return (*messages, *self._announcements.with_values(device.map.identity, messages))
