"""Values that follow from others where nobody gave them."""

from bridge.water.solids import ADVICE_PPM


def usual_advice_ppm(limit_ppm: float) -> float:
    """The advice beside a limit, in ppm: 25, or half the limit where 25 would be over it."""
    return ADVICE_PPM if limit_ppm >= ADVICE_PPM else 0.5 * limit_ppm
