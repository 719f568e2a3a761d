"""The learned state of a station's purifier and use, and the forecast made from it. Core.

The learner of a station, purifiers kept by hand and the report's backtest share these functions.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from bridge.purifier import breakthrough, membrane
from bridge.purifier import cartridge as distiller
from bridge.purifier.breakthrough import Front
from bridge.purifier.cartridge import Capacity, Evidence, Kind, Load, estimate
from bridge.purifier.forecast import Forecast, cells_left, forecast, from_cells, interval, over_days
from bridge.purifier.membrane import Membrane
from bridge.purifier.season import Expected, Season, begin_season, expected_in_season, learn_season
from bridge.station.plan import CartridgePlan, StationPlan
from bridge.station.view import Outlook
from bridge.tank.use import DrawOff, DrawOffSettings

UNTRIPPED_SHARE = 0.98
"""If the guard has not tripped, the mean product is clamped to this share of the limit."""
MOST_EARLIER = 12
"""Number of earlier cartridges that count, the latest ones."""
LEAST_EARLIER_SHARE = 0.02
"""A cartridge changed below this share of its rating is ignored: the button was probably pressed twice."""
WARMEST_C = 20.0
"""A membrane is forecast for water at least this warm, °C, until a summer has been measured."""
FEED_SD_SHARE = 0.10
USE_SD_SHARE = 0.5
"""Relative standard deviations of feed and use until a week of each has been measured."""
FEED_LIVELY_ODDS = 0.06
USE_LIVELY_ODDS = 4.0
"""Odds that a quantity swings and wanders widely, before it was seen: few supplies do, most gardens do
(common practice, no source)."""
LEARN_DAYS = 7.0
"""The seasonal models of feed and use take means over at least this many days."""
MONTHS = 18
"""A membrane is forecast for the feed of so many months of 30 days. It crosses the limit in hard feed."""
LONGEST_STRETCH_DAYS = 30.0
"""Longest time without an update over which use is averaged."""


@dataclass(frozen=True, slots=True)
class Learned:
    """The learned state, kept over a restart.

    Days are days since 1970-01-01 UTC; litres count over all cartridges.
    """

    front: Front | None = None
    membrane: Membrane | None = None
    booked_l: float = 0.0
    """Litres of this cartridge already applied to the front or the membrane."""
    total_l: float = 0.0
    feed: Season | None = None
    feed_sum: float = 0.0
    """Sum of the feed, ppm, over ``feed_looks`` updates since ``since_day``."""
    feed_looks: int = 0
    feed_seen_ppm: float | None = None
    """The last value of the feed. An unchanged value is the same sample, and no second one."""
    use: Season | None = None
    since_day: float | None = None
    since_l: float = 0.0
    draw: DrawOff = DrawOff()
    warmest_c: float = WARMEST_C
    days: float = 30.0
    """Days left by the last forecast; feed and use are averaged over this time."""
    due: bool = False
    """Whether the last forecast found that it is time to order."""
    order: bool = False
    """Whether the order advisory stands: ``due`` with hysteresis."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The learned state with its context, so that it can be read without a configuration."""

    learned: Learned
    fitted: CartridgePlan | None
    limit_ppm: float
    feed_ppm: float | None
    volume_l: float | None
    load: Load


def restored(
    plan: StationPlan, earlier: tuple[Evidence, ...], load: Load, learned: Learned | None
) -> Learned:
    """Returns the saved state, with a new front or membrane if the kind of purifier has changed."""
    fresh = new_state(plan, earlier, load)
    if learned is None:
        return fresh
    same = (learned.front is None) is (fresh.front is None)
    if same and (learned.membrane is None) is (fresh.membrane is None):
        return learned
    return replace(
        learned, front=fresh.front, membrane=fresh.membrane, booked_l=fresh.booked_l, due=False, order=False
    )


def new_state(plan: StationPlan, earlier: tuple[Evidence, ...], load: Load) -> Learned:
    """Returns the state at the start of a cartridge, or of one of which only the load is known."""
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
    """Returns the capacity of an exchange cartridge before its own product was measured.

    Args:
        fitted: The cartridge; its ``rated_g`` must not be None.
        earlier: The final loads of earlier cartridges.

    Returns:
        The prior of the capacity.
    """
    assert fitted.rated_g is not None
    return estimate(fitted.rated_g, earlier, fitted.rating_sd)


def worth_keeping(fitted: CartridgePlan | None, earlier: Iterable[Evidence]) -> tuple[Evidence, ...]:
    """Returns the latest earlier cartridges whose load is large enough to be evidence."""
    least_g = 0.0
    if fitted is not None and fitted.rated_g is not None:
        least_g = LEAST_EARLIER_SHARE * fitted.rated_g
    return tuple([one for one in earlier if one.load_g > least_g][-MOST_EARLIER:])


