"""Cartridges: their kinds, their ratings, their load, and their capacity as a Bayesian estimate.

The load is the mass that a purifier has taken up since it was new: the integral of (feed - product) over the
treated volume. It measures the age of an exchange cartridge. In litres a hard feed exhausts it sooner and a
soft feed later, in grams the capacity is the same. A distiller has no capacity: its measure is the scale that
it has boiled out of the feed.

The capacity is the load at the crossing of the limit. Its logarithm has a normal distribution around the mean
of the kind. The rating is the prior of this mean. The load of each earlier cartridge at exhaustion narrows
it. A cartridge that was changed early gives only a lower bound (a censored observation). The scatter between
cartridges is estimated together with the mean, on a fixed grid.
"""

import math
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum
from itertools import accumulate

from bridge.errors import InputError, OutOfRangeError
from bridge.units import CACO3_EQUIVALENT_WEIGHT_G, MILLIGRAMS_PER_GRAIN
from bridge.water.measurement import checked_factor
from bridge.water.uncertainty import WaterKind


@dataclass(frozen=True, slots=True)
class Load:
    """The litres treated and the grams of dissolved solids taken up since the cartridge was new."""

    treated_l: float = 0.0
    taken_up_g: float = 0.0

    def __post_init__(self) -> None:
        if 0.0 <= self.treated_l < math.inf and 0.0 <= self.taken_up_g < math.inf:
            return
        if not (math.isfinite(self.treated_l) and self.treated_l >= 0.0):
            raise OutOfRangeError(f"Load: {self.treated_l} litres treated; it must be zero or more.")
        raise OutOfRangeError(f"Load: {self.taken_up_g} grams taken up; it must be zero or more.")


def add(load: Load, volume_l: float, feed_ppm: float, product_ppm: float) -> Load:
    """Return the load after ``volume_l`` more litres from ``feed_ppm`` to ``product_ppm``.

    The grams are (feed - product) x litres / 1000. Both ppm are mg/L on the same scale of dissolved solids.

    Raises:
        OutOfRangeError: If a value is negative or not finite, or the feed is below the product. A caller with
            probes passes ``min(product, feed)``, because an exhausted bed lets everything through.
    """
    if not (0.0 <= volume_l < math.inf and 0.0 <= product_ppm <= feed_ppm < math.inf):
        raise _impossible(volume_l, feed_ppm, product_ppm)
    return Load(load.treated_l + volume_l, load.taken_up_g + (feed_ppm - product_ppm) * volume_l / 1000.0)


def rejection_percent(feed_ppm: float, product_ppm: float) -> float:
    """Return the rejection in per cent: 100 x (1 - product / feed).

    It is negative if the product is worse than the feed, which is a result and not an error.

    Raises:
        OutOfRangeError: If a value is negative or not finite, or the feed is zero.
    """
    _check_ppm("feed", feed_ppm)
    _check_ppm("product", product_ppm)
    if feed_ppm == 0.0:
        raise OutOfRangeError("Rejection: the feed is 0 ppm; there is nothing to hold back.")
    return 100.0 * (1.0 - product_ppm / feed_ppm)


def _impossible(volume_l: float, feed_ppm: float, product_ppm: float) -> OutOfRangeError:
    if not 0.0 <= volume_l < math.inf:
        return OutOfRangeError(f"Load: {volume_l} litres more; the treated volume cannot decrease.")
    _check_ppm("feed", feed_ppm)
    _check_ppm("product", product_ppm)
    return OutOfRangeError(
        f"Load: the feed ({feed_ppm:g} ppm) is below the product ({product_ppm:g} ppm); "
        "a purifier removes solids, so check whether the two probes are swapped."
    )


def _check_ppm(which: str, value: float) -> None:
    if not (math.isfinite(value) and value >= 0.0):
        raise OutOfRangeError(f"Load: {which} is {value} ppm; it must be zero or more.")


class Kind(Enum):
    """The way in which a purifier removes dissolved solids."""

    EXCHANGE = "exchange"
    """Hydrogen and hydroxide exchange resin: the product is pure until the front breaks through."""
    MEMBRANE = "membrane"
    """Reverse osmosis: the rejection falls slowly."""
    DISTILLER = "distiller"
    """Distillation: scale grows with the boiled volume."""

    @property
    def water(self) -> WaterKind:
        """The usual kind of water behind it, for the uncertainty of its readings."""
        return _WATER[self]


_WATER = {
    Kind.EXCHANGE: WaterKind.EXCHANGE_PRODUCT,
    Kind.MEMBRANE: WaterKind.PERMEATE,
    Kind.DISTILLER: WaterKind.DISTILLED,
}


