"""Which readings are worth a write of their own between two hourly blocks.

A commit costs the card at least one block, and a reading comes every second: committing each would write
thirty million blocks a year. Committing only what moved keeps, in a power cut, every series within its
band of the truth up to the last second, and loses only the fine detail since the last block.
"""

from dataclasses import dataclass

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
_BANDS = tuple((int(series), band.absolute, band.relative) for series, band in BANDS.items())

Marked = tuple[int, int, int, list[float]]
"""What is remembered of a reading: path, health, UTC in ms, and its series with NaN for none."""


def moved(marked: Marked, now: Marked, still_ms: float) -> bool:
    """Whether ``now`` must be committed although ``marked`` is: a path, a health, a value present or absent
    or out of its band, or ``still_ms`` without a mark (which show that the bridge was alive)."""
    was_path, was_health, was_ms, was = marked
    path, health, utc_ms, numbers = now
    if was_path != path or was_health != health or utc_ms - was_ms >= still_ms:
        return True
    for series, absolute, relative in _BANDS:
        old, new = was[series], numbers[series]
        change = new - old
        # Asked first, for so it is nearly always.
        if -absolute <= change <= absolute:
            continue
        if change != change:
            if (old == old) != (new == new):
                return True
        elif abs(change) > max(absolute, relative * max(abs(old), abs(new))):
            return True
    return False
