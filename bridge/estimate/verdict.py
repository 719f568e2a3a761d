"""The verdict on water for bog plants, with its decision rule.

The rule is guarded acceptance of JCGM 106:2012, 8.3: water is accepted only if its value and the expanded
uncertainty (k = 2) together are below the limit. With a normal distribution the probability that accepted
water is at or over the limit is then at most 2.3 %. Water that is not accepted is one of two things:

* ``unsuitable``: its value is at or over the limit, or so near that the measurement cannot show otherwise;
* ``unknown``: its value is below the limit, but its uncertainty is more than half of the limit. Such a value
  shows nothing. A sample does.

The reservoir and the product each have a line of their own. Water that stands in the purifier is not what the
plants get, so it is not judged.
"""

import math
from dataclasses import dataclass
from enum import Enum

from bridge.errors import OutOfRangeError

LIMIT_PPM = 50.0
"""Water at or over this is unfit for bog plants (common practice, no source)."""
TARGET_PPM = 25.0
"""Water under this is better (common practice, no source)."""
COVERAGE_FACTOR = 2.0
SMALLEST_EXPANDED_PPM = 0.1
"""No interval is narrower than this, because no water in air keeps its value better."""
TOO_WIDE = 0.5
"""An expanded uncertainty above this share of the limit cannot show that water is unfit."""


class Verdict(Enum):
    """Whether water is fit for bog plants, by its dissolved solids alone."""

    SUITABLE = "suitable"
    MARGINAL = "marginal"
    UNSUITABLE = "unsuitable"
    UNKNOWN = "unknown"


class ProductLine(Enum):
    """The state of the product, apart from the water in the reservoir."""

    FLOWING = "flowing"
    """Product flows and is below the limit."""
    STANDING = "standing"
    """No water flows. What the cell reads is the water in the purifier, and it is not judged."""
    OVER_LIMIT = "over-limit"
    FAILED = "failed"
    """No sound value."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict with the value and the probability behind it."""

    verdict: Verdict
    ppm: float | None
    expanded_ppm: float | None
    """Expanded uncertainty, k = 2."""
    over_limit_probability: float | None
    """The probability that the water is at or over the limit. None without a value."""


def default_target_ppm(limit_ppm: float) -> float:
    """Return the target in ppm that belongs to a limit: 25, or half the limit if 25 would be above it."""
    return TARGET_PPM if limit_ppm >= TARGET_PPM else 0.5 * limit_ppm


def judge(
    ppm: float, guard_band_ppm: float, limit_ppm: float = LIMIT_PPM, target_ppm: float = TARGET_PPM
) -> Verdict:
    """Return the verdict on a reading with a guard band, both in ppm on the scale of the limit.

    Guarded acceptance as in JCGM 106:2012: the guard band is added to the reading before the comparison.
    Water at or over the limit is unsuitable, at or over the target marginal, below the target suitable. With
    a guard band of zero this is simple acceptance. The verdict is never ``unknown``: a single reading that
    does not pass is refused.

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


def decide(
    ppm: float, expanded_ppm: float, limit_ppm: float = LIMIT_PPM, target_ppm: float = TARGET_PPM
) -> Judgement:
    """Return the judgement on an estimate, by the rule at the top of this file.

    Args:
        ppm: the best estimate, on the scale of the limit.
        expanded_ppm: its expanded uncertainty, k = 2.
        limit_ppm: water at or over this is unfit.
        target_ppm: water below this is suitable.

    Raises:
        OutOfRangeError: As for :func:`judge`.
    """
    band_ppm = max(expanded_ppm, SMALLEST_EXPANDED_PPM)
    verdict = judge(ppm, band_ppm, limit_ppm, target_ppm)
    if verdict is Verdict.UNSUITABLE and ppm < limit_ppm and band_ppm > TOO_WIDE * limit_ppm:
        verdict = Verdict.UNKNOWN
    return Judgement(verdict, ppm, band_ppm, over_limit_probability(ppm, band_ppm, limit_ppm))


def over_limit_probability(ppm: float, expanded_ppm: float, limit_ppm: float) -> float:
    """Return the probability that the true value is at or over the limit, with a normal distribution."""
    z = COVERAGE_FACTOR * (limit_ppm - ppm) / max(expanded_ppm, SMALLEST_EXPANDED_PPM)
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def passes(ppm: float, expanded_ppm: float, limit_ppm: float = LIMIT_PPM) -> bool:
    """Return whether a value is accepted as below the limit: a retest, or a fill of a new cartridge."""
    return judge(ppm, max(expanded_ppm, SMALLEST_EXPANDED_PPM), limit_ppm, limit_ppm) is not (
        Verdict.UNSUITABLE
    )


def product_line(
    ppm: float | None, expanded_ppm: float, *, flowing: bool, limit_ppm: float = LIMIT_PPM
) -> ProductLine:
    """Return the state of the product.

    Args:
        ppm: the product. None if its probe has failed.
        expanded_ppm: its expanded uncertainty.
        flowing: True if product flows past its cell and the rinse is over.
        limit_ppm: the limit.
    """
    if ppm is None:
        return ProductLine.FAILED
    if not flowing:
        return ProductLine.STANDING
    return ProductLine.FLOWING if passes(ppm, expanded_ppm, limit_ppm) else ProductLine.OVER_LIMIT
