"""Follows a life with the program's own learning, and scores what it forecast."""

import math
from dataclasses import dataclass, replace

from bridge.forecast.learned import Learned, add_to_seasons, forecast_of, prior
from bridge.purifier import breakthrough
from bridge.purifier.breakthrough import Front
from bridge.purifier.cartridge import Evidence, Kind, Load
from bridge.purifier.forecast import Forecast, Interval, over_days
from bridge.purifier.season import LONGEST_DAYS, Season
from bridge.station.plan import CartridgePlan
from tests.purifier.columns import LIMIT_PPM
from tests.purifier.worlds import LEAD_DAYS, STEPS_A_DAY, Life

EVERY = 0.05
"""Share of a life between two rows that are scored."""
TAIL = 0.97
"""From here on a row at every step is scored as the tail."""


@dataclass(frozen=True)
class Row:
    """One forecast: when in the life, and whether the truth was inside its intervals."""

    share: float
    shows: bool
    """Whether the front shows in the product."""
    litres80: bool
    litres95: bool
    days80: bool
    days95: bool
    error: float
    """The median of the litres at the crossing over the truth, less one."""


@dataclass(frozen=True)
class Score:
    """The rows of one life, and by how many days the ordered cartridge came late (negative: early)."""

    rows: tuple[Row, ...]
    late_days: float
    ordered_share: float


def follow(life: Life, orders: bool = True) -> Score:
    """Run the life through the learning of a station."""
    plan = CartridgePlan(kind=Kind.EXCHANGE, rated_g=life.rating_g, lead_days=LEAD_DAYS)
    earlier = tuple(Evidence(grams, exhausted=True) for grams in life.earlier_g)
    learned = Learned(front=breakthrough.begin(prior(plan, earlier), LIMIT_PPM))
    rows: list[Row] = []
    ordered = math.inf
    treated, feed, due = 0.0, math.nan, EVERY
    for step, (litres, feed_seen, product) in enumerate(
        zip(life.litres, life.feed_seen, life.product_seen, strict=True)
    ):
        day = life.start_day + (step + 1) / STEPS_A_DAY
        treated += float(litres)
        feed = float(feed) if math.isnan(feed_seen) else float(feed_seen)
        assert learned.front is not None
        front = breakthrough.observe(learned.front, float(litres), feed, float(product))
        learned = replace(learned, front=front, total_l=learned.total_l + float(litres))
        learned = add_to_seasons(learned, day, feed)
        if front.crossed is not None:
            break
        share = treated / life.crossing_l
        scored = share >= min(due, TAIL)
        if not scored and not (orders and math.isinf(ordered) and step % 4 == 0):
            continue
        found = forecast_of(plan, LIMIT_PPM, learned, feed, Load(), day)
        if not isinstance(found, Forecast):
            continue
        learned = replace(learned, days=min(found.days_left.median, LONGEST_DAYS))
        if found.order_now and math.isinf(ordered):
            ordered = day
        if scored:
            due += EVERY
            rows.append(
                _row(share, front.risen, found, life.crossing_l - treated, life.crossing_day - day, life)
            )
    late = min(ordered, life.crossing_day) + LEAD_DAYS - life.crossing_day
    begun = life.start_day
    return Score(tuple(rows), late, (min(ordered, life.crossing_day) - begun) / (life.crossing_day - begun))


def _row(share: float, shows: bool, found: Forecast, left_l: float, left_days: float, life: Life) -> Row:
    x = found.litres_left
    return Row(
        share,
        shows,
        *inside(x, left_l),
        *inside(found.days_left, left_days),
        (x.median - left_l) / life.crossing_l,
    )


def inside(x: Interval, truth: float) -> tuple[bool, bool]:
    """Return whether the truth is within the 80 % and the 95 % interval."""
    return x.low80 <= truth <= x.high80, x.low95 <= truth <= x.high95


def through_season(front: Front, feed: Season, use: Season, today: float, lead_days: float) -> Forecast:
    """Forecasts with the seasons of feed (ppm) and use (litres a day), as a learner does in a few updates.

    Feed and use are averaged over the days left, which depend on both.
    """
    days = 30.0
    for _ in range(7):
        days = min(over_days(front, feed, use, today, days, lead_days).days_left.median, LONGEST_DAYS)
    return over_days(front, feed, use, today, days, lead_days)
