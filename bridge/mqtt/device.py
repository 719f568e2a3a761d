"""From the views of one reservoir to messages: which values have changed enough. Core.

The convention has no word for an unknown value, and wants a value of each property that a device in the state
``ready`` describes. So the description lists only properties with a value. When a value becomes unknown or
known, the device goes back to ``init``, as the convention asks for a changed description.

A view comes with every reading, and most views contain nothing new. So the common case is cheap: two calls
fetch every attribute, one comparison covers all words and switches, and each number is compared with the
edges of its dead band around the value last published. Nothing is formatted before something has changed.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from operator import attrgetter

from bridge.mqtt.properties import ALARM_WORDS, NUMERIC, PROPERTIES, Property
from bridge.mqtt.topics import (
    Description,
    Layout,
    Lifecycle,
    Publication,
    deleted,
    describe_reservoir,
    fitted,
    retained,
)
from bridge.station.plan import StationIdentity
from bridge.station.view import StationView

NEVER = -math.inf
RETURN_S = 5.0
"""After a value became unknown, no value is added for this time, so that a loose contact does not change the
description at each reading."""


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
class Changes:
    """What a view changes.

    Attributes:
        published: what is published after the messages.
        alerts: the messages of changed alerts.
        values: the messages of changed values.
        gained: whether an unknown value has become known.
        lost: whether a known value has become unknown.
    """

    published: Published
    alerts: tuple[Publication, ...]
    values: tuple[Publication, ...]
    gained: bool
    lost: bool


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

    def unknown(self, published: Published) -> frozenset[str]:
        """Return the paths of the properties without a value."""
        numbers = zip(self.numbers, published.low, published.high, strict=True)
        others = zip(self.others, published.words, strict=True)
        return frozenset(row.path for row, low, high in numbers if low > high) | frozenset(
            row.path for row, word in others if row.payload(word) is None
        )

    def changes(
        self, previous: Published | None, view: StationView, now: float, *, adding: bool
    ) -> Changes | None:
        """Compare a view with what was published.

        Args:
            previous: what was published; None at the start and after a reconnect. Then everything is
                published, and unknown values and leftovers of an earlier configuration are deleted.
            view: the new state.
            now: monotonic seconds.
            adding: whether a value that was unknown is published now. If not, a later call does it.

        Returns:
            The changes; None if nothing is new.
        """
        if previous is None:
            first = self._publish(self._blank(), view, now, everything=True, adding=True)
            return replace(first, values=(*self._leftovers(), *first.values))
        words = self.others_of(view)
        if words == previous.words and now - previous.oldest < self.heartbeat_s:
            for value, low, high in zip(self.numbers_of(view), previous.low, previous.high, strict=True):
                if value is None:
                    if low <= high:
                        break
                elif not low <= value <= high:
                    break
            else:
                return None
        return self._publish(previous, view, now, everything=False, adding=adding)

    def _publish(
        self, previous: Published, view: StationView, now: float, *, everything: bool, adding: bool
    ) -> Changes:
        messages: list[Publication] = []
        gained = lost = False
        at, low, high = list(previous.at), list(previous.low), list(previous.high)
        words = list(self.others_of(view))
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
                lost |= known
                if known or everything:
                    messages.append(deleted(self.topics[i]))
            elif not known and not adding:
                continue
            else:
                gained |= not known
                row = self.numbers[i]
                band = max(row.dead_band, row.dead_band_fraction * abs(value))
                low[i], high[i] = value - band, value + band
                messages.append(retained(self.topics[i], payload))
            at[i] = now
        for i, (word, before) in enumerate(zip(words, previous.words, strict=True), len(low)):
            if not everything and at[i] > due and word == before:
                continue
            row = self.others[i - len(low)]
            payload, known = row.payload(word), row.payload(before) is not None
            if payload is None:
                lost |= known
                if known or everything:
                    messages.append(deleted(self.topics[i]))
            elif not known and not adding:
                words[i - len(low)] = before
                continue
            else:
                gained |= not known
                messages.append(retained(self.topics[i], payload))
            at[i] = now
        again = everything or previous.alerts_at <= due
        alerts, alert_messages = self._alerts(previous, view, again=again)
        alerts_at = now if again else previous.alerts_at
        shown = Published(
            tuple(low), tuple(high), tuple(words), tuple(at), alerts, alerts_at, min(alerts_at, *at)
        )
        return Changes(shown, tuple(alert_messages), tuple(messages), gained, lost)

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
        lost_at: when a value last became unknown (monotonic seconds).
    """

    map: ReservoirMap
    description: Description
    shown: Published | None = None
    lost_at: float = NEVER

    @classmethod
    def of(cls, layout: Layout, identity: StationIdentity, heartbeat_s: float, utc_s: float) -> "Device":
        """Make a device of which nothing is published yet."""
        return cls(
            ReservoirMap.of(layout, identity, heartbeat_s), describe_reservoir(layout, identity, utc_s)
        )

    def describe(self) -> tuple["Device", tuple[Publication, ...]]:
        """Begin a connection: state ``init``, because no value is published yet, and the description."""
        begun = self._state(Lifecycle.INIT), self.description.publication(self.map.layout)
        return replace(self, shown=None, lost_at=NEVER), begun

    def update(self, view: StationView, now: float, utc_s: float) -> tuple["Device", tuple[Publication, ...]]:
        """Return the messages for a view; the first view makes the device ready.

        The description changes with the identity in the view (for example with a new probe), and with the
        values that are known. The convention allows this only outside ``ready``, so the device goes back to
        ``init`` first.
        """
        if view.identity is not self.map.identity and view.identity != self.map.identity:
            changed = ReservoirMap.of(self.map.layout, view.identity, self.map.heartbeat_s)
            after, messages = Device(changed, self.description).update(view, now, utc_s)
            return after, (self._state(Lifecycle.INIT), *messages)
        changes = self.map.changes(self.shown, view, now, adding=now - self.lost_at >= RETURN_S)
        if changes is None:
            return self, ()
        shown, description = changes.published, self.description
        opening: tuple[Publication, ...] = ()
        closing: tuple[Publication, ...] = ()
        if self.shown is None or changes.gained or changes.lost:
            description = describe_reservoir(
                self.map.layout, view.identity, utc_s, self.description, self.map.unknown(shown)
            )
            if description is not self.description:
                opening = (description.publication(self.map.layout),)
            if self.shown is not None:
                opening = (self._state(Lifecycle.INIT), *opening)
            closing = (self._state(Lifecycle.READY),)
        elif shown.alerts_at != self.shown.alerts_at:
            # The heartbeat also mends what somebody else has written over description and state.
            closing = (description.publication(self.map.layout), self._state(Lifecycle.READY))
        lost_at = now if changes.lost else self.lost_at
        # Alerts go first: a trip changes a dozen values, and each message needs its own acknowledgement.
        head = (*opening, *changes.alerts) if self.shown is None else (*changes.alerts, *opening)
        return Device(self.map, description, shown, lost_at), (*head, *changes.values, *closing)

    def _state(self, state: Lifecycle) -> Publication:
        return self.map.layout.state(self.map.device, state)

    def alerts(self, view: StationView) -> tuple["Device", tuple[Publication, ...]]:
        """Return the messages for a view's alerts alone; none before the first view was published."""
        if self.shown is None:
            return self, ()
        shown, messages = self.map.alerts(self.shown, view)
        return (replace(self, shown=shown), messages) if messages else (self, ())
