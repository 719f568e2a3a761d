"""From views to messages: which values have changed enough, and in which order messages leave. Core.

A view comes with every reading, and most views contain nothing new. So the common case is cheap: two calls
fetch every attribute, one comparison covers all words and switches, and each number is compared with the
edges of its dead band around the value last published. Nothing is formatted before something has changed.

The queue is bounded whatever the broker does: the latest view of each reservoir, the messages of one of them,
the last lines for ``$log`` and the last echoes of commands.
"""

import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter

from bridge.errors import HubError
from bridge.mqtt.announcements import Announcements
from bridge.mqtt.properties import ALARM_WORDS, NUMERIC, PROPERTIES, Property
from bridge.mqtt.topics import (
    Description,
    Layout,
    Lifecycle,
    Publication,
    deleted,
    describe_bridge,
    describe_reservoir,
    fitted,
    retained,
)
from bridge.station.plan import StationIdentity
from bridge.station.view import StationView

NEVER = -math.inf


@dataclass(frozen=True, slots=True)
class Published:
    """What was published of a reservoir, and when (monotonic seconds).

    Attributes:
        low: lower edge of each number's dead band; above ``high`` if no value is published.
        high: upper edge of each number's dead band.
        words: everything that is not a number, as it was in the last view.
        at: when each value was published, in the order of `ReservoirMap.rows`.
        alerts: alarm and sentence of each ``$alert`` that is retained.
        alerts_at: when all alerts were last published.
        oldest: the earliest time in ``at`` and ``alerts_at``, from which the next heartbeat counts.
    """

    low: tuple[float, ...]
    high: tuple[float, ...]
    words: tuple[object, ...]
    at: tuple[float, ...]
    alerts: tuple[tuple[str, str], ...]
    alerts_at: float
    oldest: float


@dataclass(frozen=True, slots=True)
class ReservoirMap:
    """Maps the views of one reservoir to messages; made once for its identity.

    Attributes:
        layout: the names that topics start with.
        identity: the reservoir.
        heartbeat_s: each value and alert is published at least this often.
        device: the device id.
        numbers: the properties with a number, as rows of the table.
        others: the other properties.
        topics: the topic of each property, numbers first.
        numbers_of: returns the numbers of a view.
        others_of: returns the other values of a view.
    """

    layout: Layout
    identity: StationIdentity
    heartbeat_s: float
    device: str
    numbers: tuple[Property, ...]
    others: tuple[Property, ...]
    topics: tuple[str, ...]
    numbers_of: Callable[[StationView], tuple[float | None, ...]]
    others_of: Callable[[StationView], tuple[object, ...]]

    @classmethod
    def of(cls, layout: Layout, identity: StationIdentity, heartbeat_s: float) -> "ReservoirMap":
        """Make the map for one identity.

        Raises:
            InputError: the reservoir's id cannot be part of a topic.
        """
        device = layout.device(identity.reservoir)
        rows = [row for row in fitted(identity) if row.source is not None and row.retained]
        numbers = tuple(row for row in rows if row.datatype in NUMERIC)
        others = tuple(row for row in rows if row.datatype not in NUMERIC)
        return cls(
            layout=layout,
            identity=identity,
            heartbeat_s=heartbeat_s,
            device=device,
            numbers=numbers,
            others=others,
            topics=tuple(f"{layout.base(device)}/{row.path}" for row in numbers + others),
            numbers_of=attrgetter(*(str(row.source) for row in numbers)),
            others_of=attrgetter(*(str(row.source) for row in others)),
        )

    def rows(self) -> tuple[Property, ...]:
        """Return the rows with a retained value, in the order of `Published.at`."""
        return self.numbers + self.others

    def changes(
        self, previous: Published | None, view: StationView, now: float
    ) -> tuple[Published, tuple[Publication, ...]]:
        """Compare a view with what was published.

        Args:
            previous: what was published; None at the start and after a reconnect. Then everything is
                published, and unknown values and leftovers of an earlier configuration are deleted.
            view: the new state.
            now: monotonic seconds.

        Returns:
            What is published after the messages, and the messages. If nothing is new: ``previous`` itself
            and no message.
        """
        if previous is None:
            shown, messages = self._publish(self._blank(), view, now, everything=True)
            return shown, (*self._leftovers(), *messages)
        words = self.others_of(view)
        if words == previous.words and now - previous.oldest < self.heartbeat_s:
            for value, low, high in zip(self.numbers_of(view), previous.low, previous.high, strict=True):
                if value is None:
                    if low <= high:
                        break
                elif not low <= value <= high:
                    break
            else:
                return previous, ()
        return self._publish(previous, view, now, everything=False)

    def _publish(
        self, previous: Published, view: StationView, now: float, *, everything: bool
    ) -> tuple[Published, tuple[Publication, ...]]:
        messages: list[Publication] = []
        at, low, high = list(previous.at), list(previous.low), list(previous.high)
        words = self.others_of(view)
        due = now - self.heartbeat_s
        for i, value in enumerate(self.numbers_of(view)):
            known = low[i] <= high[i]
            if not everything and at[i] > due:
                if value is None and not known:
                    continue
                if value is not None and low[i] <= value <= high[i]:
                    continue
            payload = self.numbers[i].payload(value)
            if value is None or payload is None:
                low[i], high[i] = math.inf, NEVER
                if known or everything:
                    messages.append(deleted(self.topics[i]))
            else:
                row = self.numbers[i]
                band = max(row.dead_band, row.dead_band_fraction * abs(value))
                low[i], high[i] = value - band, value + band
                messages.append(retained(self.topics[i], payload))
            at[i] = now
        for i, (word, before) in enumerate(zip(words, previous.words, strict=True), len(low)):
            if not everything and at[i] > due and word == before:
                continue
            payload = self.others[i - len(low)].payload(word)
            if payload is not None:
                messages.append(retained(self.topics[i], payload))
            elif everything or word != before:
                messages.append(deleted(self.topics[i]))
            at[i] = now
        again = everything or previous.alerts_at <= due
        alerts, alert_messages = self._alerts(previous, view, again=again)
        alerts_at = now if again else previous.alerts_at
        shown = Published(tuple(low), tuple(high), words, tuple(at), alerts, alerts_at, min(alerts_at, *at))
        # Alerts go first: a trip changes a dozen values, and each message needs its own acknowledgement.
        return shown, (*alert_messages, *messages)

    def alerts(self, previous: Published, view: StationView) -> tuple[Published, tuple[Publication, ...]]:
        """Compare only the alerts of a view, so that they can be published before everything else.

        Returns:
            As `changes`.
        """
        alerts, messages = self._alerts(previous, view, again=False)
        return replace(previous, alerts=alerts), tuple(messages)

    def _alerts(
        self, previous: Published, view: StationView, *, again: bool
    ) -> tuple[tuple[tuple[str, str], ...], list[Publication]]:
        """Compare the alerts. A shelved alarm has none, which is the purpose of shelving."""
        before = dict(previous.alerts)
        after = {alarm.alarm: alarm.sentence for alarm in view.alarms if not alarm.shelved and alarm.sentence}
        topic = f"{self.layout.base(self.device)}/$alert"
        # With the heartbeat also an alert that somebody else has published is deleted.
        gone = ALARM_WORDS if again else before
        messages = [deleted(f"{topic}/{alarm}") for alarm in gone if alarm not in after]
        messages += [
            retained(f"{topic}/{alarm}", sentence)
            for alarm, sentence in after.items()
            if again or before.get(alarm) != sentence
        ]
        return tuple(after.items()), messages

    def _blank(self) -> Published:
        """Return the state of a new connection: nothing is known, so each alarm may have a retained alert."""
        numbers, rows = len(self.numbers), len(self.topics)
        return Published(
            (math.inf,) * numbers,
            (NEVER,) * numbers,
            (None,) * len(self.others),
            (NEVER,) * rows,
            tuple((alarm, "") for alarm in ALARM_WORDS),
            NEVER,
            NEVER,
        )

    def _leftovers(self) -> tuple[Publication, ...]:
        """Delete the values that an earlier configuration of this reservoir may have left on the broker."""
        base = self.layout.base(self.device)
        return tuple(
            deleted(f"{base}/{row.path}")
            for row in PROPERTIES
            if row.retained and not row.is_fitted(self.identity)
        )


