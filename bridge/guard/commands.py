"""What a person may ask of the guard, as values; whoever carries them checked their form already."""

from dataclasses import dataclass

from bridge.guard.model import AlarmId, Trip


@dataclass(frozen=True, slots=True)
class Command:
    """The common part: when it was received (monotonic seconds) and who sent it."""

    received_at: float
    sender: str


@dataclass(frozen=True, slots=True)
class Hold(Command):
    """Keep the valve shut until the hold is lifted (``on`` false)."""

    on: bool


@dataclass(frozen=True, slots=True)
class StartFill(Command):
    """Fill to the mark now although the level is above the refill mark."""


@dataclass(frozen=True, slots=True)
class Acknowledge(Command):
    """Somebody has seen the alarm; None means every alarm."""

    alarm: AlarmId | None


@dataclass(frozen=True, slots=True)
class Reset(Command):
    """Take back a latched trip whose own rule is met; None means every one whose rule is met."""

    trip: Trip | None


@dataclass(frozen=True, slots=True)
class Shelve(Command):
    """Keep an alarm silent for a time; it never shelves a trip's effect on the valve. Zero ends it."""

    alarm: AlarmId
    minutes: float


@dataclass(frozen=True, slots=True)
class CartridgeChanged(Command):
    """A new cartridge or membrane is in."""


@dataclass(frozen=True, slots=True)
class Retest(Command):
    """Product water was measured by hand: this many ppm, on the scale the limit is on."""

    ppm: float


@dataclass(frozen=True, slots=True)
class ReservoirSample(Command):
    """The reservoir was measured by hand: this many ppm, on the scale the limit is on."""

    ppm: float


GuardCommand = Hold | StartFill | Acknowledge | Reset | Shelve | CartridgeChanged | Retest | ReservoirSample
