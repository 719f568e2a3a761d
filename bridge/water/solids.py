"""Dissolved solids in ppm from the conductivity at 25 °C, and the verdict on water for bog plants.

A meter does not weigh the dissolved solids. Its "ppm" is the conductivity at 25 °C times a chosen factor. A
limit and a reading can be compared only on the same scale, so every value in ppm has its scale.
"""

import math
from enum import Enum

from bridge.errors import OutOfRangeError

SMALLEST_FACTOR = 0.3
LARGEST_FACTOR = 1.5
LIMIT_PPM = 50.0
"""Water at or over this is unfit for bog plants (common practice, no source)."""
TARGET_PPM = 25.0
"""Water under this is better (common practice, no source)."""


class Scale(Enum):
    """The scales that pocket meters use most (common practice, no source)."""

    HALF = 0.5
    """About right for sodium chloride."""
    SEVEN_TENTHS = 0.7
    """About right for many tap waters."""

    @property
    def factor(self) -> float:
        """The factor, in ppm for each µS/cm at 25 °C."""
        return self.value

    @property
    def label(self) -> str:
        """The scale in words, as printed beside a value."""
        return scale_label(self.value)


def scale_label(factor: float) -> str:
    """Return the scale in words, as printed beside every value in ppm."""
    return f"{factor:g} ppm per µS/cm at 25 °C"


def checked_factor(factor: float) -> float:
    """Return the factor, in ppm for each µS/cm at 25 °C, if it is valid.

    Raises:
        OutOfRangeError: If the factor is outside 0.3 to 1.5, the range of natural waters.
    """
    if not SMALLEST_FACTOR <= factor <= LARGEST_FACTOR:
        raise OutOfRangeError(
            f"the factor {factor} does not convert conductivity to dissolved solids; it must lie between "
            f"{SMALLEST_FACTOR} and {LARGEST_FACTOR} ppm per µS/cm, and 0.5 and 0.7 are common"
        )
    return factor


def dissolved_solids_ppm(conductivity_25_us_cm: float, factor: float) -> float:
    """Return the dissolved solids in ppm on the scale of ``factor``, from the conductivity at 25 °C in µS/cm.

    Raises:
        OutOfRangeError: If the factor is outside 0.3 to 1.5.
    """
    return checked_factor(factor) * conductivity_25_us_cm


def on_other_scale(ppm: float, from_factor: float, to_factor: float) -> float:
    """Convert ppm from one scale to another: divide by one factor and multiply by the other.

    Raises:
        OutOfRangeError: If a factor is outside 0.3 to 1.5.
    """
    return ppm / checked_factor(from_factor) * checked_factor(to_factor)


class Verdict(Enum):
    """Whether water is fit for bog plants, by its dissolved solids alone."""

    SUITABLE = "suitable"
    MARGINAL = "marginal"
    UNSUITABLE = "unsuitable"


def default_target_ppm(limit_ppm: float) -> float:
    """Return the target in ppm that belongs to a limit: 25, or half the limit if 25 would be above it."""
    return TARGET_PPM if limit_ppm >= TARGET_PPM else 0.5 * limit_ppm


def judge(
    ppm: float, guard_band_ppm: float, limit_ppm: float = LIMIT_PPM, target_ppm: float = TARGET_PPM
) -> Verdict:
    """Return the verdict on a reading with a guard band, both in ppm on the scale of the limit.

    Guarded acceptance as in JCGM 106:2012: the guard band is added to the reading before the comparison.
    Water at or over the limit is unsuitable, at or over the target marginal, below the target suitable. With
    a guard band of zero this is simple acceptance.

    Raises:
        OutOfRangeError: If a value is not a finite number, the guard band is negative, or the target is not
            between 0 and the limit.
    """
    if not 0.0 <= target_ppm <= limit_ppm < math.inf:
        raise OutOfRangeError(
            f"a target of {target_ppm} ppm does not fit a limit of {limit_ppm} ppm; it must lie between 0 "
            "and the limit"
        )
    if not (math.isfinite(ppm) and 0.0 <= guard_band_ppm < math.inf):
        raise OutOfRangeError(
            f"no verdict on {ppm} ppm with a guard band of {guard_band_ppm} ppm; both must be finite "
            "numbers and the guard band zero or more"
        )
    at_worst_ppm = ppm + guard_band_ppm
    if at_worst_ppm >= limit_ppm:
        return Verdict.UNSUITABLE
    return Verdict.MARGINAL if at_worst_ppm >= target_ppm else Verdict.SUITABLE
