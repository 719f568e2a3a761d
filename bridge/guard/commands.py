"""The commands that a person can send to the guard, as values. The sender has already checked their form."""

from dataclasses import dataclass

from bridge.guard.model import AlarmId, Trip


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
class Retest(Command):
    """Record a hand measurement of the product, in ppm on the scale of the limit."""

    ppm: float


@dataclass(frozen=True, slots=True)
class ReservoirSample(Command):
    """Record a hand measurement of the reservoir, in ppm on the scale of the limit."""

    ppm: float


GuardCommand = Hold | StartFill | Acknowledge | Reset | Shelve | CartridgeChanged | Retest | ReservoirSample


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
            return f"reservoir sample of {ppm:g} ppm"
