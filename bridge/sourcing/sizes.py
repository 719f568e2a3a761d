"""The cheapest way for each size of collection. Core."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from bridge.sourcing.compare import Offer, crossover
from bridge.sourcing.cost import Figure
from bridge.sourcing.ways import Suitability

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Overtaking:
    """From ``at`` litres a day ``later`` is cheaper than ``first``; ``beyond`` if it cannot make them."""

    first: Offer
    later: Offer
    at: Figure
    beyond: bool


@dataclass(frozen=True, slots=True)
class Stretch:
    """From ``low_l`` to ``high_l`` litres a day ``offer`` is the cheapest; ``high_l`` may be infinite."""

    low_l: float
    high_l: float
    offer: Offer


def fit(offers: Sequence[Offer]) -> list[Offer]:
    """Return the ways whose product the plants tolerate."""
    return [offer for offer in offers if offer.suitability is not Suitability.UNSUITABLE]


def overtakings(offers: Sequence[Offer]) -> list[Overtaking]:
    """Return each size from which one fit way is cheaper than another, the smallest first."""
    found = []
    for first in fit(offers):
        for later in fit(offers):
            at = None if first is later else crossover(first, later)
            if at is not None and at.value > 0.0:
                found.append(Overtaking(first, later, at, at.value > later.makes_l_per_day.value))
    return sorted(found, key=lambda one: one.at.value)


def cost_per_l(offer: Offer, litres_per_day: float) -> float:
    """Return the cost of a litre for a need of so many litres a day, above 0."""
    return offer.fixed_per_year.value / (DAYS_PER_YEAR * litres_per_day) + offer.per_l.value


def cheapest(offers: Sequence[Offer]) -> list[Stretch]:
    """Return the cheapest fit way for every size of collection that it can supply, the smallest first."""
    ways = fit(offers)
    marks = {one.at.value for one in overtakings(offers)} | {offer.makes_l_per_day.value for offer in ways}
    ends = sorted({0.0, float("inf"), *marks})
    made: list[Stretch] = []
    for low, high in pairwise(ends):
        inside = 0.5 * (low + high) if high < float("inf") else 2.0 * low + 1.0
        able = [offer for offer in ways if offer.makes_l_per_day.value >= inside]
        if not able:
            break
        best = min(able, key=lambda offer: cost_per_l(offer, inside))
        if made and made[-1].offer is best:
            made[-1] = Stretch(made[-1].low_l, high, best)
        else:
            made.append(Stretch(low, high, best))
    return made
