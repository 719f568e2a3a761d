"""Somebody at the hub who presses everything, at random and at the worst moments.

The commands may be lies (a cartridge that was not changed, a sample that was not taken) and may be stale.
None of them may open the valve against a permissive, whoever sends them.
"""

import random

from bridge.guard.commands import (
    Acknowledge,
    CartridgeChanged,
    GuardCommand,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
    Shelve,
    StartFill,
)
from bridge.guard.model import Advisory, Phase, Trip
from bridge.station.station import Station

_NAME = "hub"
_ALARMS = (*Trip, *Advisory)


class HubHand:
    """Draws commands; mutable."""

    def __init__(self, seed: str) -> None:
        """The seed gives what is pressed, and when."""
        self._chance = random.Random(f"{seed}/hub")

    def any_command(self, now: float) -> GuardCommand:
        """One command, whatever the moment."""
        chance = self._chance
        at = now - 60.0 if chance.random() < 0.1 else now
        match chance.randrange(9):
            case 0:
                return Hold(at, _NAME, chance.random() < 0.3)
            case 1:
                return StartFill(at, _NAME)
            case 2:
                return Acknowledge(at, _NAME, chance.choice((None, *_ALARMS)))
            case 3:
                return Reset(at, _NAME, chance.choice((None, None, *Trip)))
            case 4:
                return Shelve(at, _NAME, chance.choice(_ALARMS), chance.uniform(0.0, 2000.0))
            case 5:
                return CartridgeChanged(at, _NAME)
            case 6:
                return Retest(at, _NAME, chance.uniform(0.0, 80.0))
            case 7:
                return ReservoirSample(at, _NAME, 60.0 * chance.random() ** 3)
            case _:
                return Hold(at, _NAME, False)

    def at_the_worst_moment(self, station: Station, tripped: bool, now: float) -> list[GuardCommand]:
        """What is pressed right after a trip, in a rinse or in a pause: mostly nothing."""
        chance = self._chance
        if tripped and chance.random() < 0.5:
            return [CartridgeChanged(now, _NAME), Reset(now, _NAME, None), StartFill(now, _NAME)]
        phase = station.state.phase
        if phase is Phase.RINSE and chance.random() < 0.01:
            return [Hold(now, _NAME, True), Hold(now, _NAME, False), StartFill(now, _NAME)]
        if phase is Phase.PAUSE and chance.random() < 0.02:
            return [StartFill(now, _NAME), Retest(now, _NAME, 1.0), Reset(now, _NAME, None)]
        return []
