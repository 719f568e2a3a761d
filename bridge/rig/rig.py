"""World, controller and line together: bytes in, bytes out, under the clock of the line. Core.

There are two times. *Line* seconds are the bridge's seconds: leases, readings and lags are measured in them.
The *world* runs ``speed`` times as fast: water, weather and the windows of faults. With ``speed`` 1, as in
virtual time, both are equal. So a lease of 4 s ends 4 line seconds later at every speed, and water flows for
``speed`` times 4 world seconds.

Each direction of the line is one object, which can add noise, a cut or a lag.
"""

import math
import random

from bridge.errors import OutOfRangeError
from bridge.protocol.messages import BootReason
from bridge.rig.controller import Controller, State
from bridge.rig.faults import Fault, FaultName, FaultPlan
from bridge.rig.world import World

_DAMAGED_FRACTION = 0.005
_LAG_S = 2.0
_SLOW, _SLOWEST = 0.02, 0.025
"""The protocol's line bears a baud error of 2.5 %. The clock that counts the bits counts the lease, too."""


class Line:
    """One direction of the line with its late bytes; mutable. Times are line seconds."""

    def __init__(self, seed: str) -> None:
        """Start without late bytes.

        Args:
            seed: Seed of the noise.
        """
        self._chance = random.Random(seed)
        self._late: list[tuple[float, bytes]] = []

    @property
    def next_arrival_s(self) -> float:
        """When the next late bytes arrive; infinite if none wait."""
        return self._late[0][0] if self._late else float("inf")

    def carry(self, data: bytes, now_s: float, plan: FaultPlan) -> bytes:
        """Send bytes, or none, and return the bytes that have arrived by now."""
        if not plan.active and not self._late:
            return data
        if FaultName.LINK_CUT in plan.active:
            self._late.clear()
            return b""
        if data:
            noise = plan.severity(FaultName.LINK_NOISE)
            if noise:
                data = self._damage(data, min(1.0, _DAMAGED_FRACTION * noise))
            lag_s = _LAG_S * plan.severity(FaultName.LINK_LAG)
            # Bytes keep their order, so later bytes wait behind late ones.
            behind_s = self._late[-1][0] if self._late else now_s
            self._late.append((max(now_s + lag_s, behind_s), data))
        arrived = b""
        while self._late and self._late[0][0] <= now_s:
            arrived += self._late.pop(0)[1]
        return arrived

    def _damage(self, data: bytes, fraction: float) -> bytes:
        chance = self._chance
        damaged = bytearray()
        for byte in data:
            if chance.random() >= fraction:
                damaged.append(byte)
                continue
            kind = chance.randrange(4)
            if kind < 2:
                damaged.append(byte ^ (1 << chance.randrange(8)))
            elif kind == 2:
                damaged += bytes((byte, chance.randrange(256)))
            # The fourth kind loses the byte.
        return bytes(damaged)


FINE_STEP_S = 1.0
LONGEST_STEP_S = 60.0


