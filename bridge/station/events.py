"""The events of a station, in words for the log and for people. Core."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from bridge.estimate.watch import Doubt
from bridge.guard.commands import GuardCommand, words_of
from bridge.guard.faults import FAULTS, phase_sentence
from bridge.guard.model import Trip
from bridge.guard.state import AlarmChanged, Decision, GuardEvent, Latched, PhaseChanged
from bridge.station.view import alarm_sentence


class Level(Enum):
    """The severity of an event."""

    INFO = "info"
    WARNING = "warning"
    ERROR = "error"


@dataclass(frozen=True, slots=True)
class StationEvent:
    """An event, for the log and for people."""

    reservoir: str
    id: str
    level: Level
    sentence: str
    guard: GuardEvent | None = None


def events_of(
    reservoir: str, decision: Decision, command: GuardCommand | None, doubts: tuple[Doubt, ...]
) -> Iterator[StationEvent]:
    """Yield the events of a scan in words.

    Args:
        reservoir: The id of the reservoir.
        decision: The decision of the scan.
        command: The command that it answered, if there was one.
        doubts: What the watch over the cell doubts, for the alarm about it.
    """
    for event in decision.events:
        identity, level, sentence = _in_words(event, decision, doubts)
        yield StationEvent(reservoir, identity, level, sentence, event)
    if command is not None:
        reply = decision.replies[0]
        yield StationEvent(
            reservoir,
            "command-obeyed" if reply.accepted else "command-refused",
            Level.INFO if reply.accepted else Level.WARNING,
            f'The command "{words_of(command)}" from {command.sender}: {reply.sentence}',
        )


def _in_words(event: GuardEvent, decision: Decision, doubts: tuple[Doubt, ...]) -> tuple[str, Level, str]:
    match event:
        case Latched(trip=trip, first_out=first):
            order = "First-out: " if first else ""
            return trip.value, Level.ERROR, f"{order}{FAULTS[trip].sentence}"
        case PhaseChanged(before=before, after=after):
            return "phase", Level.INFO, phase_sentence(before, after, decision.missing)
        case AlarmChanged(alarm=alarm, before=before_, after=after_, shelved=shelved) if before_ == after_:
            now = "is shelved" if shelved else "is no longer shelved"
            return alarm.value, Level.INFO, f"The alarm {alarm.value} {now}; it is {after_}."
        case AlarmChanged(alarm=alarm, before=before_, after=after_, shelved=shelved):
            shown = " and shelved" if shelved else ""
            sentence = f"The alarm {alarm.value} went from {before_} to {after_}{shown}."
            if not isinstance(alarm, Trip) and after_ == "unacknowledged":
                sentence = f"{sentence} {alarm_sentence(alarm, doubts)}"
            return alarm.value, Level.WARNING, sentence
        case _:
            return event.trip.value, Level.INFO, f"The trip was reset by {event.by}."
