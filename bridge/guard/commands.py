"""The commands that a person can send to the guard, and their execution.

Each command is executed whole, or refused whole with a sentence. Its form was checked before.

No command can open the valve. A command changes the state, and the check of the permissives comes after it.
"""

import math
from dataclasses import dataclass, replace
from enum import Enum

from bridge.guard import alarms
from bridge.guard.limits import Moment
from bridge.guard.model import AlarmId, Trip
from bridge.guard.rules import ACTIVE, obstacle
from bridge.guard.state import GuardEvent, GuardState, Unlatched
from bridge.tank.level import Zone


@dataclass(frozen=True, slots=True)
class Command:
    """The part that all commands share: the time of receipt (monotonic seconds) and the sender."""

    received_at: float
    sender: str


@dataclass(frozen=True, slots=True)
class Hold(Command):
    """Keep the valve shut until the hold is cancelled (``on`` false)."""

    on: bool


@dataclass(frozen=True, slots=True)
class StartFill(Command):
    """Fill to the fill mark now, although the level is above the refill mark."""


@dataclass(frozen=True, slots=True)
class Acknowledge(Command):
    """Acknowledge an alarm. None means every alarm."""

    alarm: AlarmId | None


@dataclass(frozen=True, slots=True)
class Reset(Command):
    """Reset a latched trip if its reset rule is met. None means every such trip."""

    trip: Trip | None


@dataclass(frozen=True, slots=True)
class Shelve(Command):
    """Suppress an alarm for a time; 0 minutes ends this. A shelved trip still keeps the valve shut."""

    alarm: AlarmId
    minutes: float


@dataclass(frozen=True, slots=True)
class CartridgeChanged(Command):
    """Record that a new cartridge or membrane is fitted."""


@dataclass(frozen=True, slots=True)
class HandAccuracy:
    """How far a hand measurement can be from the truth. Standard uncertainties (k = 1) in ppm."""

    meter: str
    """The id of the meter."""
    common_ppm: float
    """What all measurements with this meter share."""
    own_ppm: float
    """What belongs to this measurement alone."""
    below_resolution: bool = False
    """True if the meter showed 0."""

    @property
    def expanded_ppm(self) -> float:
        """Expanded uncertainty (k = 2)."""
        return 2.0 * math.hypot(self.common_ppm, self.own_ppm)


@dataclass(frozen=True, slots=True)
class Retest(Command):
    """Record a hand measurement of the product, in ppm on the scale of the limit."""

    ppm: float
    accuracy: HandAccuracy | None = None
    """None: that of the meter in the plan."""


@dataclass(frozen=True, slots=True)
class ReservoirSample(Command):
    """Record a hand measurement of the reservoir, in ppm on the scale of the limit."""

    ppm: float
    accuracy: HandAccuracy | None = None
    """None: that of the meter in the plan."""


class WeatherQuantity(Enum):
    """A quantity of the weather that the hub may send. The value is its word and its unit."""

    TEMPERATURE = ("temperature", "°C")
    HUMIDITY = ("humidity", "%")
    RADIATION = ("radiation", "W/m²")
    WIND = ("wind", "m/s")
    RAIN = ("rain", "mm")

    @property
    def word(self) -> str:
        """The word in topics and in the log."""
        return self.value[0]

    @property
    def unit(self) -> str:
        """The unit."""
        return self.value[1]


@dataclass(frozen=True, slots=True)
class WeatherReport(Command):
    """Record the weather, for the trays. It changes nothing else."""

    quantity: WeatherQuantity
    measured: float


GuardCommand = (
    Hold
    | StartFill
    | Acknowledge
    | Reset
    | Shelve
    | CartridgeChanged
    | Retest
    | ReservoirSample
    | WeatherReport
)


SAMPLE_WORDS = "reservoir sample"
"""The first words of a :class:`ReservoirSample` in the log. There they show that the sample was used."""


def words_of(command: GuardCommand) -> str:
    """Return a command in a few words for people and the log, such as ``shelve overflow for 30 min``."""
    match command:
        case Hold(on=on):
            return "hold on" if on else "hold off"
        case StartFill():
            return "start fill"
        case Acknowledge(alarm=alarm):
            return "acknowledge all" if alarm is None else f"acknowledge {alarm.value}"
        case Reset(trip=trip):
            return "reset all" if trip is None else f"reset {trip.value}"
        case Shelve(alarm=shelved, minutes=minutes):
            return f"shelve {shelved.value} for {minutes:g} min"
        case CartridgeChanged():
            return "cartridge changed"
        case Retest(ppm=ppm):
            return f"retest of {ppm:g} ppm"
        case ReservoirSample(ppm=ppm):
            return f"{SAMPLE_WORDS} of {ppm:g} ppm"
        case WeatherReport(quantity=quantity, measured=measured):
            return f"weather {quantity.word} {measured:g} {quantity.unit}"


Outcome = tuple[GuardState, bool, str, tuple[GuardEvent, ...]]
"""The state after a command, whether the command was accepted, the reply, and the events that it caused."""


