"""Where the log has no reading: what the report cannot know. Core."""

from collections.abc import Iterable
from dataclasses import dataclass

from bridge.history.rollup import HOUR_MS


@dataclass(frozen=True, slots=True)
class Gap:
    """Whole hours without a reading."""

    start_ms: int
    end_ms: int

    @property
    def hours(self) -> float:
        """How many."""
        return (self.end_ms - self.start_ms) / HOUR_MS


def gaps(hours_ms: Iterable[int], start_ms: int, end_ms: int) -> list[Gap]:
    """The stretches of at least an hour, from start to end, that no hour covers.

    :param hours_ms: the start of each hour with a reading, in order.
    """
    found = []
    covered_ms = start_ms
    for at_ms in hours_ms:
        if at_ms - covered_ms >= HOUR_MS:
            found.append(Gap(covered_ms, at_ms))
        covered_ms = max(covered_ms, at_ms + HOUR_MS)
    if end_ms - covered_ms >= HOUR_MS:
        found.append(Gap(covered_ms, end_ms))
    return found
