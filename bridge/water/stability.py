"""When has a cell in a standard solution settled? When its readings have stopped moving for long enough.

The window is cut into four quarters. How far the reading moved is the difference between the highest and the
lowest of the quarters' means, so that noise from reading to reading does not count as movement and a slow
drift does.
"""

import math
from collections import deque
from dataclasses import dataclass

QUARTERS = 4


@dataclass(frozen=True, slots=True)
class Criterion:
    """What counts as settled: less movement than this over the window. Common practice, no source."""

    window_s: float = 60.0
    conductance_percent: float = 0.2
    temperature_k: float = 0.1


@dataclass(frozen=True, slots=True)
class Settled:
    """Readings that have settled, as their means."""

    conductance_us: float
    temperature_c: float
    readings: int
    mean_uncertainty_percent: float
    """Standard uncertainty of the mean conductance, from the scatter of the readings alone."""


@dataclass(frozen=True, slots=True)
class Movement:
    """How far the readings moved within the window, or within as much of it as there is yet."""

    seconds: float
    conductance_percent: float
    temperature_k: float


class Settling:
    """Takes readings, oldest first, and says when they have settled; mutable."""

    def __init__(self, criterion: Criterion | None = None) -> None:
        self.criterion = criterion or Criterion()
        self._seen: deque[tuple[float, float, float]] = deque()
        self._whole = False

    def take(self, now_s: float, conductance_us: float | None, temperature_c: float | None) -> None:
        """One reading, in µS and °C; one without a value begins the wait anew."""
        if conductance_us is None or temperature_c is None:
            self._seen.clear()
            self._whole = False
            return
        seen = self._seen
        seen.append((now_s, conductance_us, temperature_c))
        while now_s - seen[0][0] > self.criterion.window_s:
            self._whole = True
            seen.popleft()

    @property
    def movement(self) -> Movement | None:
        """None as long as there are too few readings to tell."""
        if len(self._seen) < 2 * QUARTERS:
            return None
        began_s, ended_s = self._seen[0][0], self._seen[-1][0]
        quarters: list[list[tuple[float, float]]] = [[] for _ in range(QUARTERS)]
        for at_s, us, c in self._seen:
            part = QUARTERS * (at_s - began_s) / max(ended_s - began_s, 1e-9)
            quarters[min(int(part), QUARTERS - 1)].append((us, c))
        if not all(quarters):
            return None
        us_means = [math.fsum(us for us, _ in quarter) / len(quarter) for quarter in quarters]
        c_means = [math.fsum(c for _, c in quarter) / len(quarter) for quarter in quarters]
        middle_us = math.fsum(us_means) / QUARTERS
        percent = 100.0 * (max(us_means) - min(us_means)) / middle_us if middle_us > 0.0 else math.inf
        return Movement(ended_s - began_s, percent, max(c_means) - min(c_means))

    @property
    def settled(self) -> Settled | None:
        """The means, once the readings have kept still for the whole window."""
        moved = self.movement
        wanted = self.criterion
        if not self._whole or moved is None:
            return None
        if (
            moved.conductance_percent > wanted.conductance_percent
            or moved.temperature_k > wanted.temperature_k
        ):
            return None
        count = len(self._seen)
        mean_us = math.fsum(us for _, us, _ in self._seen) / count
        mean_c = math.fsum(c for _, _, c in self._seen) / count
        variance = math.fsum((us - mean_us) ** 2 for _, us, _ in self._seen) / (count - 1)
        return Settled(mean_us, mean_c, count, 100.0 * math.sqrt(variance / count) / mean_us)
