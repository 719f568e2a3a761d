"""Lives of membranes to judge the forecast by: slow, quickening and sudden ageing, warmth, feed and noise."""

import math
from dataclasses import dataclass

import numpy as np

from bridge.purifier import membrane
from bridge.purifier.forecast import Expected
from tests.purifier.judging import Row, Score, inside
from tests.purifier.worlds import season, wander

LIMIT_PPM = 50.0
WARMEST_C = 22.0
LEAD_DAYS = 7.0
KINDS = ("slow", "quickening", "fast", "sudden")


@dataclass(frozen=True)
class Ageing:
    """One membrane, day by day; the truth is the crossing in the warmest water on the mean feed."""

    use_l: float
    feed_ppm: float
    rejection_percent: float
    seen_feed: list[float]
    product: list[float]
    celsius: list[float]
    crossing_day: int


def ageing(kind: str, seed: int) -> Ageing:
    """Return a membrane that ages slowly, quickens, or fails by e-folds of 20 days, at once or later."""
    rng = np.random.default_rng([seed, 100 + KINDS.index(kind)])
    days = 3000
    day = np.arange(days, dtype=float)
    use_l, feed_ppm = math.exp(rng.uniform(math.log(8.0), math.log(60.0))), rng.uniform(180.0, 400.0)
    start = rng.uniform(0.04, 0.07)
    life = rng.uniform(250.0, 900.0)
    warmth = rng.uniform(0.015, 0.035)
    hottest = math.log(LIMIT_PPM / feed_ppm / start) - warmth * (WARMEST_C - 25.0)
    if kind == "slow":
        growth = hottest * day / life
    elif kind == "quickening":
        growth = hottest * (day / life) ** rng.uniform(1.5, 2.5)
    elif kind == "fast":
        growth = day / 20.0
    else:
        growth = 0.00005 * day + np.maximum(day - rng.uniform(20.0, 300.0), 0.0) / 20.0
    end = int(np.argmax(growth >= hottest))
    celsius = WARMEST_C - 8.0 + 7.5 * np.cos(2.0 * math.pi * (day / 365.25 - rng.uniform()))
    feed = feed_ppm * season(rng, day, 0.08) * np.exp(wander(rng, day, 0.06, 15.0))
    noise = rng.normal(0.0, rng.uniform(0.03, 0.10), days)
    product = feed * start * np.exp(growth + warmth * (celsius - 25.0) + noise)
    rated = 100.0 * (1.0 - start * math.exp(rng.normal(0.0, 0.25)))
    return Ageing(
        use_l, feed_ppm, rated, feed.tolist()[:end], product.tolist()[:end], celsius.tolist()[:end], end
    )


def follow(world: Ageing) -> Score:
    """Run the membrane through the estimate, with the use and the mean feed known to a tenth."""
    state = membrane.begin(world.rejection_percent)
    rows: list[Row] = []
    ordered = math.inf
    due = 0.05
    feed, use = Expected(world.feed_ppm, 0.05 * world.feed_ppm), Expected(world.use_l, 0.1 * world.use_l)
    for day, (feed_ppm, product, celsius) in enumerate(
        zip(world.seen_feed, world.product, world.celsius, strict=True), start=1
    ):
        state = membrane.observe(state, world.use_l, feed_ppm, product, celsius, 10.0)
        share = day / world.crossing_day
        if share < due and not (math.isinf(ordered) and (day % 3 == 0 or share > 0.8)):
            continue
        found = membrane.forecast(state, LIMIT_PPM, feed, WARMEST_C, use, LEAD_DAYS)
        if found.order_now:
            ordered = min(ordered, day)
        if share >= due:
            due += 0.05
            left = world.crossing_day - day
            litres = inside(found.litres_left, left * world.use_l)
            error = (found.days_left.median - left) / world.crossing_day
            rows.append(Row(share, True, *litres, *inside(found.days_left, left), error))
    at = min(ordered, world.crossing_day)
    return Score(tuple(rows), at + LEAD_DAYS - world.crossing_day, at / world.crossing_day)