class Rig:
    """A simulated rig at the far end of a line; mutable, without a clock and I/O."""

    def __init__(self, world: World, controller: Controller | None = None, speed: float = 1.0) -> None:
        """Power the controller on at line time 0.

        Args:
            world: The world.
            controller: The controller; a new one with the scenario's features by default.
            speed: World seconds for each line second.

        Raises:
            OutOfRangeError: The speed is not a number above 0.
        """
        if not 0.0 < speed < math.inf:
            raise OutOfRangeError(f"speed {speed}: it must be a number above 0 (1 is real time)")
        self.world = world
        self.controller = controller or Controller(world.scenario.fittings.features)
        self.speed = speed
        self.line_s = 0.0
        self._world_start_s = world.time_s
        self._to_controller = Line(f"{world.seed}/line/down")
        self._to_bridge = Line(f"{world.seed}/line/up")
        self._faults_seen: frozenset[FaultName] = frozenset()
        self._plan_seen: dict[FaultName, Fault] | None = None
        self._react()

    def receive(self, data: bytes) -> bytes:
        """Receive bytes from the bridge now, and return the bytes that arrive at the bridge now."""
        self._react()
        return self._to_bridge.carry(self._exchange(data), self.line_s, self.world.plan)

    def advance(self, to_line_s: float) -> bytes:
        """Advance time to ``to_line_s`` and return the bytes that arrive at the bridge until then.

        Every output changes at its exact time, however long the step is. Of the readings due within the step
        at most one is sent, at its end.
        """
        arrived: list[bytes] = []
        if self.world.plan.active is not self._plan_seen:
            # A fault injected since the last step may end within this one.
            self._react()
        while self.line_s < to_line_s:
            due_s = max(self.line_s, min(self.controller.next_due_s, self._to_controller.next_arrival_s))
            self._run_to(min(to_line_s, due_s))
            self._react()
            assert self.controller.next_due_s > self.line_s, "the controller slept through its own time"
            data = self._exchange(b"")
            if data:
                arrived.append(self._to_bridge.carry(data, self.line_s, self.world.plan))
        controller = self.controller
        if controller.next_reading_s <= self.line_s and controller.state is not State.BOOT:
            controller.report(self.line_s, self.world.measure())
        arrived.append(self._to_bridge.carry(controller.take(), self.line_s, self.world.plan))
        return b"".join(arrived)

    @property
    def is_silent(self) -> bool:
        """Whether the controller has booted and no late bytes are in transit."""
        return (
            self.controller.state is State.SHUT
            and not self.controller.clearing
            and self._to_bridge.next_arrival_s == math.inf
            and self._to_controller.next_arrival_s == math.inf
        )

    def longest_step_s(self, at_most_s: float = LONGEST_STEP_S, undriven_s: float = FINE_STEP_S) -> float:
        """Return the longest next step if the bridge sends nothing in it.

        It never passes the next event of the world, and it is :data:`FINE_STEP_S` while the controller is not
        idle or bytes are in transit. The tests show that a finer step changes no outcome.

        Args:
            at_most_s: The step while no water moves, line seconds.
            undriven_s: The step while water moves without an output, as a draw-off or a leak does.

        Returns:
            The step, line seconds.
        """
        world = self.world
        event_s = (world.next_event_s - world.time_s) / self.speed
        longest_s = FINE_STEP_S
        if self.is_silent:
            longest_s = at_most_s if world.is_quiet else min(undriven_s, at_most_s)
        return max(1e-3, min(longest_s, event_s))

    def _run_to(self, line_s: float) -> None:
        """Run the world until ``line_s``, or until an earlier event that the controller must see."""
        world_to_s = self._world_start_s + line_s * self.speed
        reached_s = self.world.step(world_to_s)
        if reached_s >= world_to_s:
            self.line_s = line_s
        else:
            self.line_s = max(self.line_s, (reached_s - self._world_start_s) / self.speed)

    def _react(self) -> None:
        """Show the controller its inputs, and drive the valve after its outputs."""
        world = self.world
        if world.plan.active is not self._plan_seen:
            self._plan_seen = world.plan.active
            names = frozenset(world.plan.active)
            self._restart_for(names - self._faults_seen, self._faults_seen - names)
            self._faults_seen = names
            slow = _SLOW * world.plan.severity(FaultName.CONTROLLER_CLOCK_SLOW)
            self.controller.second_s = 1.0 + min(slow, _SLOWEST)
        self.controller.watch(self.line_s, world.overflow_up, FaultName.VOLTAGE_LOW in world.plan.active)
        world.drive(self.controller.path)

    def _restart_for(self, begun: frozenset[FaultName], ended: frozenset[FaultName]) -> None:
        self_test_ok = FaultName.SELF_TEST_FAILED not in self._plan_seen if self._plan_seen else True
        if FaultName.CONTROLLER_RESET in begun:
            # The reset line is down until the fault ends; then the board boots.
            self.controller.reset(self.line_s, BootReason.RESET_PIN, self_test_ok, held_s=math.inf)
        elif FaultName.CONTROLLER_RESET in ended:
            self.controller.reset(self.line_s, BootReason.RESET_PIN, self_test_ok)
        elif FaultName.SELF_TEST_FAILED in begun:
            self.controller.reset(self.line_s, BootReason.WATCHDOG, self_test_ok=False)

    def _exchange(self, data: bytes) -> bytes:
        """Carry bytes to the controller, and return the bytes that it sends."""
        arrived = self._to_controller.carry(data, self.line_s, self.world.plan)
        if arrived:
            self.controller.receive(arrived, self.line_s)
            self.world.drive(self.controller.path)
        return self.controller.take()
