"""A guard in normal conditions, for tests that run a scenario step by step."""

from dataclasses import replace
from typing import Any

from bridge.guard.commands import GuardCommand
from bridge.guard.limits import Limits
from bridge.guard.model import Assessment, Flow, Permissive, Phase, Trip
from bridge.guard.state import Decision, GuardState, Latched, begin
from bridge.guard.step import step
from bridge.tank.level import Zone
from bridge.water.health import Health

CALM = Assessment(
    frame_at=0.0,
    product_ppm=5.0,
    guard_band_ppm=0.5,
    probe=Health.GOOD,
    temperature_c=18.0,
    zone=Zone.LOW,
    volume_l=60.0,
    volume_at_least_l=58.0,
    overflow=False,
    reservoir_ppm=6.0,
    seen=Flow.SHUT,
)
"""A low reservoir, a pure product, no fault."""


class GuardRun:
    """Steps a guard once a second and keeps its decisions and trips."""

    def __init__(self, limits: Limits | None = None, **seen: Any) -> None:
        self.limits = limits or Limits()
        self.now = 1000.0
        self.state: GuardState = begin(self.now)
        self.seen = replace(CALM, **seen)
        self.decision: Decision | None = None
        self.trips: list[Trip] = []

    def step(
        self, *commands: GuardCommand, seconds: float = 1.0, fresh: bool = True, **seen: Any
    ) -> Decision:
        """Runs one step in which some values of the assessment are new."""
        self.now += seconds
        self.seen = replace(self.seen, **seen)
        if fresh:
            self.seen = replace(self.seen, frame_at=self.now)
        self.state, self.decision = step(self.limits, self.state, self.seen, commands, self.now)
        self.seen = replace(self.seen, seen=self.decision.flow)
        self.trips += [event.trip for event in self.decision.events if isinstance(event, Latched)]
        return self.decision

    def pass_time(self, seconds: float, *, fresh: bool = True, **seen: Any) -> Decision:
        """Runs many steps of one second."""
        decision = self.step(fresh=fresh, **seen)
        for _ in range(int(seconds) - 1):
            decision = self.step(fresh=fresh)
        return decision

    def fill(self) -> Decision:
        """Runs steps until the phase is FILL."""
        for _ in range(200):
            decision = self.step()
            if self.state.phase is Phase.FILL:
                return decision
        raise AssertionError(f"no fill began; missing {decision.missing}, phase {self.state.phase}")

    @property
    def phase(self) -> Phase:
        return self.state.phase

    @property
    def missing(self) -> set[Permissive]:
        assert self.decision is not None
        return set(self.decision.missing)

    @property
    def latched(self) -> set[Trip]:
        return {latch.trip for latch in self.state.latches}
