"""Alarms and trips: when, for how long, who acknowledged, and what was done. Core."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.guard.model import Advisory, AlarmId, Trip
from bridge.history.records import AlarmRow, CommandRow, Stamp
from bridge.report.alarm_history import alarm_lives

_ALARMS = {one.value for one in (*Trip, *Advisory)}
MOST_DONE = 4
"""So many deeds are told of one alarm; the log has them all."""


@dataclass(frozen=True, slots=True)
class Incident:
    """One occurrence of one alarm."""

    alarm: AlarmId
    raised_ms: int | None
    """None when it was raised before the report begins."""
    returned_ms: int | None
    """When its cause was gone."""
    ended_ms: int | None
    """None while it stands."""
    acknowledged_ms: int | None
    acknowledged_by: str
    first_out: bool
    done: tuple[str, ...]
    """What people asked for while it stood, and was accepted."""

    @property
    def trip(self) -> bool:
        """Whether it shut the valve."""
        return isinstance(self.alarm, Trip)

    def stood_ms(self, start_ms: int, end_ms: int) -> int:
        """How long it stood within the report."""
        return (self.ended_ms or end_ms) - (self.raised_ms or start_ms)


@dataclass(frozen=True, slots=True)
class Tally:
    """All occurrences of one alarm."""

    alarm: AlarmId
    count: int
    stood_ms: int
    longest_ms: int


def incidents(rows: Iterable[AlarmRow], commands: Sequence[CommandRow]) -> list[Incident]:
    """In the order in which they began.

    :param rows: of one reservoir, in order.
    :param commands: of the same one.
    """
    found = []
    for life in alarm_lives(rows):
        raised_ms, ended_ms = _ms(life.raised), _ms(life.ended)
        deeds = [
            f"{row.what} by {row.sender}" if row.sender else row.what
            for row in commands
            if row.accepted
            and row.stamp.utc_ms >= (raised_ms or 0)
            and (ended_ms is None or row.stamp.utc_ms <= ended_ms)
            and _concerns(row.what, life.alarm)
        ]
        deeds = list(dict.fromkeys(deeds))
        if len(deeds) > MOST_DONE:
            deeds = [*deeds[: MOST_DONE - 1], f"and {len(deeds) - MOST_DONE + 1} more"]
        found.append(
            Incident(
                life.alarm,
                raised_ms,
                _ms(life.returned),
                ended_ms,
                _ms(life.acknowledged),
                life.acknowledged_by,
                life.first_out,
                tuple(deeds),
            )
        )
    return found


def _concerns(what: str, alarm: AlarmId) -> bool:
    """Whether a command may have been about this alarm: not what names another one, and no reset of what does
    not latch."""
    name, _, about = what.partition(" ")
    if about in _ALARMS:
        return about == str(alarm.value)
    return name != "reset" or isinstance(alarm, Trip)


def tallies(found: Iterable[Incident], start_ms: int, end_ms: int) -> list[Tally]:
    """One for each alarm, trips first, the most frequent first."""
    by_alarm: dict[AlarmId, list[int]] = {}
    for one in found:
        by_alarm.setdefault(one.alarm, []).append(one.stood_ms(start_ms, end_ms))
    made = [Tally(alarm, len(times), sum(times), max(times)) for alarm, times in by_alarm.items()]
    return sorted(made, key=lambda one: (not isinstance(one.alarm, Trip), -one.count, one.alarm.value))


def _ms(stamp: Stamp | None) -> int | None:
    return None if stamp is None else stamp.utc_ms