class Fate(Enum):
    """The state of a cartridge, or its end."""

    RUNNING = "running"
    EXHAUSTED = "exhausted"
    """The product crossed the limit: the load at that time is the capacity."""
    CHANGED_EARLY = "changed-early"
    """Removed before the product crossed the limit: the capacity is more than the load (censored)."""


@dataclass(frozen=True, slots=True)
class RatedLitres:
    """Litres of a feed of a given ppm, as makers of pitchers and cartridges state it."""

    litres: float
    at_ppm: float


@dataclass(frozen=True, slots=True)
class RatedGrains:
    """Grains as calcium carbonate, as makers of resin state it."""

    grains: float


@dataclass(frozen=True, slots=True)
class RatedResin:
    """Litres of resin, and the equivalents that a litre takes up."""

    resin_l: float
    equivalents_per_l: float


@dataclass(frozen=True, slots=True)
class RatedGrams:
    """Grams of dissolved solids on the user's own ppm scale."""

    grams: float


Rating = RatedLitres | RatedGrains | RatedResin | RatedGrams


@dataclass(frozen=True, slots=True)
class Cartridge:
    """One cartridge of the history. ``model`` is the user's name for cartridges of one kind."""

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
                "a running cartridge has no removal date, every other cartridge has one."
            )
        if self.removed is not None and self.removed < self.fitted:
            raise InputError(
                f"Cartridge {self.model!r}: removed {self.removed} before it was fitted {self.fitted}."
            )


EQUIVALENT_US_CM = 100.0
"""Conductivity at 25 °C of a tap water with 1 meq/L, µS/cm: the mean of tap waters from soft to very hard."""
ION_MIX_SD = 0.1
"""Relative standard deviation of that between tap waters."""


def equivalent_weight_on_scale(factor: float) -> float:
    """Return the grams of one equivalent, on the scale of a factor in ppm for each µS/cm at 25 °C.

    A resin takes up equivalents. The ppm of a meter are conductivity times a factor, so an equivalent has
    50 g on the scale of 0.5, and 70 g on the scale of 0.7.
    """
    return checked_factor(factor) * EQUIVALENT_US_CM


def rating_sd_on_scale(rating: Rating | None, rating_sd: float) -> float:
    """Return the relative standard deviation of a rating, with that of the ions in the feed where it counts.

    Litres and grams are stated on the scale itself. Grains and resin are equivalents, and water of other ions
    has other ppm for them.
    """
    return math.hypot(rating_sd, ION_MIX_SD) if isinstance(rating, RatedGrains | RatedResin) else rating_sd


def rated_grams(rating: Rating, equivalent_weight_g: float = CACO3_EQUIVALENT_WEIGHT_G) -> float:
    """Return the grams of a rating, on the scale with the given equivalent weight in g/eq.

    Grains and equivalents are converted with ``equivalent_weight_g``. The default is 50.04, as calcium
    carbonate. For the scale of a meter see :func:`equivalent_weight_on_scale`.

    Raises:
        InputError: If a part of the rating, or the equivalent weight, is not above zero.
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
    """Return the litres that a capacity treats with a feed: grams x 1000 / (feed - product).

    Raises:
        InputError: If the capacity is not above zero, or the feed is not above the product.
    """
    _positive("capacity", capacity_g)
    _positive("feed above product", feed_ppm - product_ppm)
    return capacity_g * 1000.0 / (feed_ppm - product_ppm)


def _positive(what: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise InputError(f"Cartridge: {what} is {value:g}; it must be above zero.")


def scale_g(volume_l: float, carbonate_hardness_ppm: float) -> float:
    """Return the largest mass of scale in grams: all carbonate hardness (ppm as calcium carbonate).

    Raises:
        InputError: If a value is negative or not finite.
    """
    for what, value in (("volume", volume_l), ("carbonate hardness", carbonate_hardness_ppm)):
        if not (math.isfinite(value) and value >= 0.0):
            raise InputError(f"Distiller: {what} is {value:g}; it must be zero or more.")
    return volume_l * carbonate_hardness_ppm / 1000.0


def litres_to_descaling(since_last_l: float, carbonate_hardness_ppm: float, allowed_g: float) -> float:
    """Return the litres that can be boiled before there are ``allowed_g`` of scale; 0 if descaling is due.

    Raises:
        InputError: If a value is negative or not finite, or ``allowed_g`` is not above zero.
    """
    if not (math.isfinite(allowed_g) and allowed_g > 0.0):
        raise InputError(f"Distiller: {allowed_g:g} g of scale allowed; it must be above zero.")
    room_g = allowed_g - scale_g(since_last_l, carbonate_hardness_ppm)
    if carbonate_hardness_ppm == 0.0:
        return math.inf
    return max(room_g, 0.0) * 1000.0 / carbonate_hardness_ppm


RATING_SD = 0.50
"""Relative standard deviation of a maker's rating against the true mean (common practice, no source). It is
wide, because a label can count up to another limit than the user's, or on another feed."""
_MISSTATED_SHARE = 0.15
_MISSTATED_SD = 0.6
"""In this share of cases a rating is wrong by so much more than its deviation states (a contaminated normal),
so a factor of two stays possible."""
TYPICAL_SCATTER = 0.05
"""Scatter between cartridges of one kind before the first one is exhausted (common practice, no source)."""

