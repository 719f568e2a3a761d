"""The steps of alarms joined to whole lives: raised, acknowledged, cleared, ended."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from bridge.guard.model import AlarmId
from bridge.history.records import AlarmChange, AlarmRow, Stamp


@dataclass(frozen=True, slots=True)
class AlarmLife:
    """One occurrence of one alarm, from its raising to its end; None for what has not happened."""

    reservoir: str
    alarm: AlarmId
    sentence: str
    raised: Stamp | None
    """None when the log begins in the middle of the life."""
    first_out: bool
    acknowledged: Stamp | None = None
    acknowledged_by: str = ""
    cleared: Stamp | None = None
    shelved: Stamp | None = None
    ended: Stamp | None = None


_ENDS = {AlarmChange.CLEARED, AlarmChange.RESET}


def alarm_lives(rows: Iterable[AlarmRow]) -> list[AlarmLife]:
    """Lives in the order in which they began. ``rows`` in the order of their stamps.

    A life ends when its alarm is cleared or reset, or when the same alarm is raised again without either.
    """
    done: list[AlarmLife] = []
    open_at: dict[tuple[str, AlarmId], int] = {}
    begun: set[tuple[str, AlarmId]] = set()
    for row in rows:
        key = (row.reservoir, row.alarm)
        at = open_at.get(key)
        if row.change is AlarmChange.RAISED or at is None:
            raised = row.stamp if row.change is AlarmChange.RAISED else None
            if raised is None and row.change in _ENDS and key in begun:
                # A reset is followed by the clearing of the same alarm: both belong to the life that is over.
                continue
            open_at[key] = at = len(done)
            begun.add(key)
            done.append(AlarmLife(row.reservoir, row.alarm, row.sentence, raised, row.first_out))
        life = done[at]
        match row.change:
            case AlarmChange.ACKNOWLEDGED:
                life = replace(life, acknowledged=row.stamp, acknowledged_by=row.sender)
            case AlarmChange.CLEARED_UNACKNOWLEDGED:
                life = replace(life, cleared=row.stamp)
            case AlarmChange.SHELVED:
                life = replace(life, shelved=row.stamp)
            case AlarmChange.UNSHELVED:
                life = replace(life, shelved=None)
            case AlarmChange.CLEARED | AlarmChange.RESET:
                life = replace(life, ended=row.stamp)
                del open_at[key]
            case AlarmChange.RAISED:
                pass
        done[at] = life
    return done
