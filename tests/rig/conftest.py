"""A small bridge for the tests: it uses the real protocol and sends only what the test asks for."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TypeVar

import pytest

from bridge.guard.model import Flow
from bridge.protocol.codec import Decoder, Direction, encode
from bridge.protocol.messages import (
    Ack,
    Close,
    FromBridge,
    FromController,
    Hello,
    Identify,
    Lease,
    Reading,
    Refusal,
)
from bridge.rig.controller import Controller
from bridge.rig.faults import parse_fault
from bridge.rig.rig import Rig
from bridge.rig.scenario import POLYTUNNEL_WITH_DRAIN, Scenario
from bridge.rig.world import World

M = TypeVar("M")


@dataclass
class Bench:
    """A rig in virtual time with a bridge that keeps all received messages."""

    rig: Rig
    heard: list[FromController] = field(default_factory=list)
    damaged: int = 0
    _decoder: Decoder[FromController] = field(default_factory=lambda: Decoder(Direction.TO_BRIDGE))
    _sequence: int = 100

    @property
    def world(self) -> World:
        return self.rig.world

    def _hear(self, data: bytes) -> None:
        for event in self._decoder.feed(data):
            if isinstance(event, Hello | Reading | Ack | Refusal):
                self.heard.append(event)
            else:
                self.damaged += 1

    def send(self, message: FromBridge) -> None:
        self._hear(self.rig.receive(encode(message)))

    def next_sequence(self) -> int:
        self._sequence += 1
        return self._sequence

    def lease(self, path: Flow = Flow.TO_RESERVOIR, ms: int = 4000) -> int:
        sequence = self.next_sequence()
        self.send(Lease(sequence, path, ms))
        return sequence

    def close(self) -> int:
        sequence = self.next_sequence()
        self.send(Close(sequence))
        return sequence

    def identify(self) -> None:
        self.send(Identify(self.next_sequence()))

    def wait(self, seconds: float, step_s: float = 0.1) -> None:
        """Advances line time; the bridge sends nothing."""
        end_s = self.rig.line_s + seconds
        while self.rig.line_s < end_s:
            self._hear(self.rig.advance(min(end_s, self.rig.line_s + step_s)))

    def keep_open(self, seconds: float, path: Flow = Flow.TO_RESERVOIR, step_s: float = 1.0) -> None:
        """Renews a lease of 4 s in every step."""
        end_s = self.rig.line_s + seconds
        while self.rig.line_s < end_s:
            self.lease(path)
            self.wait(min(step_s, end_s - self.rig.line_s), step_s)

    def last(self, kind: type[M]) -> M:
        """Returns the newest message of this class."""
        return [message for message in self.heard if isinstance(message, kind)][-1]

    @property
    def reading(self) -> Reading:
        return self.last(Reading)

    def readings(self) -> list[Reading]:
        return [message for message in self.heard if isinstance(message, Reading)]


MakeBench = Callable[..., Bench]


@pytest.fixture
def make_bench() -> MakeBench:
    """Returns a maker of booted benches: ``make_bench("probe-dry@10", speed=2.0, start_fraction=0.3)``."""

    def make(
        *faults: str,
        scenario: Scenario = POLYTUNNEL_WITH_DRAIN,
        seed: int = 1,
        speed: float = 1.0,
        start_fraction: float | None = None,
        booted: bool = True,
    ) -> Bench:
        if start_fraction is not None:
            scenario = replace(scenario, barrel=replace(scenario.barrel, start_fraction=start_fraction))
        world = World(scenario, seed, [parse_fault(text) for text in faults])
        bench = Bench(Rig(world, Controller(scenario.fittings.features), speed))
        if booted:
            bench.wait(1.0)
        return bench

    return make
