"""The alarm life cycle of IEC 62682 / ANSI/ISA-18.2, as a table.

An alarm *occurs*, a person *acknowledges* it, its cause *returns* to normal; an alarm of a latched trip
that returned stays latched until its *reset*. Shelving lies over all of that: a shelved alarm goes on
living, silently, until its time is up, so that a cause that is still there speaks again.

        occurs            acknowledge
    NORMAL -> UNACKNOWLEDGED -> ACKNOWLEDGED
                   | returns         | returns
                   v                 v
       CLEARED_UNACKNOWLEDGED -> NORMAL          (plain alarms)
       LATCHED_UNACKNOWLEDGED  -> LATCHED_ACKNOWLEDGED -reset-> NORMAL   (trips)
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from bridge.guard.model import AlarmId


class Status(Enum):
    """Where one alarm stands in its life cycle."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    CLEARED_UNACKNOWLEDGED = "cleared-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"


class Presence(Enum):
    """What the process says about an alarm's cause."""

    PRESENT = "present"
    LATCHED = "latched"
    """The cause is gone, the trip it caused is not reset."""
    GONE = "gone"


_S, _P = Status, Presence

# Where an alarm goes when its cause is seen like this. Acknowledging is a table of its own, below.
FOLLOW: dict[tuple[Status, Presence], Status] = {
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
    # A cause that comes back after it was acknowledged is a new occurrence.
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
    """When it entered this status, monotonic seconds."""
    shelved_until: float | None = None

    @property
    def quiet(self) -> bool:
        """Nothing left to remember."""
        return self.status is Status.NORMAL and self.shelved_until is None


def follow(
    records: tuple[AlarmRecord, ...],
    presence: Callable[[AlarmId], Presence],
    active: Iterable[AlarmId],
    now: float,
) -> tuple[AlarmRecord, ...]:
    """Every alarm after the process was looked at and shelving times ran out; the same tuple if none moved.

    Args:
        records: the alarms that are not normal, at most one for each id.
        presence: what the process says about any alarm.
        active: the ids whose presence is not GONE; only these can appear anew.
        now: monotonic seconds.
    """
    after: list[AlarmRecord] = []
    known = [record.alarm for record in records]
    for record in records:
        status = FOLLOW[record.status, presence(record.alarm)]
        if status is not record.status:
            record = AlarmRecord(record.alarm, status, now, record.shelved_until)
        if record.shelved_until is not None and now >= record.shelved_until:
            record = replace(record, shelved_until=None)
        if not record.quiet:
            after.append(record)
    for alarm in active:
        if alarm not in known:
            after.append(AlarmRecord(alarm, FOLLOW[Status.NORMAL, presence(alarm)], now))
    found = tuple(after)
    return records if found == records else found


def acknowledge(
    records: Sequence[AlarmRecord], alarm: AlarmId | None, now: float
) -> tuple[tuple[AlarmRecord, ...], int]:
    """Every alarm after a person acknowledged one (or all, for None), and how many that concerned."""
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
    """Every alarm after one was shelved until then, or taken off the shelf for None."""
    after = [replace(r, shelved_until=until) if r.alarm is alarm else r for r in records]
    if until is not None and all(r.alarm is not alarm for r in records):
        after.append(AlarmRecord(alarm, Status.NORMAL, now, until))
    return tuple(r for r in after if not r.quiet)
