"""From views to messages: what of a reservoir has changed enough to be worth telling.

A view comes with every reading, and most views tell nothing new. So the common case is made cheap: two calls
fetch every attribute, one comparison settles all words and switches, and each number is compared with the
edges of its dead band around the value last published. Nothing is formatted before something has changed.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from operator import attrgetter

from bridge.mqtt.description import Description, describe_reservoir, fitted
from bridge.mqtt.properties import ALARM_WORDS, NUMERIC, PROPERTIES, Property
from bridge.mqtt.topics import Layout, Lifecycle, Publication, deleted, retained
from bridge.station.plan import StationIdentity
from bridge.station.view import StationView

NEVER = -math.inf


@dataclass(frozen=True, slots=True)
class Shown:
    """What the broker has of a reservoir: the values and when each was published (monotonic seconds).

    :param low: lower edge of each number's dead band; above ``high`` where nothing is published.
    :param words: everything that is no number, as it was in the last view.
    :param alerts: alarm and sentence of each ``$alert`` that stands.
    :param oldest: the earliest time in ``at`` and ``alerts_at``: when the next heartbeat counts from.
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
    """The map of one reservoir, made once for its identity.

    :param heartbeat_s: each value and alert is published at least this often.
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
        """The map for one identity.

        :raises InputError: the reservoir's id cannot stand in a topic.
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
        """The rows with a retained value, in the order of :attr:`Shown.at`."""
        return self.numbers + self.others

    def changes(
        self, previous: Shown | None, view: StationView, now: float
    ) -> tuple[Shown, tuple[Publication, ...]]:
        """What to publish for a view.

        :param previous: what the broker has; None at the start and after a reconnect: then everything is
            published, what is unknown is deleted, and so is what an earlier configuration left behind.
        :param now: monotonic seconds.
        :return: what the broker will have, and the messages. Nothing new: ``previous`` itself, no message.
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
        self, previous: Shown, view: StationView, now: float, *, everything: bool
    ) -> tuple[Shown, tuple[Publication, ...]]:
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
        shown = Shown(tuple(low), tuple(high), words, tuple(at), alerts, alerts_at, min(alerts_at, *at))
        # What is wrong goes first: the rest of a trip is a dozen messages, each with its own acknowledgement.
        return shown, (*alert_messages, *messages)

    def alerts(self, previous: Shown, view: StationView) -> tuple[Shown, tuple[Publication, ...]]:
        """The alerts of a view alone, for one that cannot wait for everything else to be looked at.

        :return: as :meth:`changes`.
        """
        alerts, messages = self._alerts(previous, view, again=False)
        return replace(previous, alerts=alerts), tuple(messages)

    def _alerts(
        self, previous: Shown, view: StationView, *, again: bool
    ) -> tuple[tuple[tuple[str, str], ...], list[Publication]]:
        """A shelved alarm has no alert: that is what shelving is for. It stays in ``health/alarms``."""
        before = dict(previous.alerts)
        after = {alarm.alarm: alarm.sentence for alarm in view.alarms if not alarm.shelved and alarm.sentence}
        topic = f"{self.layout.base(self.device)}/$alert"
        messages = [deleted(f"{topic}/{alarm}") for alarm in before if alarm not in after]
        messages += [
            retained(f"{topic}/{alarm}", sentence)
            for alarm, sentence in after.items()
            if again or before.get(alarm) != sentence
        ]
        return tuple(after.items()), messages

    def _blank(self) -> Shown:
        """What is known of a broker that was just met: nothing, so each alarm may have an alert there."""
        numbers, rows = len(self.numbers), len(self.topics)
        return Shown(
            (math.inf,) * numbers,
            (NEVER,) * numbers,
            (None,) * len(self.others),
            (NEVER,) * rows,
            tuple((alarm, "") for alarm in ALARM_WORDS),
            NEVER,
            NEVER,
        )

    def _leftovers(self) -> tuple[Publication, ...]:
        """Values of what this reservoir does not have, but may have had in an earlier configuration."""
        base = self.layout.base(self.device)
        return tuple(
            deleted(f"{base}/{row.path}")
            for row in PROPERTIES
            if row.retained and not row.is_fitted(self.identity)
        )


@dataclass(frozen=True, slots=True)
class Device:
    """One reservoir on the hub, through its life: described, then ready once its first view was published.

    A reservoir whose controller does not answer stays ``ready``: hold, acknowledge and reset still work, and
    its alarm must stay in sight. ``health/link`` and the alert tell of the lost link.
    """

    map: ReservoirMap
    description: Description
    shown: Shown | None = None

    @classmethod
    def of(cls, layout: Layout, identity: StationIdentity, heartbeat_s: float, utc_s: float) -> "Device":
        """A reservoir that the broker has not heard of yet."""
        return cls(
            ReservoirMap.of(layout, identity, heartbeat_s), describe_reservoir(layout, identity, utc_s)
        )

    def opened(self) -> tuple["Device", tuple[Publication, ...]]:
        """The start of a connection: the description, in state ``init``, as no value is published yet."""
        return replace(self, shown=None), self._described()

    def shows(self, view: StationView, now: float, utc_s: float) -> tuple["Device", tuple[Publication, ...]]:
        """The messages for a view; with the first one the device becomes ready.

        A view whose identity differs (a probe was fitted) changes the description, which the convention
        allows only outside ``ready``: so the device goes back to ``init`` first.
        """
        if view.identity is not self.map.identity and view.identity != self.map.identity:
            layout = self.map.layout
            changed = Device(
                ReservoirMap.of(layout, view.identity, self.map.heartbeat_s),
                describe_reservoir(layout, view.identity, utc_s, self.description),
            )
            after, messages = changed.shows(view, now, utc_s)
            return after, (*changed._described(), *messages)
        shown, messages = self.map.changes(self.shown, view, now)
        if self.shown is None:
            messages = (*messages, self.map.layout.state(self.map.device, Lifecycle.READY))
        return (self if shown is self.shown else replace(self, shown=shown)), messages

    def alerts(self, view: StationView) -> tuple["Device", tuple[Publication, ...]]:
        """What is wrong in a view, before all else in it; nothing before a first view was shown whole."""
        if self.shown is None:
            return self, ()
        shown, messages = self.map.alerts(self.shown, view)
        return (replace(self, shown=shown), messages) if messages else (self, ())

    def _described(self) -> tuple[Publication, ...]:
        layout = self.map.layout
        return layout.state(self.map.device, Lifecycle.INIT), self.description.publication(layout)
