"""What a purifier has taken up since it was new: the integral of (feed - product) over the volume treated.

The load is the one clock an exchange cartridge obeys: a hard feed ages it faster in litres, a pure feed
slower, and the grams it has taken up say how far along it is either way.
"""

import math
from dataclasses import dataclass

from bridge.errors import InputError, OutOfRangeError


@dataclass(frozen=True, slots=True)
class Load:
    """Litres treated and grams of dissolved solids taken up since the cartridge was new."""

    treated_l: float = 0.0
    taken_up_g: float = 0.0

    def __post_init__(self) -> None:
        if 0.0 <= self.treated_l < math.inf and 0.0 <= self.taken_up_g < math.inf:
            return
        if not (math.isfinite(self.treated_l) and self.treated_l >= 0.0):
            raise OutOfRangeError(f"Load: {self.treated_l} litres treated; it must be zero or more.")
        raise OutOfRangeError(f"Load: {self.taken_up_g} grams taken up; it must be zero or more.")

    @property
    def mean_uptake_ppm(self) -> float:
        """Mean of (feed - product) over the volume treated, in ppm (mg/L); 0 before the first litre."""
        return 1000.0 * self.taken_up_g / self.treated_l if self.treated_l > 0.0 else 0.0


def add(load: Load, volume_l: float, feed_ppm: float, product_ppm: float) -> Load:
    """The load after ``volume_l`` more litres were treated from ``feed_ppm`` down to ``product_ppm``.

    Grams are (feed - product) x litres / 1000, ppm being mg/L on one scale of dissolved solids for both.

    Raises:
        OutOfRangeError: a negative or non-finite value, or a feed below the product. A caller that reads
            probes passes ``min(product, feed)`` once a spent bed lets everything through.
    """
    if not (0.0 <= volume_l < math.inf and 0.0 <= product_ppm <= feed_ppm < math.inf):
        raise _impossible(volume_l, feed_ppm, product_ppm)
    return Load(load.treated_l + volume_l, load.taken_up_g + (feed_ppm - product_ppm) * volume_l / 1000.0)


def rejection_percent(feed_ppm: float, product_ppm: float) -> float:
    """Share of the feed's dissolved solids held back, in per cent: 100 x (1 - product / feed).

    Negative when the product is worse than the feed, which is a finding and not an error.

    Raises:
        OutOfRangeError: a negative or non-finite value, or a feed of zero.
    """
    _check_ppm("feed", feed_ppm)
    _check_ppm("product", product_ppm)
    if feed_ppm == 0.0:
        raise OutOfRangeError("Rejection: the feed is 0 ppm; there is nothing to hold back.")
    return 100.0 * (1.0 - product_ppm / feed_ppm)


def equivalents(taken_up_g: float, equivalent_weight_g: float) -> float:
    """Equivalents (mol of charge) in ``taken_up_g`` of solids of the given equivalent weight in g/eq.

    As calcium carbonate the equivalent weight is 50.04 g/eq (molar mass 100.09 g/mol over charge 2); as
    sodium chloride 58.44 g/eq.

    Raises:
        InputError: an equivalent weight that is not above zero.
        OutOfRangeError: a negative load.
    """
    if not (math.isfinite(equivalent_weight_g) and equivalent_weight_g > 0.0):
        raise InputError(f"Equivalent weight: {equivalent_weight_g} g/eq; it must be above zero.")
    if not (math.isfinite(taken_up_g) and taken_up_g >= 0.0):
        raise OutOfRangeError(f"Load: {taken_up_g} grams taken up; it must be zero or more.")
    return taken_up_g / equivalent_weight_g


def _impossible(volume_l: float, feed_ppm: float, product_ppm: float) -> OutOfRangeError:
    if not 0.0 <= volume_l < math.inf:
        return OutOfRangeError(f"Load: {volume_l} litres more; volume treated cannot run backwards.")
    _check_ppm("feed", feed_ppm)
    _check_ppm("product", product_ppm)
    return OutOfRangeError(
        f"Load: the feed ({feed_ppm:g} ppm) is below the product ({product_ppm:g} ppm); "
        "a purifier only takes up, so check whether the two probes are swapped."
    )


def _check_ppm(which: str, value: float) -> None:
    if not (math.isfinite(value) and value >= 0.0):
        raise OutOfRangeError(f"Load: {which} is {value} ppm; it must be zero or more.")