_SCATTERS = (0.015, 0.03, 0.05, 0.08, 0.12, 0.18)
_SCATTER_LN_SD = 0.4
_POINTS = 361
_REACH_SD = 1.8
_LEAST_REACH = 1.2
_FALL_BEYOND = 2.0
"""Slope of the log density beyond the grid, per unit of ln(grams)."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """The load of an earlier cartridge at its removal, in grams. ``exhausted`` false means changed early."""

    load_g: float
    exhausted: bool


@dataclass(frozen=True, slots=True)
class Capacity:
    """The capacity of a cartridge, as a prior distribution before its own product shows anything.

    Attributes:
        ln_low: the lowest point of the grid, ln(grams).
        ln_step: the step of the grid.
        weights: the probabilities of the points; their sum is one.
        scatter: the estimated relative scatter between cartridges.
        rests_on: the data behind the estimate, in words.
        exhausted: the number of earlier cartridges that were exhausted.
    """

    ln_low: float
    ln_step: float
    weights: tuple[float, ...]
    scatter: float
    rests_on: str
    exhausted: int = 0

    def quantile_g(self, p: float) -> float:
        """Return the quantile of the capacity in grams for probability ``p``, 0 < p < 1."""
        return math.exp(grid_quantile(self.ln_low, self.ln_step, self.weights, p))

    @property
    def median_g(self) -> float:
        """The median of the capacity, in grams."""
        return self.quantile_g(0.5)

    def chances_below(self, grams: Iterable[float]) -> list[float]:
        """Return for each of these grams the probability that the capacity is below it."""
        cumulated = list(accumulate(self.weights, initial=0.0))
        found = []
        for value in grams:
            place = (math.log(value) - self.ln_low) / self.ln_step + 0.5 if value > 0.0 else 0.0
            inside = min(max(place, 0.0), float(len(self.weights)))
            left = min(int(inside), len(self.weights) - 1)
            share = cumulated[left] + (inside - left) * self.weights[left]
            found.append(min(share / cumulated[-1], 1.0))
        return found

    def ln_density(self, ln_g: float) -> float:
        """Return the log of the density at ln(grams), up to a constant. It falls linearly beyond the grid."""
        position = (ln_g - self.ln_low) / self.ln_step
        last = len(self.weights) - 1
        inside = min(max(position, 0.0), float(last))
        left = min(int(inside), last - 1)
        low, high = math.log(max(self.weights[left], 1e-300)), math.log(max(self.weights[left + 1], 1e-300))
        return low + (inside - left) * (high - low) - _FALL_BEYOND * self.ln_step * abs(position - inside)


def estimate(
    rating_g: float,
    earlier: Iterable[Evidence] = (),
    rating_sd: float = RATING_SD,
    typical_scatter: float = TYPICAL_SCATTER,
) -> Capacity:
    """Estimate the capacity of the next cartridge of a kind, from its rating and the earlier cartridges.

    Args:
        rating_g: the rating in grams on the user's ppm scale.
        earlier: the earlier cartridges of the same kind, in any order.
        rating_sd: relative standard deviation of the rating, 0.01 to 1.
        typical_scatter: prior of the relative scatter between cartridges, 0.01 to 0.5.

    Raises:
        InputError: If the rating or a load is not above zero, or a deviation is outside its range.
    """
    _check(rating_g, rating_sd, typical_scatter)
    known = tuple(earlier)
    for line in known:
        if not (math.isfinite(line.load_g) and line.load_g > 0.0):
            raise InputError(
                f"Capacity: an earlier cartridge's load of {line.load_g:g} g; it must be above zero."
            )
    centre = math.log(rating_g)
    logs = [math.log(line.load_g) for line in known]
    reach = _LEAST_REACH + _REACH_SD * rating_sd
    low = min([centre - reach, *(x - 0.3 for x in logs)])
    high = max([centre + reach, *(x + 0.3 for x in logs)])
    step = (high - low) / (_POINTS - 1)
    means = [low + i * step for i in range(_POINTS)]
    predictive = [0.0] * _POINTS
    scatter_sum = total = 0.0
    joint = [
        [_ln_joint(mean, scatter, centre, rating_sd, typical_scatter, known, logs) for mean in means]
        for scatter in _SCATTERS
    ]
    top = max(max(row) for row in joint)
    for scatter, row in zip(_SCATTERS, joint, strict=True):
        weights = [math.exp(value - top) for value in row]
        mass = sum(weights)
        scatter_sum += scatter * mass
        total += mass
        for i, density in enumerate(_smear(weights, scatter / step)):
            predictive[i] += density
    norm = sum(predictive)
    return Capacity(
        low,
        step,
        tuple(value / norm for value in predictive),
        scatter_sum / total,
        _rests_on(known, rating_sd),
        sum(line.exhausted for line in known),
    )


def grid_quantile(low: float, step: float, weights: Iterable[float], p: float) -> float:
    """Return the ``p`` quantile of probabilities on an even grid, each spread evenly over its cell.

    Raises:
        InputError: If ``p`` is not between 0 and 1.
    """
    if not 0.0 < p < 1.0:
        raise InputError(f"Quantile: a probability of {p:g}; it must lie between 0 and 1.")
    cumulated = list(accumulate(weights))
    target = p * cumulated[-1]
    i = min(bisect_left(cumulated, target), len(cumulated) - 1)
    before = cumulated[i - 1] if i else 0.0
    inside = cumulated[i] - before
    return low + step * (i - 0.5 + ((target - before) / inside if inside > 0.0 else 0.5))


def _ln_joint(
    mean: float,
    scatter: float,
    centre: float,
    rating_sd: float,
    typical_scatter: float,
    known: tuple[Evidence, ...],
    logs: list[float],
) -> float:
    off, wide = mean - centre, math.hypot(rating_sd, _MISSTATED_SD)
    stated = (1.0 - _MISSTATED_SHARE) / rating_sd * math.exp(-0.5 * (off / rating_sd) ** 2)
    total = math.log(stated + _MISSTATED_SHARE / wide * math.exp(-0.5 * (off / wide) ** 2))
    total -= 0.5 * (math.log(scatter / typical_scatter) / _SCATTER_LN_SD) ** 2
    for line, ln_load in zip(known, logs, strict=True):
        z = (ln_load - mean) / scatter
        if line.exhausted:
            total += -0.5 * z * z - math.log(scatter)
        else:
            total += math.log(max(0.5 * math.erfc(z / math.sqrt(2.0)), 1e-300))
    return total


def _smear(weights: list[float], sd_cells: float) -> list[float]:
    """Return the weights convolved with a normal of ``sd_cells`` cells. Weight beyond the grid is dropped."""
    # Without the margin, rounding would decide whether a kernel of whole cells ends one cell later.
    reach = max(1, math.ceil(4.0 * sd_cells - 1e-9))
    kernel = [math.exp(-0.5 * (k / sd_cells) ** 2) for k in range(-reach, reach + 1)]
    norm = sum(kernel)
    smeared = [0.0] * len(weights)
    last = len(weights) - 1
    top = max(weights)
    for i, weight in enumerate(weights):
        if weight < 1e-12 * top:
            continue
        for k in range(max(0, reach - i), min(2 * reach, last - i + reach) + 1):
            smeared[i + k - reach] += weight * kernel[k] / norm
    return smeared


def _rests_on(known: tuple[Evidence, ...], rating_sd: float) -> str:
    exhausted = sum(line.exhausted for line in known)
    early = len(known) - exhausted
    parts = [f"{'' if known else 'only its '}rating ±{100.0 * rating_sd:g} %"]
    if exhausted:
        parts.append(f"{exhausted} earlier exhausted")
    if early:
        parts.append(f"{early} changed early")
    return ", ".join(parts)


def _check(rating_g: float, rating_sd: float, typical_scatter: float) -> None:
    if not (math.isfinite(rating_g) and rating_g > 0.0):
        raise InputError(f"Capacity: a rating of {rating_g:g} g; it must be above zero.")
    if not 0.01 <= rating_sd <= 1.0:
        raise InputError(f"Capacity: a rating's relative deviation of {rating_sd:g}; give 0.01 to 1.")
    if not 0.01 <= typical_scatter <= 0.5:
        raise InputError(f"Capacity: a scatter between cartridges of {typical_scatter:g}; give 0.01 to 0.5.")
