"""What the broker has still to be told, in what order. Core: no connection, no clock of its own.

Bounded whatever the broker does: the latest view of each reservoir, what one of them calls for, and the last
lines for ``$log`` and echoes of commands.
"""

from collections import deque
from collections.abc import Callable, Iterator, Sequence

from bridge.errors import HubError
from bridge.mqtt.announcements import Announcements
from bridge.mqtt.changes import Device
from bridge.mqtt.description import describe_bridge
from bridge.mqtt.topics import Layout, Lifecycle, Publication
from bridge.station.plan import StationIdentity
from bridge.station.view import StationView

LINES = 100
"""Lines for ``$log`` that wait at most; older ones go first."""
AT_ONCE = 10
"""Lines or echoes that are handed out together."""


class Outgoing:
    """The devices on the hub, and what of them is new.

    :param reservoirs: every reservoir that will ever be offered.
    :param announcements: what the user wants said besides.
    :param thing: describes a reservoir for those who read no Homie.
    :param heartbeat_s: every value is published at least this often.
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
        self._latest: dict[str, StationView] = {}
        self._fresh: dict[str, None] = {}
        """Reservoirs whose latest view was not looked at yet, in order."""
        self._lines: deque[Publication] = deque(maxlen=LINES)
        self._echoes: deque[Publication] = deque(maxlen=LINES)
        self.waiting: deque[Publication] = deque()
        """What was looked at and is to be published before anything else is."""

    @property
    def identities(self) -> dict[str, StationIdentity]:
        """Who is shown as which device."""
        return {device.map.device: device.map.identity for device in self._devices.values()}

    @property
    def more(self) -> bool:
        """Whether :meth:`refill` would find anything to look at."""
        return bool(self._fresh or self._echoes or self._lines)

    def offer(self, view: StationView) -> bool:
        """Take the state of a reservoir; the latest one counts. True when its alarms have changed.

        :raises HubError: a reservoir that nobody told of.
        """
        reservoir = view.identity.reservoir
        if reservoir not in self._devices:
            raise HubError(f"The reservoir {reservoir!r} is not one that the hub was told of at the start.")
        before = self._latest.get(reservoir)
        self._latest[reservoir] = view
        self._fresh[reservoir] = None
        return before is not None and view.alarms != before.alarms

    def say(self, line: Publication) -> None:
        """Take a line for ``$log``."""
        self._lines.append(line)

    def echo(self, echo: Publication) -> None:
        """Take the answer to a command that was obeyed."""
        self._echoes.append(echo)

    def alert(self, reservoir: str) -> None:
        """Let the alerts of the latest view wait first, the rest of it being looked at later."""
        # What of an earlier view still waits must not come after what of this one goes before it.
        if not self.waiting:
            self._devices[reservoir], alerts = self._devices[reservoir].alerts(self._latest[reservoir])
            self.waiting.extend(alerts)

    def refill(self, now: float, utc_s: float) -> None:
        """Look at the next thing when nothing waits: one view at a time, and views before lines for ``$log``,
        so that an alarm does not queue behind them."""
        if self.waiting:
            return
        if self._fresh:
            reservoir = next(iter(self._fresh))
            self.waiting.extend(self._changes(reservoir, now, utc_s))
            return
        queue = self._echoes or self._lines
        self.waiting.extend(queue.popleft() for _ in range(min(AT_ONCE, len(queue))))

    def begin(self) -> Publication:
        """A broker was met: it knows nothing. The first message to it."""
        self._echoes.clear()
        self.waiting.clear()
        return self._layout.state(self._layout.bridge, Lifecycle.INIT)

    def opened(self) -> Iterator[Sequence[Publication]]:
        """The description of each reservoir: children before their parent, as the convention recommends."""
        for reservoir, device in self._devices.items():
            self._devices[reservoir], messages = device.opened()
            yield messages

    def shown(self, now: Callable[[], float], utc_s: Callable[[], float]) -> Iterator[Sequence[Publication]]:
        """Every value of each reservoir that was offered; others may be offered meanwhile."""
        for reservoir in tuple(self._latest):
            yield self._changes(reservoir, now(), utc_s())

    def ready(self) -> Sequence[Publication]:
        """The bridge itself, and what stands for good; to be sent when commands are listened to."""
        layout, identities = self._layout, tuple(self.identities.values())
        return (
            self._root.publication(layout),
            layout.state(layout.bridge, Lifecycle.READY),
            *self._announcements.standing(identities),
        )

    def things(self) -> Sequence[Publication]:
        """The reservoirs for those who read no Homie."""
        return [self._thing(identity) for identity in self.identities.values()]

    def farewell(self) -> Sequence[Publication]:
        """The last state of every device."""
        return [
            self._layout.state(one, Lifecycle.DISCONNECTED) for one in (*self.identities, self._layout.bridge)
        ]

    def _changes(self, reservoir: str, now: float, utc_s: float) -> Sequence[Publication]:
        """What the latest view of a reservoir calls for; taken as told from here on."""
        self._fresh.pop(reservoir, None)
        before = self._devices[reservoir]
        device, messages = before.shows(self._latest[reservoir], now, utc_s)
        self._devices[reservoir] = device
        if not messages:
            return ()
        if device.map is not before.map:
            messages = (*messages, self._thing(device.map.identity))
        return (*messages, *self._announcements.following(device.map.identity, messages))
