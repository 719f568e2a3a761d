"""Converts a station's scan to the rows of the log. Core."""

from collections.abc import Callable, Iterator

from bridge.estimate.verdict import judge
from bridge.forecast.learner import was_exhausted
from bridge.guard.alarms import Status
from bridge.guard.commands import CartridgeChanged, GuardCommand, ReservoirSample, Retest, words_of
from bridge.guard.faults import FAULTS
from bridge.guard.state import AlarmChanged, Latched, Unlatched
from bridge.history.records import (
    AlarmChange,
    AlarmRow,
    CartridgeRow,
    CommandRow,
    EntryRow,
    ReadingRow,
    SampleRow,
    Stamp,
)
from bridge.station.inventory import holding
from bridge.station.plan import StationPlan
from bridge.station.station import Turn
from bridge.station.view import level_health
from bridge.water.health import Health

Stamper = Callable[[], Stamp]


def reading_row(plan: StationPlan, turn: Turn, stamp: Stamp) -> ReadingRow:
    """Return the row of a scan that took a reading."""
    picture = turn.picture
    if picture is None:
        return ReadingRow(stamp, plan.identity.reservoir, health=Health.FAILURE)
    measured, accounts = picture.product.measurement, turn.memory.inventory
    # Positional arguments are faster than names, and this call runs for every reading.
    return ReadingRow(
        stamp,
        plan.identity.reservoir,
        None if measured is None else measured.conductance_us,
        picture.assessment.temperature_c,
        None if measured is None else measured.conductivity_25_us_cm,
        picture.assessment.product_ppm,
        None if measured is None else measured.expanded_uncertainty_ppm,
        picture.feed_ppm,
        picture.level.volume_l,
        holding(accounts),
        accounts.load.treated_l,
        turn.state.flow,
        max(picture.product.health, picture.feed.health, level_health(picture.level)),
    )


def entry_rows(plan: StationPlan, turn: Turn, stamp: Stamper) -> Iterator[EntryRow]:
    """Yield the rows of a scan's command, trips and alarms, in the order in which they happened."""
    name, command = plan.identity.reservoir, turn.command
    sender = "" if command is None else command.sender
    if command is not None:
        yield from _command_rows(plan, turn, command, stamp)
    firsts = {event.trip for event in turn.decision.events if isinstance(event, Latched) and event.first_out}
    for event in turn.decision.events:
        match event:
            case Unlatched(trip=trip, by=by):
                yield AlarmRow(stamp(), name, trip, AlarmChange.RESET, FAULTS[trip].sentence, by)
            case AlarmChanged(alarm=alarm):
                change = alarm_change(event)
                by = sender if change in _BY_PEOPLE else ""
                first = change is AlarmChange.RAISED and alarm in firsts
                yield AlarmRow(stamp(), name, alarm, change, FAULTS[alarm].sentence, by, first)


_BY_PEOPLE = {AlarmChange.ACKNOWLEDGED, AlarmChange.SHELVED, AlarmChange.UNSHELVED}


def alarm_change(event: AlarmChanged) -> AlarmChange:
    """Return the kind of change of an alarm's record."""
    before, after = Status(event.before), Status(event.after)
    if before is after:
        return AlarmChange.SHELVED if event.shelved else AlarmChange.UNSHELVED
    match after:
        case Status.NORMAL:
            return AlarmChange.CLEARED
        case Status.UNACKNOWLEDGED:
            return AlarmChange.RAISED
        case Status.ACKNOWLEDGED:
            return AlarmChange.ACKNOWLEDGED
        case Status.LATCHED_ACKNOWLEDGED if before is not Status.ACKNOWLEDGED:
            return AlarmChange.ACKNOWLEDGED
        case _:
            return AlarmChange.CLEARED_UNACKNOWLEDGED


def _command_rows(plan: StationPlan, turn: Turn, command: GuardCommand, stamp: Stamper) -> Iterator[EntryRow]:
    name, reply = plan.identity.reservoir, turn.decision.replies[0]
    refusal = "" if reply.accepted else reply.sentence
    yield CommandRow(stamp(), name, words_of(command), command.sender, reply.accepted, refusal)
    if not reply.accepted:
        return
    match command:
        case CartridgeChanged():
            load = turn.memory.inventory.load
            yield CartridgeRow(
                stamp(), name, "", load.treated_l, load.taken_up_g, command.sender, was_exhausted(plan, turn)
            )
        case Retest(ppm=ppm):
            yield _sample(plan, stamp(), "product", ppm)
        case ReservoirSample(ppm=ppm):
            yield _sample(plan, stamp(), "reservoir", ppm)


def _sample(plan: StationPlan, stamp: Stamp, of: str, ppm: float) -> SampleRow:
    identity = plan.identity
    return SampleRow(
        stamp,
        identity.reservoir,
        of,
        conductivity_25_us_cm=ppm / identity.factor,
        dissolved_solids_ppm=ppm,
        uncertainty_ppm=0.0,
        factor=identity.factor,
        temperature_c=None,
        method="off",
        verdict=judge(ppm, 0.0, identity.limit_ppm, identity.target_ppm).value,
        note="sent by hand, without its uncertainty",
    )
