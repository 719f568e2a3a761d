"""What a litre cost: the cartridge's price over the litres that it treated. Core."""

from dataclasses import dataclass

from bridge.report.hindsight import Fate, Hindsight

ASSUMES = (
    "Each cartridge is counted with the price that the configuration names today, over all that it made.",
    "Only the cartridge is in it: no energy, no feed water or waste water, no tests and no work, for the "
    "configuration of a reservoir does not name what they cost.",
)


@dataclass(frozen=True, slots=True)
class Cost:
    """Money for one litre of one cartridge."""

    litres: float
    per_l: float
    expected_per_l: tuple[float, float, float] | None = None
    """Of one that runs, at its forecast end: the median, and the ends of its 80 %, the dear one last."""


@dataclass(frozen=True, slots=True)
class Costs:
    """Of each cartridge, and of all that are finished together."""

    each: tuple[Cost | None, ...]
    finished: Cost | None


def costs(price: float | None, found: list[Hindsight]) -> Costs:
    """None where no price is configured, or nothing was treated."""
    each = tuple(None if price is None else _cost(price, one) for one in found)
    done = [
        one.litres
        for one, seen in zip(each, found, strict=True)
        if one is not None and seen.outcome.fate is not Fate.RUNNING
    ]
    total_l = sum(done)
    if price is None or total_l <= 0.0:
        return Costs(each, None)
    return Costs(each, Cost(total_l, price * len(done) / total_l))


def _cost(price: float, seen: Hindsight) -> Cost | None:
    litres = seen.removed_l
    if litres <= 0.0:
        return None
    if seen.outcome.fate is not Fate.RUNNING or not seen.stood:
        return Cost(litres, price / litres)
    at = seen.stood[-1].crossing_l
    return Cost(litres, price / litres, (price / at.median, price / at.high80, price / max(at.low80, litres)))
