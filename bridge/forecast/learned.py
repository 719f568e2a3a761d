"""What a station has learned of its purifier and its use, and the forecast that follows from it. Core."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from bridge.purifier import breakthrough, membrane, season
from bridge.purifier import cartridge as distiller
from bridge.purifier.breakthrough import Front
from bridge.purifier.capacity import Capacity, Evidence, estimate
from bridge.purifier.cartridge import Kind, Load
from bridge.purifier.forecast import Expected, Forecast, cells_left, forecast, from_cells, interval
from bridge.purifier.membrane import Membrane
from bridge.purifier.season import Season, over_days
from bridge.station.plan import CartridgePlan, StationPlan
from bridge.station.view import Ahead
from bridge.tank.use import DrawOff, DrawOffSettings

MOST_EARLIER = 12
"""So many earlier cartridges are remembered, the last ones."""
LEAST_EARLIER_SHARE = 0.02
"""A cartridge changed before this share of its rating was taken up says nothing (a button pressed twice)."""
WARMEST_C = 20.0
"""A membrane is forecast for water at least this warm, before a summer was seen."""
FEED_SD_SHARE = 0.10
USE_SD_SHARE = 0.5
"""Deviations of feed and use before a week of them was seen."""
LEARN_DAYS = 7.0
"""Feed and use enter their seasons as means of at least so many days."""
LONGEST_STRETCH_DAYS = 30.0


@dataclass(frozen=True, slots=True)
class Learned:
    """What survives a restart. Days are days since 1970 by UTC; litres count over all cartridges."""

    front: Front | None = None
    membrane: Membrane | None = None
    booked_l: float = 0.0
    """Litres of this cartridge that front or membrane know of."""
    total_l: float = 0.0
    feed: Season | None = None
    feed_sum: float = 0.0
    """Sum of the feed, ppm, over ``feed_looks`` looks since ``since_day``."""
    feed_looks: int = 0
    use: Season | None = None
    since_day: float | None = None
    since_l: float = 0.0
    draw: DrawOff = DrawOff()
    warmest_c: float = WARMEST_C
    days: float = 30.0
    """The days left when last forecast: over so many days feed and use are averaged."""
    due: bool = False
    """The last forecast said that it is time to order."""
    order: bool = False


@dataclass(frozen=True, slots=True)
class Kept:
    """What was learned, with what is needed to read it without a configuration."""

    learned: Learned
    fitted: CartridgePlan | None
    limit_ppm: float
    feed_ppm: float | None
    volume_l: float | None
    load: Load


def started(plan: StationPlan, earlier: tuple[Evidence, ...], load: Load, learned: Learned | None) -> Learned:
    """What an earlier process learned, with a fresh front or membrane where it had none of this kind."""
    fresh = begun(plan, earlier, load)
    if learned is None:
        return fresh
    same = (learned.front is None) is (fresh.front is None)
    if same and (learned.membrane is None) is (fresh.membrane is None):
        return learned
    return replace(
        learned, front=fresh.front, membrane=fresh.membrane, booked_l=fresh.booked_l, due=False, order=False
    )


def begun(plan: StationPlan, earlier: tuple[Evidence, ...], load: Load) -> Learned:
    """What is known at the start of a cartridge, or of one whose past only its load tells."""
    fitted = plan.cartridge
    learned = Learned(booked_l=load.treated_l)
    if fitted is None:
        return learned
    if fitted.kind is Kind.MEMBRANE and fitted.rejection_percent is not None:
        return replace(
            learned, membrane=replace(membrane.begin(fitted.rejection_percent), treated_l=load.treated_l)
        )
    if fitted.kind is Kind.EXCHANGE and fitted.rated_g is not None:
        front = breakthrough.begin(prior(fitted, earlier), plan.limits.limit_ppm)
        return replace(learned, front=replace(front, load=load, applied_g=load.taken_up_g))
    return learned


def prior(fitted: CartridgePlan, earlier: tuple[Evidence, ...]) -> Capacity:
    """What is known of an exchange cartridge before its own effluent speaks. ``rated_g`` must be there."""
    assert fitted.rated_g is not None
    return estimate(fitted.rated_g, earlier, fitted.rating_sd)


def worth_keeping(fitted: CartridgePlan | None, earlier: Iterable[Evidence]) -> tuple[Evidence, ...]:
    """The last earlier cartridges that say something."""
    least_g = 0.0
    if fitted is not None and fitted.rated_g is not None:
        least_g = LEAST_EARLIER_SHARE * fitted.rated_g
    return tuple([one for one in earlier if one.load_g > least_g][-MOST_EARLIER:])


def seasoned(
    learned: Learned, day: float, feed_ppm: float | None, longest_days: float = LONGEST_STRETCH_DAYS
) -> Learned:
    """What is known of feed and use after a look on that day; ``feed_ppm`` is None where nothing was treated.

    ``longest_days`` without a look mean that nobody knows what was used meanwhile.
    """
    if feed_ppm is not None:
        learned = replace(learned, feed_sum=learned.feed_sum + feed_ppm, feed_looks=learned.feed_looks + 1)
    if learned.since_day is None or day - learned.since_day > longest_days:
        # The bridge was away, or the clock has only now found its date.
        return replace(learned, since_day=day, since_l=learned.total_l)
    if day - learned.since_day < LEARN_DAYS:
        return learned
    per_day = (learned.total_l - learned.since_l) / (day - learned.since_day)
    feed, use = learned.feed, learned.use
    if learned.feed_looks:
        mean_ppm = learned.feed_sum / learned.feed_looks
        feed = feed or season.begin(max(mean_ppm, 1e-3), learned.since_day)
        feed = season.learn(feed, day, mean_ppm)
    if use is not None or per_day > 0.0:
        use = season.learn(use or season.begin(per_day, learned.since_day), day, per_day)
    return replace(
        learned, feed=feed, use=use, feed_sum=0.0, feed_looks=0, since_day=day, since_l=learned.total_l
    )


def forecast_of(
    fitted: CartridgePlan | None,
    limit_ppm: float,
    learned: Learned,
    feed_ppm: float | None,
    load: Load,
    day: float,
) -> Forecast | Ahead | None:
    """The forecast; an Ahead with the litres alone while no use is known; None where nothing can be said."""
    if fitted is None:
        return None
    end = day + max(learned.days, 1.0)
    feed: Expected | None = None
    if learned.feed is not None:
        feed = season.expected(learned.feed, day, end)
    elif feed_ppm is not None and feed_ppm > 0.0:
        feed = Expected(feed_ppm, FEED_SD_SHARE * feed_ppm)
    if feed is None:
        return None
    use = expected_use(learned, day, end)
    if learned.front is not None:
        if use is None:
            left = interval(cells_left(learned.front, feed))
            return Ahead(left, rests_on=f"{learned.front.grid.prior.rests_on}; use not known yet")
        if learned.feed is not None and learned.use is not None:
            return over_days(learned.front, learned.feed, learned.use, day, learned.days, fitted.lead_days)
        return forecast(learned.front, feed, use, fitted.lead_days)
    a_day = use or Expected(1.0, 0.0)
    said: Forecast | None = None
    if learned.membrane is not None:
        said = membrane.forecast(
            learned.membrane, limit_ppm, feed, learned.warmest_c, a_day, fitted.lead_days
        )
    elif fitted.kind is Kind.DISTILLER and fitted.rated_g is not None:
        left_l = distiller.litres_to_descaling(load.treated_l, feed.mean, fitted.rated_g)
        rests_on = f"scale of at most the whole feed, {feed.mean:.3g} ppm"
        said = from_cells([(left_l, left_l, 1.0)], a_day, fitted.lead_days, rests_on)
    if said is None or use is not None:
        return said
    return Ahead(said.litres_left, rests_on="use not known yet")


def expected_use(learned: Learned, day: float, end: float) -> Expected | None:
    """Product to be drawn, litres a day; None before a day was seen."""
    if learned.use is not None:
        return season.expected(learned.use, day, end)
    if learned.since_day is None or day - learned.since_day < 1.0:
        return None
    per_day = (learned.total_l - learned.since_l) / (day - learned.since_day)
    return Expected(per_day, USE_SD_SHARE * per_day) if per_day > 0.0 else None


def draw_off_settings(plan: StationPlan) -> DrawOffSettings:
    """How to listen to this reservoir: its resolution is what the accounts take for noise."""
    resolution_l = 0.005 * plan.identity.capacity_l
    rise_l = max(2.0 * resolution_l, 1.0, plan.limits.rise_closed_l or 0.0)
    return DrawOffSettings(resolution_l=resolution_l, rise_l=max(rise_l, 1.01 * resolution_l))
