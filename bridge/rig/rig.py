"""World, controller and line as one thing: bytes in, bytes out, under the clock of the line.

Two times. The *line* has its own seconds: leases, readings and lags count in them, since they are
promised to the bridge in its seconds. The *world* runs ``speed`` times as fast: water, weather and the
windows of faults. With ``speed`` 1, as in virtual time, they are the same. A lease of 4 s therefore ends
4 line seconds later at every speed, while ``speed`` times 4 world seconds of water flow.

What the line does to bytes on their way: nothing, or noise, a cut, a lag; one object for each way.
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


class Line:
    """One direction of the line; mutable, as late bytes wait in it. Times are seconds of the line's clock."""

    def __init__(self, seed: str) -> None:
        """The seed gives the chance of the noise."""
        self._chance = random.Random(seed)
        self._late: list[tuple[float, bytes]] = []

    @property
    def next_arrival_s(self) -> float:
        """When the next late bytes arrive; infinite if none wait."""
        return self._late[0][0] if self._late else float("inf")

    def carry(self, data: bytes, now_s: float, plan: FaultPlan) -> bytes:
        """Put bytes in (or none) and take out what has arrived by now."""
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
            # A line never lets bytes overtake each other: what follows waits behind what is late.
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
    """A simulated rig at the far end of a line; mutable, without a clock and without I/O."""

    def __init__(self, world: World, controller: Controller | None = None, speed: float = 1.0) -> None:
        """Power the controller on at line time 0.

        Raises:
            OutOfRangeError: the speed is not a number above 0.
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
        """Bytes from the bridge arrive now; returns what arrives at the bridge at this moment."""
        self._react()
        return self._to_bridge.carry(self._exchange(data), self.line_s, self.world.plan)

    def advance(self, to_line_s: float) -> bytes:
        """Let time go on to ``to_line_s``; returns what arrives at the bridge until then.

        Every change of an output falls on its exact moment, however long the step is. Of the readings
        that would have been due on the way, at most one is sent, at the end.
        """
        arrived: list[bytes] = []
        if self.world.plan.active is not self._plan_seen:
            # A fault that was injected since: it may be over before this step is.
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

    def longest_step_s(self, at_most_s: float = LONGEST_STEP_S, undriven_s: float = FINE_STEP_S) -> float:
        """How long the next step may be, in line seconds, if the bridge stays silent in it.

        ``at_most_s`` while nothing moves; ``undriven_s`` while water moves that no output drives (a draw-off,
        a leak), which a bridge that has nothing in hand may look at less often; :data:`FINE_STEP_S` while
        the controller is not at rest or bytes are on their way; never beyond the next event of the world.
        The tests show that a finer step changes no outcome.
        """
        controller = self.controller
        world = self.world
        event_s = (world.next_event_s - world.time_s) / self.speed
        at_rest = (
            controller.state is State.SHUT
            and not controller.clearing
            and self._to_bridge.next_arrival_s == math.inf
            and self._to_controller.next_arrival_s == math.inf
        )
        longest_s = FINE_STEP_S
        if at_rest:
            longest_s = at_most_s if world.is_quiet else min(undriven_s, at_most_s)
        return max(1e-3, min(longest_s, event_s))

    def _run_to(self, line_s: float) -> None:
        """Let the world run until ``line_s`` or until the controller must look at something sooner."""
        world_to_s = self._world_start_s + line_s * self.speed
        reached_s = self.world.step(world_to_s)
        if reached_s >= world_to_s:
            self.line_s = line_s
        else:
            self.line_s = max(self.line_s, (reached_s - self._world_start_s) / self.speed)

    def _react(self) -> None:
        """Let the controller look at the world, and the valve follow it."""
        world = self.world
        if world.plan.active is not self._plan_seen:
            self._plan_seen = world.plan.active
            names = frozenset(world.plan.active)
            self._restart_for(names - self._faults_seen, self._faults_seen - names)
            self._faults_seen = names
        self.controller.watch(self.line_s, world.overflow_up, FaultName.VOLTAGE_LOW in world.plan.active)
        world.drive(self.controller.path)

    def _restart_for(self, begun: frozenset[FaultName], ended: frozenset[FaultName]) -> None:
        self_test_ok = FaultName.SELF_TEST_FAILED not in self._plan_seen if self._plan_seen else True
        if FaultName.CONTROLLER_RESET in begun:
            # The reset line is down until the fault ends; then the board boots anew.
            self.controller.reset(self.line_s, BootReason.RESET_PIN, self_test_ok, held_s=math.inf)
        elif FaultName.CONTROLLER_RESET in ended:
            self.controller.reset(self.line_s, BootReason.RESET_PIN, self_test_ok)
        elif FaultName.SELF_TEST_FAILED in begun:
            self.controller.reset(self.line_s, BootReason.WATCHDOG, self_test_ok=False)

    def _exchange(self, data: bytes) -> bytes:
        """Carry bytes to the controller, let it act, and take what it says."""
        heard = self._to_controller.carry(data, self.line_s, self.world.plan)
        if heard:
            self.controller.receive(heard, self.line_s)
            self.world.drive(self.controller.path)
        return self.controller.take()
