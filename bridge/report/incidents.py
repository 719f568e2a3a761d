"""Alarms and trips: their times, who acknowledged them, and what people did meanwhile. Core.

The steps of an alarm are joined to one history: raised, acknowledged, cleared, ended.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.history.records import AlarmChange, AlarmRow, CommandRow, Stamp


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
    """Return each occurrence of an alarm, by its start. ``rows`` are in the order of their stamps.

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


_ALARMS = {one.value for one in (*Trip, *Advisory)}
MOST_ACTIONS = 4
"""Most actions shown for one alarm; the log has all of them."""


@dataclass(frozen=True, slots=True)
class Incident:
    """One occurrence of one alarm."""

    alarm: AlarmId
    raised_ms: int | None
    """None if it was raised before the report begins."""
    cleared_ms: int | None
    """When its cause ended; the alarm may still be unacknowledged or latched."""
    ended_ms: int | None
    """None while it is active."""
    acknowledged_ms: int | None
    acknowledged_by: str
    first_out: bool
    actions: tuple[str, ...]
    """Commands that people sent while it was active and that were accepted."""

    @property
    def trip(self) -> bool:
        """Whether this alarm is a trip, which shuts the valve."""
        return isinstance(self.alarm, Trip)

    def active_ms(self, start_ms: int, end_ms: int) -> int:
        """Return the time for which it was active within the report."""
        return (self.ended_ms or end_ms) - (self.raised_ms or start_ms)


@dataclass(frozen=True, slots=True)
class Tally:
    """All occurrences of one alarm."""

    alarm: AlarmId
    count: int
    active_ms: int
    longest_ms: int


def incidents(rows: Iterable[AlarmRow], commands: Sequence[CommandRow]) -> list[Incident]:
    """Find the alarms of one reservoir.

    Args:
        rows: Its alarm rows, in order.
        commands: Its commands.

    Returns:
        The alarms in the order in which they were raised.
    """
    found = []
    for life in alarm_lives(rows):
        raised_ms, ended_ms = _ms(life.raised), _ms(life.ended)
        actions = [
            f"{row.what} by {row.sender}" if row.sender else row.what
            for row in commands
            if row.accepted
            and row.stamp.utc_ms >= (raised_ms or 0)
            and (ended_ms is None or row.stamp.utc_ms <= ended_ms)
            and _concerns(row.what, life.alarm)
        ]
        actions = list(dict.fromkeys(actions))
        if len(actions) > MOST_ACTIONS:
            actions = [*actions[: MOST_ACTIONS - 1], f"and {len(actions) - MOST_ACTIONS + 1} more"]
        found.append(
            Incident(
                life.alarm,
                raised_ms,
                _ms(life.cleared),
                ended_ms,
                _ms(life.acknowledged),
                life.acknowledged_by,
                life.first_out,
                tuple(actions),
            )
        )
    return found


def _concerns(what: str, alarm: AlarmId) -> bool:
    """Return whether a command can concern this alarm.

    A command that names another alarm does not, nor does a reset of an alarm that does not latch.
    """
    words = what.split()
    named = [word for word in words if word in _ALARMS]
    if named:
        return str(alarm.value) in named
    return words[0] != "reset" or isinstance(alarm, Trip)


def tallies(found: Iterable[Incident], start_ms: int, end_ms: int) -> list[Tally]:
    """Return one tally for each alarm: trips first, then by count."""
    by_alarm: dict[AlarmId, list[int]] = {}
    for one in found:
        by_alarm.setdefault(one.alarm, []).append(one.active_ms(start_ms, end_ms))
    found_tallies = [Tally(alarm, len(times), sum(times), max(times)) for alarm, times in by_alarm.items()]
    return sorted(
        found_tallies, key=lambda one: (not isinstance(one.alarm, Trip), -one.count, one.alarm.value)
    )


def _ms(stamp: Stamp | None) -> int | None:
    return None if stamp is None else stamp.utc_ms
