"""The alarm life cycle of IEC 62682 / ANSI/ISA-18.2, as a table.

An alarm *occurs*, a person *acknowledges* it, and its cause *clears*. If a latched trip raised the alarm, the
alarm stays latched after the cause has cleared, until the trip is *reset*. Shelving is independent of this: a
shelved alarm keeps changing its status without being shown. When the shelving time ends it is shown again if
its cause is still present.

        occurs            acknowledge
    NORMAL -> UNACKNOWLEDGED -> ACKNOWLEDGED
                   | clears          | clears
                   v                 v
       CLEARED_UNACKNOWLEDGED -> NORMAL          (advisories)
       LATCHED_UNACKNOWLEDGED -> LATCHED_ACKNOWLEDGED -reset-> NORMAL   (trips)
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from bridge.guard.model import AlarmId


class Status(Enum):
    """The status of one alarm in its life cycle."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    CLEARED_UNACKNOWLEDGED = "cleared-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"


class Presence(Enum):
    """The state of an alarm's cause."""

    PRESENT = "present"
    LATCHED = "latched"
    """The cause is gone, but its trip is not reset yet."""
    GONE = "gone"


_S, _P = Status, Presence

# The next status for each state of the cause. ACKNOWLEDGED below is the table for acknowledging.
TRANSITIONS: dict[tuple[Status, Presence], Status] = {
    (_S.NORMAL, _P.PRESENT): _S.UNACKNOWLEDGED,
    (_S.NORMAL, _P.LATCHED): _S.LATCHED_UNACKNOWLEDGED,
    (_S.NORMAL, _P.GONE): _S.NORMAL,
    (_S.UNACKNOWLEDGED, _P.PRESENT): _S.UNACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _P.LATCHED): _S.LATCHED_UNACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _P.GONE): _S.CLEARED_UNACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _P.PRESENT): _S.ACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _P.LATCHED): _S.LATCHED_ACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _P.GONE): _S.NORMAL,
    (_S.CLEARED_UNACKNOWLEDGED, _P.PRESENT): _S.UNACKNOWLEDGED,
    (_S.CLEARED_UNACKNOWLEDGED, _P.LATCHED): _S.LATCHED_UNACKNOWLEDGED,
    (_S.CLEARED_UNACKNOWLEDGED, _P.GONE): _S.CLEARED_UNACKNOWLEDGED,
    (_S.LATCHED_UNACKNOWLEDGED, _P.PRESENT): _S.UNACKNOWLEDGED,
    (_S.LATCHED_UNACKNOWLEDGED, _P.LATCHED): _S.LATCHED_UNACKNOWLEDGED,
    (_S.LATCHED_UNACKNOWLEDGED, _P.GONE): _S.CLEARED_UNACKNOWLEDGED,
    # If the cause comes back after the alarm was acknowledged, this is a new occurrence.
    (_S.LATCHED_ACKNOWLEDGED, _P.PRESENT): _S.UNACKNOWLEDGED,
    (_S.LATCHED_ACKNOWLEDGED, _P.LATCHED): _S.LATCHED_ACKNOWLEDGED,
    (_S.LATCHED_ACKNOWLEDGED, _P.GONE): _S.NORMAL,
}

ACKNOWLEDGED: dict[Status, Status] = {
    _S.UNACKNOWLEDGED: _S.ACKNOWLEDGED,
    _S.CLEARED_UNACKNOWLEDGED: _S.NORMAL,
    _S.LATCHED_UNACKNOWLEDGED: _S.LATCHED_ACKNOWLEDGED,
}


@dataclass(frozen=True, slots=True)
class AlarmRecord:
    """One alarm that is not normal, or is shelved."""

    alarm: AlarmId
    status: Status
    since: float
    """When the alarm entered this status, monotonic seconds."""
    shelved_until: float | None = None

    @property
    def quiet(self) -> bool:
        """True if the record can be dropped: the alarm is normal and not shelved."""
        return self.status is Status.NORMAL and self.shelved_until is None


def update(
    records: tuple[AlarmRecord, ...],
    presence: Callable[[AlarmId], Presence],
    active: Iterable[AlarmId],
    now: float,
) -> tuple[AlarmRecord, ...]:
    """Update every alarm from the state of its cause, and end the shelving times that are over.

    Args:
        records: the alarms that are not normal, at most one for each id.
        presence: returns the state of the cause of any alarm.
        active: the ids whose presence is not GONE, at least those without a record. Only these can become
            new records.
        now: monotonic seconds.

    Returns:
        The new records, or the same tuple if nothing changed.
    """
    after: list[AlarmRecord] = []
    known = [record.alarm for record in records]
    for record in records:
        status = TRANSITIONS[record.status, presence(record.alarm)]
        if status is not record.status:
            record = replace(record, status=status, since=now)
        if record.shelved_until is not None and now >= record.shelved_until:
            record = replace(record, shelved_until=None)
        if not record.quiet:
            after.append(record)
    for alarm in active:
        if alarm not in known:
            after.append(AlarmRecord(alarm, TRANSITIONS[Status.NORMAL, presence(alarm)], now))
    found = tuple(after)
    return records if found == records else found


def acknowledge(
    records: Sequence[AlarmRecord], alarm: AlarmId | None, now: float
) -> tuple[tuple[AlarmRecord, ...], int]:
    """Acknowledge one alarm, or all for None.

    Returns:
        The new records, and the number of alarms that this acknowledged.
    """
    count = 0
    after: list[AlarmRecord] = []
    for record in records:
        status = ACKNOWLEDGED.get(record.status) if alarm in (None, record.alarm) else None
        if status is not None:
            count += 1
            record = replace(record, status=status, since=now)
        if not record.quiet:
            after.append(record)
    return tuple(after), count


def shelve(
    records: Sequence[AlarmRecord], alarm: AlarmId, until: float | None, now: float
) -> tuple[AlarmRecord, ...]:
    """Return the records with one alarm shelved until ``until``, or no longer shelved if that is None."""
    after = [replace(r, shelved_until=until) if r.alarm is alarm else r for r in records]
    if until is not None and all(r.alarm is not alarm for r in records):
        after.append(AlarmRecord(alarm, Status.NORMAL, now, until))
    return tuple(r for r in after if not r.quiet)
