"""Dissolved solids in ppm from the conductivity at 25 °C, and the verdict on water for bog plants.

What a meter shows as "ppm" is no weighing: it is the conductivity at 25 °C times a factor that somebody
chose. A limit and a reading can be compared only on the same scale, so the scale is always part of the
figure.
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
        """ppm for each µS/cm at 25 °C."""
        return self.value

    @property
    def label(self) -> str:
        """How the scale is written beside a figure."""
        return scale_label(self.value)


def scale_label(factor: float) -> str:
    """The scale in words, to stand beside every figure in ppm."""
    return f"{factor:g} ppm per µS/cm at 25 °C"


def checked_factor(factor: float) -> float:
    """The factor itself, ppm for each µS/cm at 25 °C.

    Raises :class:`OutOfRangeError` outside 0.3 to 1.5, where no natural water lies.
    """
    if not SMALLEST_FACTOR <= factor <= LARGEST_FACTOR:
        raise OutOfRangeError(
            f"the factor {factor} is not one from conductivity to dissolved solids; it must lie between "
            f"{SMALLEST_FACTOR} and {LARGEST_FACTOR} ppm per µS/cm, and 0.5 and 0.7 are common"
        )
    return factor


def dissolved_solids_ppm(conductivity_25_us_cm: float, factor: float) -> float:
    """Dissolved solids in ppm on the scale of ``factor``, from the conductivity at 25 °C in µS/cm.

    Raises :class:`OutOfRangeError` for a factor outside 0.3 to 1.5.
    """
    return checked_factor(factor) * conductivity_25_us_cm


def on_other_scale(ppm: float, from_factor: float, to_factor: float) -> float:
    """The same water's figure on another scale: ppm divided by one factor and multiplied by the other.

    Raises :class:`OutOfRangeError` for a factor outside 0.3 to 1.5.
    """
    return ppm / checked_factor(from_factor) * checked_factor(to_factor)


class Verdict(Enum):
    """Whether water is fit for bog plants, by its dissolved solids alone."""

    SUITABLE = "suitable"
    MARGINAL = "marginal"
    UNSUITABLE = "unsuitable"


def judge(
    ppm: float, guard_band_ppm: float, limit_ppm: float = LIMIT_PPM, target_ppm: float = TARGET_PPM
) -> Verdict:
    """The verdict on a reading with a guard band, both in ppm on the limit's own scale.

    Guarded acceptance as in JCGM 106:2012: what is compared is reading plus guard band, so doubt counts
    against the water. At or over the limit it is unsuitable; else at or over the target it is marginal;
    below, suitable. With a guard band of zero this is simple acceptance.

    Raises :class:`OutOfRangeError` when a value is no finite number, the guard band is negative, or the
    target is not between 0 and the limit.
    """
    if not 0.0 <= target_ppm <= limit_ppm < math.inf:
        raise OutOfRangeError(
            f"an target of {target_ppm} ppm does not fit a limit of {limit_ppm} ppm; it must lie between 0 "
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
