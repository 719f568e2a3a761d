"""The cartridge book's values: what was fitted, what it is rated for, what it cost, what became of it."""

import math
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum

from bridge.errors import InputError
from bridge.purifier.load import Load
from bridge.units import CACO3_EQUIVALENT_WEIGHT_G, MILLIGRAMS_PER_GRAIN


class Kind(Enum):
    """How a purifier takes the dissolved solids out."""

    EXCHANGE = "exchange"
    """Hydrogen and hydroxide exchange resin: pure until its front arrives."""
    MEMBRANE = "membrane"
    """Reverse osmosis: a rejection that falls slowly."""
    DISTILLER = "distiller"
    """Nothing to exhaust; scale grows with the volume boiled."""


class Fate(Enum):
    """What became of a cartridge."""

    RUNNING = "running"
    EXHAUSTED = "exhausted"
    """Its product crossed the limit: the load then is its capacity."""
    CHANGED_EARLY = "changed-early"
    """Taken out before its product crossed the limit: its capacity was more than its load (censored)."""


@dataclass(frozen=True, slots=True)
class RatedLitres:
    """So many litres of a feed of so many ppm, as makers of pitchers and cartridges state it."""

    litres: float
    at_ppm: float


@dataclass(frozen=True, slots=True)
class RatedGrains:
    """Grains as calcium carbonate, as the resin trade states it."""

    grains: float


@dataclass(frozen=True, slots=True)
class RatedResin:
    """Litres of resin and the equivalents that a litre takes up."""

    resin_l: float
    equivalents_per_l: float


@dataclass(frozen=True, slots=True)
class RatedGrams:
    """Grams of dissolved solids on the user's own ppm scale."""

    grams: float


Rating = RatedLitres | RatedGrains | RatedResin | RatedGrams


@dataclass(frozen=True, slots=True)
class Cartridge:
    """One line of the book. ``model`` is the user's word for cartridges of one kind."""

    model: str
    kind: Kind
    rating: Rating | None
    price: float
    fitted: datetime
    removed: datetime | None = None
    fate: Fate = Fate.RUNNING
    load: Load = field(default_factory=Load)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.price) and self.price >= 0.0):
            raise InputError(f"Cartridge {self.model!r}: price {self.price:g}; it must be zero or more.")
        if (self.removed is None) != (self.fate is Fate.RUNNING):
            raise InputError(
                f"Cartridge {self.model!r}: fate {self.fate.value!r} with removal date {self.removed}; "
                "a running cartridge has no removal date and every other one has."
            )
        if self.removed is not None and self.removed < self.fitted:
            raise InputError(
                f"Cartridge {self.model!r}: removed {self.removed} before it was fitted {self.fitted}."
            )


def rated_grams(rating: Rating, equivalent_weight_g: float = CACO3_EQUIVALENT_WEIGHT_G) -> float:
    """Grams that a rating promises, on the scale whose equivalent weight is given in g/eq.

    Grains and equivalents are converted through ``equivalent_weight_g``: 50.04 as calcium carbonate, which is
    the default; on a meter's own scale, the feed's ppm divided by its milliequivalents per litre.

    Raises:
        InputError: a part of the rating, or the equivalent weight, is not above zero.
    """
    _positive("equivalent weight", equivalent_weight_g)
    match rating:
        case RatedLitres(litres, at_ppm):
            _positive("rated litres", litres)
            _positive("rated ppm", at_ppm)
            return litres * at_ppm / 1000.0
        case RatedGrains(grains):
            _positive("rated grains", grains)
            return grains * MILLIGRAMS_PER_GRAIN / 1000.0 / CACO3_EQUIVALENT_WEIGHT_G * equivalent_weight_g
        case RatedResin(resin_l, equivalents_per_l):
            _positive("resin volume", resin_l)
            _positive("equivalents per litre", equivalents_per_l)
            return resin_l * equivalents_per_l * equivalent_weight_g
        case RatedGrams(grams):
            _positive("rated grams", grams)
            return grams


def litres_on_feed(capacity_g: float, feed_ppm: float, product_ppm: float = 0.0) -> float:
    """Litres a capacity treats on a feed: grams x 1000 / (feed - product).

    Raises:
        InputError: a capacity that is not above zero, or a feed that is not above the product.
    """
    _positive("capacity", capacity_g)
    _positive("feed above product", feed_ppm - product_ppm)
    return capacity_g * 1000.0 / (feed_ppm - product_ppm)


def _positive(what: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise InputError(f"Cartridge: {what} is {value:g}; it must be above zero.")
