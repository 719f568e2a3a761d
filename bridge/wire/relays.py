"""The relays on a Modbus RTU line, and the lease that runs on this side of the cable. Shell.

A lease is written to a relay that has a time limit of its own as that time, anew with each renewal; the timer
here comes a little later, as a second line. Any other relay is switched on, and off when the lease is over.
A relay that does not confirm counts as open until it does.
"""

import asyncio
import math

from bridge.wire.messages import Lease, Path
from bridge.wire.questions import Questions
from bridge.wire.registers import Function, ModbusMap, Relay

LONGEST_LEASE_MS = 30_000
_SECOND_LINE_S = 0.5


class Relays:
    """The valve, and the drain where there is one."""

    def __init__(self, plan: ModbusMap) -> None:
        self._plan = plan
        self._granted = Path.SHUT
        self._until = 0.0
        self._lapsed = False

    @property
    def lapsed(self) -> bool:
        """Whether the timer on this side had to shut, and no lease was granted since."""
        return self._lapsed

    @property
    def over_at(self) -> float:
        """When the lease is over, on the loop's clock; infinity while none runs."""
        return math.inf if self._granted is Path.SHUT else self._until

    def begin(self) -> None:
        """Forget the lease of an earlier session."""
        self._granted = Path.SHUT

    async def grant(self, line: Questions, lease: Lease, overflow_up: bool) -> str | None:
        """Carry a lease out; what keeps it from being carried out, with every relay shut, or None."""
        relay = self._relay(lease.path)
        if relay is None:
            await self.shut(line)
            return "nodrain"
        if overflow_up:
            await self.shut(line)
            return "overflow"
        if self._granted not in (Path.SHUT, lease.path) and not await self.shut(line):
            return "relay"
        seconds = min(lease.duration_ms, LONGEST_LEASE_MS) / 1000.0
        # Counted from before the write: never longer than granted.
        until = asyncio.get_running_loop().time() + seconds
        if relay.time_limit_register is not None:
            until += _SECOND_LINE_S
            steps = max(1, int(seconds / relay.time_limit_step_s))
            done = await line.write(relay.device, relay.time_limit_register, steps)
        elif self._granted is lease.path:
            done = True
        else:
            done = await line.write(relay.device, relay.coil, True)
        if not done:
            # A write without an answer may have been carried out all the same.
            await self.shut(line)
            return "relay"
        self._granted, self._until, self._lapsed = lease.path, until, False
        return None

    async def shut(self, line: Questions) -> bool:
        """Switch every relay off; False when one did not confirm it."""
        confirmed = True
        for relay in (self._plan.valve, self._plan.drain):
            if relay is not None:
                confirmed = await line.write(relay.device, relay.coil, False) and confirmed
        if confirmed:
            self._granted = Path.SHUT
        return confirmed

    async def shut_when_over(self, line: Questions) -> None:
        """Shut if a lease has run out."""
        if asyncio.get_running_loop().time() >= self.over_at:
            self._lapsed = await self.shut(line) or self._lapsed

    async def driven(self, line: Questions) -> Path | None:
        """Where water goes, as the relays themselves say; None when one says nothing."""
        states = {}
        for path in (Path.FILL, Path.DRAIN):
            relay = self._relay(path)
            if relay is not None:
                states[path] = await line.bit(relay.device, Function.COIL, relay.coil)
        if None in states.values():
            return None
        opened = [path for path, on in states.items() if on]
        return opened[0] if opened else Path.SHUT

    async def agreed(self, line: Questions, path: Path, overflow_up: bool) -> Path:
        """Bring what is granted and what is driven together; where water goes after that."""
        if path is Path.SHUT:
            if self._granted is not Path.SHUT and self._has_time_limit(self._granted):
                # The module's own time limit came first, as it should.
                self._granted = Path.SHUT
            return path
        if self._granted is Path.SHUT or overflow_up:
            return Path.SHUT if await self.shut(line) else path
        return path

    def _has_time_limit(self, path: Path) -> bool:
        relay = self._relay(path)
        return relay is not None and relay.time_limit_register is not None

    def _relay(self, path: Path) -> Relay | None:
        return self._plan.valve if path is Path.FILL else self._plan.drain
