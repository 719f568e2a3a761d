"""What counts as a fault of a probe: the bounds and times of its diagnosis."""

import math
from dataclasses import dataclass

from bridge.errors import OutOfRangeError


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """What counts as a fault. The defaults are common practice, no source, for a product cell.

    Raises :class:`OutOfRangeError` for settings under which a check could never work.
    """

    over_range_us_cm: float = 5000.0
    floor_tolerance: float = 0.2
    """How far below the conductivity of pure water a reading may lie, as a fraction of it: covers the cell's
    calibration."""
    resolution_us_cm: float = 0.0
    """One step of the reading; half of it is allowed below the floor too. A reading of zero is always
    below."""
    lowest_c: float = -2.0
    highest_c: float = 60.0
    fault_codes_c: tuple[float, ...] = (-127.0, 85.0)
    """What digital sensors report when disconnected, and at power-on before they measured (common practice,
    no source)."""
    frozen_after_s: float = 900.0
    moved_k: float = 3.0
    """A conductance that stays the same although the temperature moved by this much is frozen."""
    noise_fraction: float = 0.1
    """A jump larger than this fraction of the reading counts as noise ..."""
    noise_us_cm: float = 0.05
    """... if it is also larger than this."""
    noise_readings: float = 16.0
    """About how many readings the judgement on noise remembers."""
    swapped_ratio: float = 1.5
    swapped_after_s: float = 120.0
    longest_gap_s: float = 10.0
    """A gap between readings counts as at most this long, so that an outage freezes nothing."""

    def __post_init__(self) -> None:
        sound = (
            0.0 < self.over_range_us_cm < math.inf
            and 0.0 <= self.floor_tolerance < 1.0
            and 0.0 <= self.resolution_us_cm < math.inf
            and -math.inf < self.lowest_c < self.highest_c < math.inf
            and self.frozen_after_s > 0.0
            and self.moved_k > 0.0
            and self.noise_fraction > 0.0
            and self.noise_us_cm >= 0.0
            and 2.0 <= self.noise_readings <= 10000.0
            and 1.0 <= self.swapped_ratio < math.inf
            and self.swapped_after_s >= 0.0
            and self.longest_gap_s > 0.0
        )
        if not sound:
            raise OutOfRangeError(
                f"these settings leave a probe unwatched: {self}; times, ratios and limits must be "
                "positive, the floor tolerance below 1, the lowest temperature below the highest, at "
                "least 2 readings of noise remembered"
            )
