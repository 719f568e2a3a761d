"""The verdict on water for bog plants, with a guard band."""

import math
from enum import Enum

from bridge.errors import OutOfRangeError

LIMIT_PPM = 50.0
"""Water at or over this is unfit for bog plants (common practice, no source)."""
TARGET_PPM = 25.0
"""Water under this is better (common practice, no source)."""


class Verdict(Enum):
    """Whether water is fit for bog plants, by its dissolved solids alone."""

    SUITABLE = "suitable"
    MARGINAL = "marginal"
    UNSUITABLE = "unsuitable"


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