def execute(moment: Moment, state: GuardState, command: GuardCommand) -> Outcome:
    """Execute one command, or refuse it."""
    age_s = moment.now - command.received_at
    if not 0.0 <= age_s <= moment.limits.command_max_age_s:
        return _refused(state, f"the command is {age_s:.0f} s old; send it again if you still want it.")
    match command:
        case Hold(on=on):
            return _accepted(
                replace(state, hold=on), "filling is on hold." if on else "filling is no longer on hold."
            )
        case StartFill():
            return _start(moment, state)
        case Acknowledge(alarm=alarm):
            records, count = alarms.acknowledge(state.alarms, alarm, moment.now)
            if not count:
                which = "no alarm" if alarm is None else f"{alarm.value} is not an alarm that"
                return _refused(state, f"{which} waits to be acknowledged.")
            counted = "1 alarm is" if count == 1 else f"{count} alarms are"
            return _accepted(replace(state, alarms=records), f"{counted} acknowledged.")
        case Reset(trip=trip):
            return _reset(moment, state, trip, command.sender)
        case Shelve(alarm=alarm, minutes=minutes):
            return _shelve(moment, state, command, minutes)
        case CartridgeChanged():
            return _accepted(_remedied(state), "the cartridge change is recorded.")
        case Retest(ppm=ppm, accuracy=accuracy):
            limit_ppm = moment.limits.limit_ppm
            if not 0.0 <= ppm < limit_ppm:
                return _refused(
                    state, f"the retest of {ppm:g} ppm is not under the limit of {limit_ppm:g} ppm."
                )
            band_ppm = 0.0 if accuracy is None else accuracy.expanded_ppm
            # Guarded acceptance, as for the product: the meter may show less than the water has.
            if not ppm + band_ppm < limit_ppm:
                return _refused(
                    state,
                    f"the retest of {ppm:g} ppm ± {band_ppm:.2g} ppm (k = 2) does not show that the product "
                    f"is under the limit of {limit_ppm:g} ppm; measure with a better meter and name it "
                    "([meter.<id>], and 'meter' of the reservoir), or change the cartridge.",
                )
            return _accepted(_remedied(state), f"the retest of {ppm:g} ppm is recorded as passed.")
        case ReservoirSample(ppm=ppm):
            # The station owns the estimate of the reservoir. The next assessment has its result.
            if not 0.0 <= ppm < float("inf"):
                return _refused(
                    state, f"a reservoir of {ppm:g} ppm is impossible; send a number of 0 or more."
                )
            return _accepted(state, f"the reservoir sample of {ppm:g} ppm is recorded.")
        case WeatherReport(quantity=quantity, measured=measured):
            # Nothing of the guard depends on the weather; the row of the command is what the trays read.
            return _accepted(state, f"the {quantity.word} of {measured:g} {quantity.unit} is recorded.")


def unlatch(state: GuardState, trips: frozenset[Trip]) -> GuardState:
    """Return the state without these latched trips. The first-out stays until no trip is latched."""
    left = tuple(latch for latch in state.latches if latch.trip not in trips)
    return replace(state, latches=left, first_out=state.first_out if left else None)


def _accepted(state: GuardState, sentence: str, events: tuple[GuardEvent, ...] = ()) -> Outcome:
    return state, True, sentence, events


def _refused(state: GuardState, sentence: str) -> Outcome:
    return state, False, sentence, ()


def _start(moment: Moment, state: GuardState) -> Outcome:
    if state.latches:
        return _refused(state, f"no fill can start: {state.latches[0].trip.value} is latched.")
    if state.hold:
        return _refused(state, "no fill can start: filling is on hold.")
    if state.phase in ACTIVE:
        return _refused(state, "a fill is already running.")
    if moment.assessment.zone is Zone.FULL:
        return _refused(state, "no fill can start: the level is at the fill mark.")
    return _accepted(replace(state, wanted=True), "a fill starts as soon as every permissive holds.")


def _reset(moment: Moment, state: GuardState, trip: Trip | None, sender: str) -> Outcome:
    chosen = [latch for latch in state.latches if trip in (None, latch.trip)]
    if not chosen:
        return _refused(state, "no trip is latched." if trip is None else f"{trip.value} is not latched.")
    obstacles = {latch.trip: obstacle(moment, state, latch) for latch in chosen}
    free = frozenset(trip for trip, why in obstacles.items() if why is None)
    kept = " ".join(why for why in obstacles.values() if why is not None)
    if not free:
        return _refused(state, kept)
    names = ", ".join(latch.trip.value for latch in chosen if latch.trip in free)
    events = tuple(Unlatched(latch.trip, sender) for latch in chosen if latch.trip in free)
    return _accepted(unlatch(state, free), f"reset: {names}. {kept}".rstrip(), events)


def _shelve(moment: Moment, state: GuardState, command: Shelve, minutes: float) -> Outcome:
    longest = moment.limits.shelve_max_minutes
    if not 0.0 <= minutes <= longest:
        return _refused(state, f"an alarm can be shelved for 0 to {longest:g} minutes, not for {minutes:g}.")
    until = moment.now + 60.0 * minutes if minutes else None
    records = alarms.shelve(state.alarms, command.alarm, until, moment.now)
    done = f"shelved for {minutes:g} minutes" if minutes else "no longer shelved"
    return _accepted(replace(state, alarms=records), f"{command.alarm.value} is {done}.")


def _remedied(state: GuardState) -> GuardState:
    latches = tuple(
        replace(latch, remedied=True) if latch.trip is Trip.PRODUCT_OVER_LIMIT else latch
        for latch in state.latches
    )
    return replace(state, latches=latches)
