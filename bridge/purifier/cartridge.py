"""The cartridge book's values: what was fitted, what it is rated for, what it cost, what became of it.

What a purifier has taken up since it was new: the integral of (feed - product) over the volume treated.

The load is the one clock an exchange cartridge obeys: a hard feed ages it faster in litres, a pure feed
slower, and the grams it has taken up say how far along it is either way.

A distiller has nothing to exhaust: what counts is the scale it has boiled out of the feed.
"""

import math
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum

from bridge.errors import InputError, OutOfRangeError
from bridge.units import CACO3_EQUIVALENT_WEIGHT_G, MILLIGRAMS_PER_GRAIN


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


def scale_g(volume_l: float, carbonate_hardness_ppm: float) -> float:
    """Grams of scale in the boiler, at most: all carbonate hardness (ppm as calcium carbonate) boiled so far.

    Raises:
        InputError: a negative or non-finite value.
    """
    for what, value in (("volume", volume_l), ("carbonate hardness", carbonate_hardness_ppm)):
        if not (math.isfinite(value) and value >= 0.0):
            raise InputError(f"Distiller: {what} is {value:g}; it must be zero or more.")
    return volume_l * carbonate_hardness_ppm / 1000.0


def litres_to_descaling(since_last_l: float, carbonate_hardness_ppm: float, allowed_g: float) -> float:
    """Litres that may still be boiled before ``allowed_g`` of scale have gathered; 0 when it is due.

    Raises:
        InputError: a negative or non-finite value, or an allowance that is not above zero.
    """
    if not (math.isfinite(allowed_g) and allowed_g > 0.0):
        raise InputError(f"Distiller: {allowed_g:g} g of scale allowed; it must be above zero.")
    room_g = allowed_g - scale_g(since_last_l, carbonate_hardness_ppm)
    if carbonate_hardness_ppm == 0.0:
        return math.inf
    return max(room_g, 0.0) * 1000.0 / carbonate_hardness_ppm
