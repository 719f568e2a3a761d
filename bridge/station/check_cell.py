"""The check cell: a second cell in the same product water, and the vote of the two. Core.

The vote is one out of two for closing (1oo2 in the terms of IEC 61511, from memory): each cell alone can shut
the valve. So the worse guarded value decides, the product with its guard band, and a failure of either cell
is a failure of the measurement. The price is that two cells stop more good fills than one.

Two sound cells in one water agree within their common uncertainty. What they do not share are their
constants, offsets, leads and thermometers. The uncertainty of the compensation belongs to the water and is
the same for both, so the test leaves it out. The bound is three standard uncertainties of the difference: the
error of a constant is the same in every fill, so that a pair beyond the bound trips in each fill, and with
two standard uncertainties 4.5 % of all sound pairs would (normal distribution).

A cell with its label can be 10 % wrong and still agree, so that a later change of its gain would hide in this
tolerance. Therefore a second test compares the ratio of the two with its own usual value: a change by more
than :data:`STEP` is a change of one cell, whatever the labels say. The usual value is the median of the
first :data:`LEARNED` comparisons. It stays until a person resets the trip, because then a cell was cleaned or
changed, or until a cell has a new calibration. It is not a running mean, which would follow a slow drift.
Values that differ by less than :data:`SMALLEST_PPM` always agree.

The cells are compared only while product flows and the rinse is over. In standing water each is in a water of
its own.
"""

import math
from dataclasses import dataclass
from statistics import median

from bridge.water.measurement import Measurement, MeasuringChain, budget_of
from bridge.water.uncertainty import Source

STEP = 0.1
"""A ratio that is off its usual value by more than this share is a change of one cell."""
LEARNED = 20
"""The comparisons after which the usual ratio is known: about 20 seconds of flow."""
SMALLEST_PPM = 0.2
"""A smaller difference is no evidence, because water at this purity takes up gas on its way."""
_SHARED = (Source.METHOD, Source.FACTOR, Source.COEFFICIENT, Source.SMALLEST)
_COVERAGE_FACTOR = 3.0


@dataclass(frozen=True, slots=True)
class Ratio:
    """The usual ratio of check cell to product cell, and the comparisons that it is learned from."""

    constants_per_cm: tuple[float, float] = (0.0, 0.0)
    """The constants of the two cells. With a new calibration the ratio is learned again."""
    usual: float | None = None
    seen: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Voted:
    """The value that decides: dissolved solids and guard band, in ppm."""

    ppm: float | None
    band_ppm: float


def vote(product: Measurement | None, check: Measurement | None) -> Voted:
    """Return the worse guarded value of two cells. A cell without a value leaves none.

    Args:
        product: the measurement of the product cell; None if it is not trusted.
        check: the same of the check cell.
    """
    if product is None or check is None:
        return Voted(None, 0.0)
    worse = max(product, check, key=lambda one: one.dissolved_solids_ppm + one.expanded_uncertainty_ppm)
    return Voted(worse.dissolved_solids_ppm, worse.expanded_uncertainty_ppm)


def own_uncertainty_ppm(chain: MeasuringChain, measured: Measurement) -> float:
    """Return three standard uncertainties of one cell, without what it shares with the other cell."""
    budget = budget_of(chain, measured)
    own = (line.ppm for line in budget.contributions if line.source not in _SHARED)
    return _COVERAGE_FACTOR * math.sqrt(sum(ppm**2 for ppm in own))


def compare(
    before: Ratio,
    product: tuple[MeasuringChain, Measurement],
    check: tuple[MeasuringChain, Measurement],
) -> tuple[Ratio, bool]:
    """Compare two cells in flowing product.

    Args:
        before: what the last call returned, or ``Ratio()``.
        product: the chain of the product cell and its measurement.
        check: the same of the check cell.

    Returns:
        What the next call needs, and whether the cells disagree.
    """
    product_ppm, check_ppm = product[1].dissolved_solids_ppm, check[1].dissolved_solids_ppm
    apart_ppm = abs(product_ppm - check_ppm)
    bound_ppm = math.hypot(own_uncertainty_ppm(*product), own_uncertainty_ppm(*check))
    disagree = apart_ppm > max(bound_ppm, SMALLEST_PPM)
    if not product_ppm > 0.0 or not check_ppm > 0.0:
        return before, disagree
    constants = product[0].cell.constant_per_cm, check[0].cell.constant_per_cm
    if before.constants_per_cm != constants:
        before = Ratio(constants)
    ratio = check_ppm / product_ppm
    if before.usual is None:
        if disagree:
            return before, True
        seen = (*before.seen, ratio)
        known = median(seen) if len(seen) >= LEARNED else None
        return Ratio(constants, known, () if known else seen), False
    changed_ppm = abs(check_ppm - before.usual * product_ppm)
    stepped = abs(math.log(ratio / before.usual)) > STEP and changed_ppm > SMALLEST_PPM
    return before, disagree or stepped
