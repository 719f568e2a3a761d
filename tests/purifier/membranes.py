"""Lives of membranes to judge the forecast by, made by other means than its model.

Four kinds are curves: ageing that is slow, quickens, fails from its first day by e-folds of 20 days, or
begins to fail so on a later day. Four kinds are marched through day by day, from what wears a membrane: the
solute's permeability grows with the oxidant that has passed (by litres) or by hydrolysis (by days, faster in
warm water), the flux falls by fouling and partly recovers at a cleaning, or a seal tears. All have warmth,
feed, and noise that lasts for days. The constants are invented.

A world belongs to a seed; seeds under ``worlds.JUDGING`` were free to be looked at.
"""

import math
from dataclasses import dataclass

import numpy as np

from bridge.purifier import membrane
from bridge.purifier.season import Expected
from tests.purifier.judging import Row, Score, inside
from tests.purifier.worlds import Floats, garden_use, season, wander

LIMIT_PPM = 50.0
WARMEST_C = 22.0
LEAD_DAYS = 7.0
CURVES = ("slow", "quickening", "fast", "sudden")
WORN = ("oxidised", "hydrolysed", "fouled", "torn")
KINDS = CURVES + WORN
_DAYS = 3000
_FEED_SD, _USE_SD = 0.05, 0.1


@dataclass(frozen=True)
class Ageing:
    """One membrane, day by day; the truth is the crossing in the warmest water on the mean feed."""

    use_l: list[float]
    feed: Expected
    """The mean feed as it is known: with the error that its deviation states."""
    use_error: float
    """The mean use as it is known, over the true one."""
    rejection_percent: float
    seen_feed: list[float]
    product: list[float]
    celsius: list[float]
    crossing_day: int


def ageing(kind: str, seed: int) -> Ageing:
    """Return the life of one membrane of a kind."""
    rng = np.random.default_rng([seed, 100 + KINDS.index(kind)])
    day = np.arange(_DAYS, dtype=float)
    typical_l = math.exp(rng.uniform(math.log(8.0), math.log(60.0)))
    feed_ppm = rng.uniform(180.0, 400.0)
    start = rng.uniform(0.04, 0.07)
    warmth = rng.uniform(0.015, 0.035)
    celsius = WARMEST_C - 8.0 + 7.5 * np.cos(2.0 * math.pi * (day / 365.25 - rng.uniform()))
    # From here on the product crosses the limit in the warmest water.
    room = math.log(LIMIT_PPM / feed_ppm / start) - warmth * (WARMEST_C - 25.0)
    if kind in CURVES:
        use_l = np.full(_DAYS, typical_l)
        growth, lag = _curve(rng, kind, day, room), np.zeros(_DAYS)
    else:
        use_l = garden_use(rng, day, typical_l)
        growth = _worn(rng, kind, use_l, celsius, room)
        lag = wander(rng, day, 0.04, rng.uniform(1.0, 8.0))
    end = int(np.argmax(growth >= room))
    assert end > 0
    feed = feed_ppm * season(rng, day, 0.08) * np.exp(wander(rng, day, 0.06, 15.0))
    noise = rng.normal(0.0, rng.uniform(0.03, 0.10), _DAYS) + lag
    product = feed * start * np.exp(growth + warmth * (celsius - 25.0) + noise)
    rated = 100.0 * (1.0 - start * math.exp(rng.normal(0.0, 0.25)))
    kept = slice(0, end)
    known_ppm = feed_ppm * math.exp(rng.normal(0.0, _FEED_SD))
    return Ageing(
        use_l[kept].tolist(),
        Expected(known_ppm, _FEED_SD * known_ppm),
        math.exp(rng.normal(0.0, _USE_SD)),
        rated,
        feed[kept].tolist(),
        product[kept].tolist(),
        celsius[kept].tolist(),
        end,
    )


