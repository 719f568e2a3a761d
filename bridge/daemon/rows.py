"""Converts a station's scan to the rows of the log, and makes their stamps. Core.

Every call of a :class:`RecordClock` gets two clocks: the monotonic clock, which measures durations, and the
wall clock, which shows the date but can be set. If the difference between the two changes by more than a
tolerance, the wall clock was stepped:

========================  =====================================================================
the wall clock            the stamps
========================  =====================================================================
runs ahead, up to a day   jump to it at once (a machine without a battery clock got its date)
runs ahead, more          follow the monotonic clock until the wall clock has kept its new time for
                          ``confirm_s``, then jump: a short false date has no effect
runs behind, up to 6 h    run at half speed until the wall clock has caught up
runs behind, more         follow the monotonic clock, so that durations stay right, and stay ahead of
                          the wall clock until it passes them
========================  =====================================================================

Every step is returned as a :class:`ClockStep`, for an event in the log.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from bridge.estimate.verdict import judge
from bridge.estimate.watch import doubts
from bridge.forecast.learner import was_exhausted
from bridge.guard.alarms import Status
from bridge.guard.commands import (
    CartridgeChanged,
    GuardCommand,
    HandAccuracy,
    ReservoirSample,
    Retest,
    words_of,
)
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
from bridge.station.inventory import holding, sample_of
from bridge.station.plan import StationPlan
from bridge.station.station import Turn
from bridge.station.view import alarm_sentence, level_health
from bridge.water.health import Health

SAMPLER = "a sample in the log"
"""The sender of a command with a sample that already has a row in the log."""
TOLERANCE_S = 1.5
"""A smaller change between two rows is the normal adjustment of a clock, not a step."""
FAR_AHEAD_S = 86_400.0
FAR_BEHIND_S = 6 * 3600.0


@dataclass(frozen=True, slots=True)
class ClockStep:
    """A step of the wall clock by ``seconds``; negative is backwards."""

    seconds: float
    behind_s: float
    """How far the wall clock is behind the stamps; negative if the stamps will follow it."""

    @property
    def sentence(self) -> str:
        """The step as a sentence for the log."""
        way = "forward" if self.seconds > 0 else "back"
        step = f"The clock was set {way} by {abs(self.seconds):.0f} s."
        if self.behind_s > FAR_BEHIND_S:
            return (
                f"{step} The log's times stay {self.behind_s:.0f} s ahead of it "
                "until it passes them, so that the order of the records does not change. If the old time was "
                "wrong, start a new log."
            )
        return f"{step} The order of the log is not affected."


class RecordClock:
    """Makes the stamps of one session.

    Args:
        boot: the number of the session.
        floor_utc_ms: the newest UTC in the log. The first stamp is later, whatever the wall clock shows.
        confirm_s: how long the wall clock must keep a date that is more than a day ahead.
    """

    def __init__(self, boot: int, floor_utc_ms: int = 0, *, confirm_s: float = 600.0) -> None:
        self.boot = boot
        self._confirm_s = confirm_s
        self._next_sequence = 0
        self._last_ms = floor_utc_ms
        self._utc_s: float | None = None
        self._offset_s = 0.0
        self._monotonic_s = 0.0
        self._doubted_since: float | None = None

    def stamp(self, monotonic_s: float, wall_s: float) -> tuple[Stamp, ClockStep | None]:
        """Return the stamp of a row that is made now, and the step of the wall clock since the last call.

        Args:
            monotonic_s: the monotonic clock. Never decreases.
            wall_s: the wall clock, in seconds since 1970.

        Returns:
            The stamp, and the step; None if there was none.
        """
        utc_ms, step = self.now_ms(monotonic_s, wall_s)
        return self.numbered(utc_ms), step

    def numbered(self, utc_ms: int) -> Stamp:
        """Return the next stamp, at a time that :meth:`now_ms` has just returned."""
        made = Stamp(self.boot, self._next_sequence, utc_ms)
        self._next_sequence += 1
        return made

    def now_ms(self, monotonic_s: float, wall_s: float) -> tuple[int, ClockStep | None]:
        """Return the UTC in milliseconds, later than every one before it, and the step as in :meth:`stamp`.

        Args:
            monotonic_s: the monotonic clock. Never decreases.
            wall_s: the wall clock, in seconds since 1970.
        """
        offset = wall_s - monotonic_s
        step: ClockStep | None = None
        if self._utc_s is None:
            floor_s = self._last_ms / 1000
            utc = max(wall_s, floor_s)
            if floor_s > wall_s + TOLERANCE_S:
                step = ClockStep(wall_s - floor_s, floor_s - wall_s)
        else:
            elapsed = monotonic_s - self._monotonic_s
            if elapsed < 0.0:
                elapsed = 0.0
            moved = offset - self._offset_s
            coasting = self._utc_s + elapsed
            stepped = not -TOLERANCE_S <= moved <= TOLERANCE_S
            if -FAR_BEHIND_S < wall_s - coasting <= FAR_AHEAD_S:
                self._doubted_since = None
                # Jumps if the wall clock is ahead; runs at half speed if it is behind.
                utc = max(wall_s, coasting - elapsed / 2)
            else:
                utc = self._coast(coasting, monotonic_s, wall_s, stepped)
            if stepped:
                step = ClockStep(moved, utc - wall_s)
        self._utc_s, self._offset_s = utc, offset
        if monotonic_s > self._monotonic_s:
            self._monotonic_s = monotonic_s
        # Strictly later than the last one, because time and name identify a record.
        self._last_ms = max(round(utc * 1000), self._last_ms + 1)
        return self._last_ms, step

    def _coast(self, coasting: float, monotonic_s: float, wall_s: float, stepped: bool) -> float:
        """Return the time if the wall clock is too far ahead or behind to follow at once."""
        if wall_s > coasting:
            if stepped or self._doubted_since is None:
                self._doubted_since = monotonic_s
            if monotonic_s - self._doubted_since < self._confirm_s:
                return coasting
            self._doubted_since = None
            return wall_s
        self._doubted_since = None
        return coasting


Stamper = Callable[[], Stamp]


def reading_row(plan: StationPlan, turn: Turn, stamp: Stamp) -> ReadingRow:
    """Return the row of a scan that took a reading."""
    picture = turn.picture
    if picture is None:
        return ReadingRow(stamp, plan.identity.reservoir, health=Health.FAILURE)
    measured, accounts = picture.product.measurement, turn.memory.inventory
    # Only the raw conductance of a failed probe is kept, as evidence. The rest would be no term of a mean.
    trusted = None if picture.assessment.product_ppm is None else measured
    # Positional arguments are faster than names, and this call runs for every reading.
    return ReadingRow(
        stamp,
        plan.identity.reservoir,
        None if measured is None else measured.conductance_us,
        picture.assessment.temperature_c,
        None if trusted is None else trusted.conductivity_25_us_cm,
        picture.assessment.product_ppm,
        None if trusted is None else picture.assessment.guard_band_ppm,
        picture.feed_ppm,
        picture.level.volume_l,
        holding(accounts),
        accounts.load.treated_l,
        turn.state.flow,
        max(picture.product.health, picture.check.health, picture.feed.health, level_health(picture.level)),
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
                sentence = alarm_sentence(alarm, doubts(turn.memory.inventory.watch))
                yield AlarmRow(stamp(), name, alarm, change, sentence, by, first)


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
    if reply.accepted and isinstance(command, Retest | ReservoirSample) and command.sender != SAMPLER:
        yield _sample_row(plan, turn, command, stamp())
    yield CommandRow(stamp(), name, words_of(command), command.sender, reply.accepted, refusal)
    if not reply.accepted:
        return
    match command:
        case CartridgeChanged():
            load = turn.memory.inventory.load
            yield CartridgeRow(
                stamp(), name, "", load.treated_l, load.taken_up_g, command.sender, was_exhausted(plan, turn)
            )


def accuracy_of(sample: SampleRow, factor: float) -> HandAccuracy | None:
    """Return the accuracy of a sample on the scale of a factor; None if its row has no meter."""
    if sample.meter_uncertainty_ppm is None:
        return None
    per_ppm = 0.5 * factor / sample.factor
    common_ppm, both_ppm = per_ppm * sample.meter_uncertainty_ppm, per_ppm * sample.uncertainty_ppm
    own_ppm = math.sqrt(max(both_ppm**2 - common_ppm**2, 0.0))
    return HandAccuracy(sample.meter, common_ppm, own_ppm, sample.below_resolution)


def _sample_row(plan: StationPlan, turn: Turn, command: Retest | ReservoirSample, stamp: Stamp) -> SampleRow:
    identity = plan.identity
    product_c = None if turn.picture is None else turn.picture.assessment.temperature_c
    sample = sample_of(plan, command.ppm, command.accuracy, product_c)
    expanded_ppm = 2.0 * math.hypot(sample.common_ppm, sample.own_ppm)
    return SampleRow(
        stamp,
        identity.reservoir,
        "product" if isinstance(command, Retest) else "reservoir",
        conductivity_25_us_cm=sample.ppm / identity.factor,
        dissolved_solids_ppm=sample.ppm,
        uncertainty_ppm=expanded_ppm,
        factor=identity.factor,
        temperature_c=None,
        method="off",
        verdict=judge(sample.ppm, expanded_ppm, identity.limit_ppm, identity.target_ppm).value,
        note=f"sent by {command.sender}",
        meter=sample.meter,
        meter_uncertainty_ppm=2.0 * sample.common_ppm,
        below_resolution=sample.below_resolution,
    )