def add_to_seasons(
    learned: Learned, day: float, feed_ppm: float | None, longest_days: float = LONGEST_STRETCH_DAYS
) -> Learned:
    """Adds one update to the seasonal models of feed and use.

    Args:
        learned: The state before.
        day: Days since 1970-01-01 UTC.
        feed_ppm: The feed, ppm; None if nothing was treated since the last update. A value that has not
            changed is a sample that still stands, and counts once.
        longest_days: After a longer time without an update the use in it is unknown, and a new mean starts.

    Returns:
        The state after.
    """
    if feed_ppm is not None and feed_ppm != learned.feed_seen_ppm:
        learned = replace(
            learned,
            feed_sum=learned.feed_sum + feed_ppm,
            feed_looks=learned.feed_looks + 1,
            feed_seen_ppm=feed_ppm,
        )
    if learned.since_day is None or day - learned.since_day > longest_days:
        # The bridge did not run, or the clock was set only now.
        return replace(learned, since_day=day, since_l=learned.total_l)
    if day - learned.since_day < LEARN_DAYS:
        return learned
    per_day = (learned.total_l - learned.since_l) / (day - learned.since_day)
    feed, use = learned.feed, learned.use
    if learned.feed_looks:
        mean_ppm = learned.feed_sum / learned.feed_looks
        feed = feed or begin_season(max(mean_ppm, 1e-3), learned.since_day, FEED_LIVELY_ODDS)
        feed = learn_season(feed, day, mean_ppm)
    if use is not None or per_day > 0.0:
        use = learn_season(use or begin_season(per_day, learned.since_day, USE_LIVELY_ODDS), day, per_day)
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
) -> Forecast | Outlook | None:
    """Makes the forecast of a purifier.

    Args:
        fitted: The cartridge, membrane or distiller; None if none is configured.
        limit_ppm: The product's limit, ppm.
        learned: The learned state.
        feed_ppm: The last known feed, ppm, used until the seasonal model has one.
        load: The load of the cartridge in use.
        day: Days since 1970-01-01 UTC.

    Returns:
        The forecast; an outlook with the litres left alone while the use is unknown; None if neither is
        known.
    """
    if fitted is None:
        return None
    end = day + max(learned.days, 1.0)
    feed: Expected | None = None
    if learned.feed is not None:
        feed = expected_in_season(learned.feed, day, end)
    elif feed_ppm is not None and feed_ppm > 0.0:
        feed = Expected(feed_ppm, FEED_SD_SHARE * feed_ppm)
    if feed is None:
        return None
    use = expected_use(learned, day, end)
    if learned.front is not None:
        if use is None:
            left = interval(cells_left(learned.front, feed))
            return Outlook(left, rests_on=f"{learned.front.grid.prior.rests_on}; use not known yet")
        if learned.feed is not None and learned.use is not None:
            return over_days(learned.front, learned.feed, learned.use, day, learned.days, fitted.lead_days)
        return forecast(learned.front, feed, use, fitted.lead_days)
    a_day = use or Expected(1.0, 0.0)
    found: Forecast | None = None
    if learned.membrane is not None:
        seasons = learned.feed
        months = (
            [feed]
            if seasons is None
            else [expected_in_season(seasons, day + 30.0 * k, day + 30.0 * (k + 1)) for k in range(MONTHS)]
        )
        found = membrane.forecast(
            learned.membrane, limit_ppm, months, learned.warmest_c, a_day, fitted.lead_days
        )
    elif fitted.kind is Kind.DISTILLER and fitted.rated_g is not None:
        left_l = distiller.litres_to_descaling(load.treated_l, feed.mean, fitted.rated_g)
        rests_on = f"scale of at most the whole feed, {feed.mean:.3g} ppm"
        found = from_cells([(left_l, left_l, 1.0)], a_day, fitted.lead_days, rests_on)
    if found is None or use is not None:
        return found
    return Outlook(found.litres_left, rests_on="use not known yet")


def expected_use(learned: Learned, day: float, end: float) -> Expected | None:
    """Returns the product to be drawn, litres a day; None until a day has been measured."""
    if learned.use is not None:
        return expected_in_season(learned.use, day, end)
    if learned.since_day is None or day - learned.since_day < 1.0:
        return None
    per_day = (learned.total_l - learned.since_l) / (day - learned.since_day)
    return Expected(per_day, USE_SD_SHARE * per_day) if per_day > 0.0 else None


def draw_off_settings(plan: StationPlan) -> DrawOffSettings:
    """Returns the settings to detect use of this reservoir.

    The resolution is the inventory's noise, or the step of the level sensor in the middle of the tank.
    """
    resolution_l = 0.005 * plan.identity.capacity_l
    sensor, shape = plan.level.level_sensor, plan.level.shape
    if sensor is not None:
        middle_m = 0.5 * shape.height_m
        step_l = shape.volume_l(min(middle_m + sensor.step_m, shape.height_m)) - shape.volume_l(middle_m)
        resolution_l = max(resolution_l, step_l)
    rise_l = max(2.0 * resolution_l, 1.0, plan.limits.rise_closed_l or 0.0)
    return DrawOffSettings(
        resolution_l=resolution_l, rise_l=max(rise_l, 1.01 * resolution_l), night_draw=plan.night_draw
    )