def _curve(rng: np.random.Generator, kind: str, day: Floats, room: float) -> Floats:
    """Return ln(passage) over that of the new membrane."""
    life = rng.uniform(250.0, 900.0)
    if kind == "slow":
        return np.asarray(room * day / life)
    if kind == "quickening":
        return np.asarray(room * (day / life) ** rng.uniform(1.5, 2.5))
    if kind == "fast":
        return day / 20.0
    return np.asarray(0.00005 * day + np.maximum(day - rng.uniform(20.0, 300.0), 0.0) / 20.0)


def _worn(rng: np.random.Generator, kind: str, use_l: Floats, celsius: Floats, room: float) -> Floats:
    """Return ln(passage) over that of the new membrane, from permeability, flux and leak of each day."""
    life = rng.uniform(250.0, 900.0)
    excess = math.exp(room) - 1.0
    pace = excess / life
    dose = use_l / use_l.mean()
    if kind == "oxidised":
        # A film resists until its reserve is used, then its permeability grows with the dose.
        reserve = rng.uniform(0.0, 0.5) * life
        taken = np.cumsum(dose)
        return np.log1p(excess * np.maximum(taken - reserve, 0.0) / (life - reserve))
    if kind == "hydrolysed":
        # Doubles every ten kelvin (common practice, no source). What is broken opens the rest.
        broken, through = 0.0, []
        for warm in celsius:
            broken += 0.6 * pace * 2.0 ** ((warm - 15.0) / 10.0) * (1.0 + broken)
            through.append(math.log1p(broken))
        return np.array(through)
    if kind == "fouled":
        # A cake throttles the flux, so that less water dilutes the same salt; a rinse takes part of it.
        cake, through, rinsed = 0.0, [], rng.uniform(40.0, 200.0)
        for day, litres in enumerate(dose):
            cake += 1.3 * pace * litres
            if day % rinsed < 1.0:
                cake *= rng.uniform(0.75, 0.95)
            through.append(math.log1p(cake + 0.3 * pace * day))
        return np.array(through)
    tears, e_fold = rng.uniform(30.0, 500.0), rng.uniform(6.0, 25.0)
    days = np.arange(len(use_l), dtype=float)
    leak = np.where(days > tears, 0.05 * np.exp(np.minimum((days - tears) / e_fold, 20.0)), 0.0)
    return np.log1p(0.2 * pace * days + leak)


def follow(world: Ageing) -> Score:
    """Run the membrane through the estimate.

    The mean feed and the mean use ahead are known to a few per cent. Their learning is judged elsewhere.
    """
    state = membrane.begin(world.rejection_percent)
    rows: list[Row] = []
    ordered = math.inf
    due = 0.05
    total_l = sum(world.use_l)
    treated_l = 0.0
    for day, (litres, feed_ppm, product, celsius) in enumerate(
        zip(world.use_l, world.seen_feed, world.product, world.celsius, strict=True), start=1
    ):
        treated_l += litres
        state = membrane.observe(state, litres, feed_ppm, product, celsius, 10.0, float(day))
        share = day / world.crossing_day
        if share < due and not (math.isinf(ordered) and (day % 3 == 0 or share > 0.8)):
            continue
        left, left_l = world.crossing_day - day, total_l - treated_l
        a_day = world.use_error * (left_l / left if left else litres)
        use = Expected(a_day, _USE_SD * a_day)
        found = membrane.forecast(state, LIMIT_PPM, world.feed, WARMEST_C, use, LEAD_DAYS)
        if found.order_now:
            ordered = min(ordered, day)
        if share >= due:
            due += 0.05
            in_litres = inside(found.litres_left, left_l)
            error = (found.days_left.median - left) / world.crossing_day
            rows.append(Row(share, True, *in_litres, *inside(found.days_left, left), error))
    at = min(ordered, world.crossing_day)
    return Score(tuple(rows), at + LEAD_DAYS - world.crossing_day, at / world.crossing_day)
