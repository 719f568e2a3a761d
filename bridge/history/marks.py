"""Which readings are worth a write of their own between two hourly blocks.

A commit costs the card at least one block, and a reading comes every second: committing each would write
thirty million blocks a year. Committing only what moved keeps, in a power cut, every series within its
band of the truth up to the last second, and loses only the fine detail since the last block.
"""

from dataclasses import dataclass

from bridge.history.pack import Measured
from bridge.history.records import Series


@dataclass(frozen=True, slots=True)
class Band:
    """A series has moved when it differs by more than both the absolute and the relative part."""

    absolute: float
    relative: float


BANDS: dict[Series, Band] = {
    Series.TEMPERATURE: Band(3.0, 0.0),
    Series.PRODUCT_PPM: Band(1.0, 0.25),
    Series.FEED_PPM: Band(20.0, 0.25),
    Series.VOLUME: Band(5.0, 0.05),
    Series.RESERVOIR_PPM: Band(1.0, 0.1),
    Series.THROUGHPUT: Band(10.0, 0.0),
}
"""The series a grower asks for after a failure. The others follow from these."""


def moved(marked: Measured | None, now: Measured, still_s: float) -> bool:
    """Whether ``now`` must be committed although ``marked`` is: a path, a health, a value present or absent
    or out of its band, or ``still_s`` seconds without a mark (which show that the bridge was alive)."""
    if marked is None or marked.path != now.path or marked.health != now.health:
        return True
    if now.utc_ms - marked.utc_ms >= still_s * 1000:
        return True
    for series, band in BANDS.items():
        old, new = marked.values[series], now.values[series]
        if old is None or new is None:
            if old is not new:
                return True
        elif abs(new - old) > max(band.absolute, band.relative * max(abs(old), abs(new))):
            return True
    return False
