"""Simulates the grower, who visits after an alarm, repairs, measures, changes cartridges and resets.

A visit has two parts. In the first part, the grower repairs all faults and ends the hold. Some minutes later,
the level has settled and the link is steady. The grower then sends a hand sample of the reservoir, and
acknowledges and resets every trip. The grower repeats a refused reset a few times.
"""

import random
from collections.abc import Callable

from bridge.guard.commands import (
    Acknowledge,
    CartridgeChanged,
    GuardCommand,
    Hold,
    ReservoirSample,
    Reset,
    Retest,
)
from bridge.guard.model import Trip
from bridge.rig.faults import CURED_BY_CARTRIDGE, Fault, FaultName
from bridge.rig.rig import Rig
from bridge.rig.weather import DAY_S
from bridge.station.station import Station

SETTLES_S = 180.0
_AGAIN_S = 300.0
_MOST_TRIES = 5
_HAND_METER = 0.02
_WORN = 0.85
_NAME = "grower"

Send = Callable[[GuardCommand], str | None]


class Grower:
    """One person with a hand meter; mutable. Times are line seconds."""

    def __init__(self, seed: str, rig: Rig, send: Send, inject: Callable[[Fault], None]) -> None:
        """Create a grower. The seed determines the times of the visits and the errors of the meter."""
        self._chance = random.Random(f"{seed}/grower")
        self._rig = rig
        self._send = send
        self._inject = inject
        self._visit_at: float | None = None
        self._finish_at: float | None = None
        self._tries = 0
        self._look_at = self._next_look(0.0)

    @property
    def next_s(self) -> float:
        """The time of the grower's next action."""
        moments = [at for at in (self._visit_at, self._finish_at, self._look_at) if at is not None]
        return min(moments)

    def alarmed(self, now_s: float, *, brutal: bool) -> None:
        """Plan a visit some hours after an alarm."""
        if self._visit_at is None:
            wait_s = (
                self._chance.uniform(600.0, 3 * 3600.0) if brutal else self._chance.uniform(0.05, 1.5) * DAY_S
            )
            self._visit_at = now_s + wait_s

    def act(self, now_s: float, station: Station | None, clock: Callable[[], float]) -> None:
        """Do the actions that are due. While no bridge runs, the second part of a visit is tried again."""
        if self._look_at <= now_s:
            self._look_at = self._next_look(now_s)
            self._look_after_cartridge(station, clock)
        if self._visit_at is not None and self._visit_at <= now_s:
            self._visit_at = None
            self._repair(station, clock)
            self._tries = 0
            self._finish_at = now_s + SETTLES_S
        if self._finish_at is not None and self._finish_at <= now_s:
            self._finish_at = None
            if station is None or not self._finish(station, clock):
                self._tries += 1
                if self._tries < _MOST_TRIES:
                    self._finish_at = now_s + _AGAIN_S

    def _next_look(self, now_s: float) -> float:
        return (now_s // DAY_S + 1.0) * DAY_S + self._chance.uniform(9.0, 17.0) * 3600.0

    def _look_after_cartridge(self, station: Station | None, clock: Callable[[], float]) -> None:
        if self._rig.world.purifier.load_fraction >= _WORN:
            self._change(station, clock)

    def _change(self, station: Station | None, clock: Callable[[], float]) -> None:
        self._rig.world.change_cartridge()
        if station is not None:
            self._send(CartridgeChanged(clock(), _NAME))

    def _repair(self, station: Station | None, clock: Callable[[], float]) -> None:
        world = self._rig.world
        active = set(world.plan.active)
        for name in active - CURED_BY_CARTRIDGE:
            world.repair(name)
        if FaultName.SELF_TEST_FAILED in active:
            # Only a restart makes the controller test itself again.
            self._inject(Fault(FaultName.CONTROLLER_RESET, world.time_s, world.time_s + 2.0))
        latched = set() if station is None else {latch.trip for latch in station.state.latches}
        worn = bool(active & CURED_BY_CARTRIDGE) or world.purifier.load_fraction >= _WORN
        if worn:
            self._change(station, clock)
        elif Trip.PRODUCT_OVER_LIMIT in latched:
            # The grower measures the flushed product of a sound cartridge with the hand meter.
            self._send(Retest(clock(), _NAME, 2.0))
        if station is not None and station.state.hold:
            self._send(Hold(clock(), _NAME, False))

    def _finish(self, station: Station, clock: Callable[[], float]) -> bool:
        """Measure, acknowledge and reset. Returns True if no trip is left."""
        reservoir = self._rig.world.reservoir
        if reservoir.ppm >= 45.0:
            # The water is unfit for the plants. The grower pumps it onto the lawn and measures the rest.
            self._rig.world.draw(max(1.0, reservoir.volume_l), flow_l_min=60.0)
        self._send(ReservoirSample(clock(), _NAME, reservoir.ppm * self._chance.gauss(1.0, _HAND_METER)))
        self._send(Acknowledge(clock(), _NAME, None))
        if station.state.latches:
            self._send(Reset(clock(), _NAME, None))
        return not station.state.latches
