"""What the line does to bytes on their way: nothing, or noise, a cut, a lag; one object for each way."""

import random

from bridge.rig.faults import FaultName, FaultPlan

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
