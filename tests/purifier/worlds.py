"""Lives of cartridges and membranes to judge the forecast by, made by other means than its model.

The beds are marched through in cells with a film around the beads (an ordinary differential equation for each
cell, no closed form), as two resins of different capacity whose leakages add up to a conductivity, or taken
from the columns of PHREEQC in ``columns.csv``. Feed and use have what a season has: a swing, blends that last
for weeks, weeks that resemble their neighbours, holidays. Ratings err as a contaminated normal: most by a
fifth, some by much more. All of it is invented; no value is of one maker.

A world belongs to a seed. Seeds under ``JUDGING`` were free to be looked at while the model was changed.
Seeds from ``JUDGING`` on only judge.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from tests.purifier.columns import LIMIT_PPM, columns

JUDGING = 1_000
"""The first seed of the worlds that judge."""
STEPS_A_DAY = 2
LEAD_DAYS = 14.0

Floats = NDArray[np.float64]
Curve = Callable[[Floats, Floats], Floats]
"""The product in ppm, from the share of the capacity brought to the bed and the feed in ppm."""


@dataclass(frozen=True)
class Life:
    """One cartridge from its first litre to its crossing. A value of ``feed_seen`` is NaN between samples."""

    family: str
    rating_g: float
    earlier_g: tuple[float, ...]
    start_day: float
    litres: Floats
    feed_seen: Floats
    product_seen: Floats
    crossing_l: float
    crossing_day: float


def film_bed(rng: np.random.Generator) -> Curve:
    """A bed limited by the film around its beads: cells in a row, a favourable isotherm, no closed form."""
    cells, units = 30, rng.uniform(12.0, 70.0)
    factor = rng.uniform(0.05, 0.35)
    pace = units / cells
    floor = rng.uniform(0.05, 0.5)
    held = np.zeros(cells)
    step = 0.002
    through = []
    for _ in range(round(1.6 / step)):
        water = 1.0
        for cell in range(cells):
            balance = factor * held[cell] / (1.0 - (1.0 - factor) * held[cell])
            leaves = balance + (water - balance) * math.exp(-pace)
            held[cell] = min(held[cell] + step * cells * (water - leaves), 1.0)
            water = leaves
        through.append(water)
        if water > 0.95:
            break
    shares = step * np.arange(1, len(through) + 1)
    passed = np.maximum.accumulate(np.array(through))

    def product(share: Floats, feed: Floats) -> Floats:
        return floor + (feed - floor) * np.interp(share, shares, passed, left=0.0)

    return product


def two_resins(rng: np.random.Generator) -> Curve:
    """Two resins, one exhausted before the other; acid, alkali and salt leak, and each conducts."""
    anion, cation = 1.0, rng.uniform(0.93, 1.12)
    acid_first = rng.uniform(0.0, 0.06)
    weak_share = rng.uniform(0.004, 0.02)
    width_a, width_c, width_w = rng.uniform(0.003, 0.03, 3)
    floor = rng.uniform(0.05, 0.5)
    erf = np.vectorize(math.erf)

    def front(share: Floats, end: float, width: float) -> Floats:
        # Turbulent spreading plus a slow tail: a normal front, and a tenth of it three times as wide.
        def one(wide: float) -> Floats:
            return np.asarray(0.5 * (1.0 + erf((share - end) / (wide * math.sqrt(2.0)))))

        return 0.9 * one(width) + 0.1 * one(3.0 * width)

    def product(share: Floats, feed: Floats) -> Floats:
        weak = weak_share * front(share, anion - acid_first, width_w)
        acid, alkali = front(share, anion, width_a), front(share, cation, width_c)
        # Molar conductivities at 25 °C, S cm2/mol: H+ 350, OH- 199, Na+ 50, Cl- 76 (from memory).
        moved = 350.0 * np.maximum(acid - alkali, 0.0) + 199.0 * np.maximum(alkali - acid, 0.0)
        moved = (moved + 50.0 * alkali + 76.0 * acid) / 126.0
        return floor + feed * (weak + moved)

    return product


def phreeqc_bed(rng: np.random.Generator) -> Curve:
    """A column of PHREEQC, scaled to another feed."""
    column = columns()[int(rng.integers(len(columns())))]
    litres, product = np.array(column.knots).T
    life, feed_there = column.life_l, column.feed_ppm
    # The file ends just over the limit; the front goes on as steeply as it ends.
    rise = (product[-1] - product[-2]) / (litres[-1] - litres[-2])
    litres = np.append(litres, litres[-1] + (feed_there - product[-1]) / rise)
    product = np.append(product, feed_there)

    def scaled(share: Floats, feed: Floats) -> Floats:
        return np.interp(share, litres / life, product / feed_there) * feed

    return scaled


def steady_feed(rng: np.random.Generator, days: Floats) -> Floats:
    """A feed with a small season and a little weather."""
    base = rng.uniform(120.0, 450.0)
    return np.asarray(base * season(rng, days, 0.12) * np.exp(wander(rng, days, 0.04, 10.0)))


def blended_feed(rng: np.random.Generator, days: Floats) -> Floats:
    """A supply that is blended: 0.4 to 1.6 times its mean, for days or for weeks, with a season."""
    base = rng.uniform(180.0, 400.0)
    pace, last = math.exp(rng.uniform(math.log(4.0), math.log(40.0))), -math.inf
    share = np.empty(len(days))
    now, until = 1.0, last
    for k, day in enumerate(days):
        if day >= until:
            now, until = rng.uniform(0.4, 1.6), day + rng.exponential(pace)
        share[k] = now
    return np.asarray(base * share * season(rng, days, 0.1))


def season(rng: np.random.Generator, days: Floats, most: float) -> Floats:
    """One harmonic of the year with a swing of up to ``most``."""
    swing = rng.uniform(0.0, most)
    return np.asarray(1.0 + swing * np.cos(2.0 * math.pi * (days / 365.25 - rng.uniform())))


def wander(rng: np.random.Generator, days: Floats, sd: float, memory_days: float) -> Floats:
    """A first-order autoregressive series."""
    keep = math.exp(-(days[1] - days[0]) / memory_days)
    noise = rng.normal(0.0, sd, len(days))
    value = np.empty(len(days))
    value[0] = noise[0]
    for k in range(1, len(days)):
        value[k] = keep * value[k - 1] + math.sqrt(1.0 - keep * keep) * noise[k]
    return value


def garden_use(rng: np.random.Generator, days: Floats, typical_l: float) -> Floats:
    """Daily use: more in summer, warm and dull weeks, and holidays of a fortnight with a fifth of the use."""
    use = typical_l * season(rng, days, 0.5) * np.exp(wander(rng, days, 0.30, 6.0) - 0.045)
    begin = days[0] + rng.uniform(0.0, 300.0)
    away = (days % 365.25 - begin % 365.25) % 365.25 < 14.0
    return np.asarray(np.where(away & (rng.uniform() < 0.5), 0.2 * use, use))


def rating_error(rng: np.random.Generator) -> float:
    """The logarithm of a rating over the truth: a normal of a fifth, one in six of a half."""
    return float(rng.normal(0.0, 0.20 if rng.uniform() > 1.0 / 6.0 else 0.5))


BEDS = (film_bed, two_resins, phreeqc_bed)
FAMILIES = ("film", "two-resins", "phreeqc", "blended", "feed-20-percent", "sampled-feed")


@cache
def life(family: str, seed: int, wrong: float = 1.0) -> Life:
    """Return the life of one cartridge.

    Args:
        family: one of ``FAMILIES``.
        seed: the world.
        wrong: 1 for a rating with the usual error, else the factor by which the rating is wrong.
    """
    rng = np.random.default_rng([seed, FAMILIES.index(family)])
    beds = dict(zip(FAMILIES, BEDS, strict=False))
    curve = beds.get(family, BEDS[seed % len(BEDS)])(rng)
    capacity_g = math.exp(rng.uniform(math.log(20.0), math.log(400.0)))
    start = rng.uniform(20_000.0, 20_365.0)
    days = start + np.arange(1, 900 * STEPS_A_DAY + 1) / STEPS_A_DAY
    feed = (blended_feed if family == "blended" else steady_feed)(rng, days)
    typical_l = 1000.0 * capacity_g / float(feed.mean()) / rng.uniform(60.0, 220.0)
    litres = garden_use(rng, days, typical_l) / STEPS_A_DAY
    share = np.cumsum(litres * feed) / 1000.0 / capacity_g
    product = np.minimum(curve(share, feed), feed)
    end = int(np.argmax(product >= LIMIT_PPM))
    assert product[end] >= LIMIT_PPM
    last = product[end - 1]
    part = (LIMIT_PPM - last) / (product[end] - last)
    total = np.cumsum(litres)
    crossing_l = float(total[end - 1] + part * litres[end])
    crossing_day = float(days[end - 1] + part / STEPS_A_DAY)
    kept = slice(0, end)
    bias = math.exp(rng.normal(0.0, 0.2)) if family in ("feed-20-percent", "sampled-feed") else 1.0
    seen = feed[kept] * bias * np.exp(rng.normal(0.0, 0.02, end))
    if family == "sampled-feed":
        keep = np.zeros(end, dtype=bool)
        keep[:: 30 * STEPS_A_DAY] = True
        seen = np.where(keep, seen, np.nan)
    noisy = product[kept] * np.exp(rng.normal(0.0, 0.02, end)) + rng.normal(0.0, 0.02, end)
    mean_feed = float(np.sum(feed[kept] * litres[kept]) / np.sum(litres[kept]))
    true_g = float(np.sum(np.maximum(feed[kept] - product[kept], 0.0) * litres[kept])) / 1000.0
    error = rating_error(rng) if wrong == 1.0 else math.log(wrong) + rng.normal(0.0, 0.05)
    # This cartridge too deviates from the mean of its kind.
    kind_g = true_g * bias * math.exp(rng.normal(0.0, 0.05))
    before = tuple(kind_g * math.exp(rng.normal(0.0, 0.05)) for _ in range(0 if wrong != 1.0 else seed % 4))
    assert mean_feed > LIMIT_PPM
    return Life(
        family,
        true_g * math.exp(error),
        before,
        start,
        litres[kept],
        seen,
        np.clip(noisy, 0.01, None),
        crossing_l,
        crossing_day,
    )


def shares(seen: Sequence[tuple[float, bool]], thirds: int = 3) -> list[float]:
    """Return the share of hits in every third of life; a row is its share of life and whether it is a hit."""
    found = []
    for third in range(thirds):
        rows = [hit for at, hit in seen if third / thirds <= at < (third + 1) / thirds]
        found.append(sum(rows) / len(rows) if rows else math.nan)
    return found