@dataclass(frozen=True, slots=True)
class Device:
    """One reservoir on the hub: first described, then ready once its first view was published.

    A reservoir whose controller does not answer stays ``ready``: hold, acknowledge and reset still work, and
    its alarm must stay visible. ``health/link`` and the alert show the lost link.

    Attributes:
        map: maps its views to messages.
        description: its description document.
        shown: what was published; None before the first view on a connection.
    """

    map: ReservoirMap
    description: Description
    shown: Published | None = None

    @classmethod
    def of(cls, layout: Layout, identity: StationIdentity, heartbeat_s: float, utc_s: float) -> "Device":
        """Make a device of which nothing is published yet."""
        return cls(
            ReservoirMap.of(layout, identity, heartbeat_s), describe_reservoir(layout, identity, utc_s)
        )

    def describe(self) -> tuple["Device", tuple[Publication, ...]]:
        """Begin a connection: state ``init``, because no value is published yet, and the description."""
        return replace(self, shown=None), self._description_messages()

    def update(self, view: StationView, now: float, utc_s: float) -> tuple["Device", tuple[Publication, ...]]:
        """Return the messages for a view; the first view makes the device ready.

        A view with another identity (for example with a new probe) changes the description. The convention
        allows this only outside ``ready``, so the device goes back to ``init`` first.
        """
        if view.identity is not self.map.identity and view.identity != self.map.identity:
            layout = self.map.layout
            changed = Device(
                ReservoirMap.of(layout, view.identity, self.map.heartbeat_s),
                describe_reservoir(layout, view.identity, utc_s, self.description),
            )
            opened, opening = changed.describe()
            after, messages = opened.update(view, now, utc_s)
            return after, (*opening, *messages)
        shown, messages = self.map.changes(self.shown, view, now)
        ready = self.map.layout.state(self.map.device, Lifecycle.READY)
        if self.shown is None:
            messages = (*messages, ready)
        elif shown.alerts_at != self.shown.alerts_at:
            # The heartbeat also mends what somebody else has written over description and state.
            messages = (*messages, self.description.publication(self.map.layout), ready)
        return (self if shown is self.shown else replace(self, shown=shown)), messages

    def alerts(self, view: StationView) -> tuple["Device", tuple[Publication, ...]]:
        """Return the messages for a view's alerts alone; none before the first view was published."""
        if self.shown is None:
            return self, ()
        shown, messages = self.map.alerts(self.shown, view)
        return (replace(self, shown=shown), messages) if messages else (self, ())

    def _description_messages(self) -> tuple[Publication, ...]:
        layout = self.map.layout
        return layout.state(self.map.device, Lifecycle.INIT), self.description.publication(layout)


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
        """Forget what waits, at a new connection. Returns the first message for the broker."""
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
