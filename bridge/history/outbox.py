"""The outbox: the rows of the log that the hub's log has not acknowledged yet, in order. Shell.

Ids increase over all tables in the order in which rows were written, so one id is the position of the hub's
log: every row up to this id was acknowledged. The position is saved with the log. After a power cut the saved
position can be out of date; then some rows are sent a second time, with the same time, names and values.

The outbox grows while the hub is away. If it is full, the oldest readings are dropped from it. Alarms, trips,
commands and all other entries are never dropped. The alert begins at ``alert_fraction``.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from bridge.history.migration import ACKNOWLEDGED
from bridge.history.records import Kind, ReadingRow, StampedRow, StateRow
from bridge.history.store import END, Store, in_order
from bridge.history.waiting import OutboxSettings

GIVEN_UP = "outbox.given-up"
READING_BYTES = 160
"""The approximate size of a stored reading."""


@dataclass(frozen=True, slots=True)
class OutboxLevel:
    """The fill level of the outbox."""

    fraction: float
    """Of ``limit_bytes``."""
    waiting_readings: int
    """Unacknowledged readings, including those that will not be sent."""
    dropped_readings: int
    """Readings dropped since the start because the outbox was full."""
    alert: bool


@dataclass(frozen=True, slots=True)
class Parcel:
    """Rows that are sent in one message."""

    id: int
    """The id of the last of them."""
    rows: tuple[StampedRow, ...]
    after: int = 0
    """The id of the last row of the parcel before it."""


class Outbox:
    """The position of the hub's log. Used from the log's thread only; raises :class:`sqlite3.Error`.

    Args:
        settings: its size and its rate.
    """

    def __init__(self, settings: OutboxSettings) -> None:
        self.settings = settings
        self._acknowledged = 0
        self._readings_from = 0
        """Readings before this id were dropped."""
        self._dropped = 0

    def load(self, state: Mapping[str, StateRow], store: Store) -> None:
        """Load the position. A new outbox begins at the end of the log."""
        saved, given_up = state.get(ACKNOWLEDGED), state.get(GIVEN_UP)
        self._acknowledged = store.last_id() if saved is None else int(json.loads(saved.text))
        self._readings_from = 0 if given_up is None else int(json.loads(given_up.text))

    def saved(self) -> tuple[StateRow, ...]:
        """Return the position as saved state for the next commit."""
        return (
            StateRow(ACKNOWLEDGED, 1, str(self._acknowledged)),
            StateRow(GIVEN_UP, 1, str(self._readings_from)),
        )

    def peek(self, count: int, store: Store) -> list[Parcel]:
        """Return the first unacknowledged parcels, oldest first.

        Until it is acknowledged, a parcel is returned again with the same rows; the last one may have grown.

        Args:
            count: the maximum number of parcels.
            store: the log.
        """
        after = self._acknowledged + 1
        streams = [
            store.numbered_readings(max(after, self._readings_from), END),
            *(store.entries(kind, after, END) for kind in Kind),
        ]
        parcels: list[Parcel] = []
        rows: list[StampedRow] = []
        before: dict[str, ReadingRow | None] = {}
        done, last = self._acknowledged, 0
        for key, row in in_order(streams):
            if isinstance(row, ReadingRow) and not self._is_wanted(row, before, store, after):
                continue
            last = key
            rows.append(row)
            if len(rows) == self.settings.pack_rows:
                parcels.append(Parcel(last, tuple(rows), done))
                rows, done = [], last
                if len(parcels) == count:
                    return parcels
        if rows:
            parcels.append(Parcel(last, tuple(rows), done))
        return parcels

    def _is_wanted(
        self, row: ReadingRow, before: dict[str, ReadingRow | None], store: Store, after: int
    ) -> bool:
        """Return whether a reading is the first of its slot, or has a new path or health.

        The result depends on stored rows only, so that a repeated parcel has the same rows.
        """
        name = row.reservoir
        last = before[name] if name in before else store.reading_before(after, name)
        before[name] = row
        every_ms = round(self.settings.every_s * 1000)
        return (
            last is None
            or not every_ms
            or row.stamp.utc_ms // every_ms != last.stamp.utc_ms // every_ms
            or row.path is not last.path
            or row.health is not last.health
        )

    def acknowledge(self, parcel: Parcel) -> None:
        """Remove a parcel: the broker acknowledged it, and every earlier one."""
        # An acknowledgement of a parcel that was sent before a rewind must not undo the rewind.
        if parcel.after == self._acknowledged:
            self._acknowledged = parcel.id

    def rewind(self, position: int) -> None:
        """Send every row after this id again, as far as the log still has it."""
        self._acknowledged = min(self._acknowledged, position)

    def level(self, store: Store) -> OutboxLevel:
        """Drop the oldest readings if the outbox is over its limit, and return its fill level."""
        limit = self.settings.limit_bytes
        start = max(self._acknowledged + 1, self._readings_from)
        count = "SELECT count(*) FROM reading WHERE id >= ?"
        waiting = int(store.connection.execute(count, (start,)).fetchone()[0])
        over = waiting - limit // READING_BYTES
        if over > 0:
            row = store.connection.execute(
                "SELECT id FROM reading WHERE id >= ? ORDER BY id LIMIT 1 OFFSET ?", (start, over)
            ).fetchone()
            self._readings_from = END if row is None else int(row[0])
            self._dropped += over
            waiting -= over
        fraction = waiting * READING_BYTES / limit
        return OutboxLevel(fraction, waiting, self._dropped, fraction >= self.settings.alert_fraction)

    def keep_from(self) -> int:
        """Return the first id that is still needed."""
        return self._acknowledged + 1
