"""Collects from the readings what the watch over the product cell tests. Core.

A fill has the mean of its first seconds, its settled product, and both temperatures at its end. A night is a
time of standing water: it begins ten minutes after the water stops, has a reading a minute, and ends after
:data:`NIGHT_S` or when water flows. After a night that was a test, the next one begins a day later.

While the cell is doubtful, and as its calibration becomes older, its constant has a larger uncertainty, so
the valve shuts earlier.
"""

from dataclasses import dataclass, replace

from bridge.estimate import watch
from bridge.estimate.watch import CellWatch
from bridge.station.plan import StationPlan
from bridge.water.calibration import DRIFT_PERCENT_PER_YEAR
from bridge.water.conductivity import pure_water_us_cm
from bridge.water.measurement import Measurement, budget_at

NIGHT_S = 14.0 * 3600.0
NIGHT_EVERY_S = 24.0 * 3600.0
STILL_AFTER_S = 600.0
NIGHT_READING_S = 60.0
SETTLING_S = 15.0
"""Time constant of the mean of the settled product."""
DUE_SHARE = 0.15
"""A calibration is due when the interval at the limit (k = 2) is wider than this share of it on each side."""
DUE_AT_C = 15.0
_YEAR_S = 365.25 * 86_400.0


@dataclass(frozen=True, slots=True)
class CellRun:
    """The present fill or the present standing of the water, as far as the watch needs it."""

    flows: bool = False
    since: float | None = None
    """Since when the water flows or stands. None before the first reading."""
    stood_s: float = 0.0
    """How long the water stood before the present fill."""
    first_sum: float = 0.0
    first_n: int = 0
    settled_us: float = 0.0
    read_at: float = 0.0
    product_c: float | None = None
    feed_c: float | None = None
    night_from: float | None = None
    night_read_at: float = 0.0
    next_night_at: float = 0.0


def look(
    run: CellRun,
    seen: CellWatch,
    flows: bool,
    product: Measurement | None,
    feed: Measurement | None,
    now: float,
) -> tuple[CellRun, CellWatch]:
    """Return the run and the watch after one reading.

    Args:
        run: the run so far.
        seen: the watch so far.
        flows: True if the controller reports an open valve.
        product: the product by its probe; None without a sound value.
        feed: the feed by its probe; None without a probe or a sound value.
        now: monotonic seconds.
    """
    if run.since is None:
        return replace(run, flows=flows, since=now, read_at=now), seen
    if flows is not run.flows:
        if flows:
            stood_s = now - run.since
            run, seen = _night_over(run, seen)
            return CellRun(True, now, stood_s, read_at=now, next_night_at=run.next_night_at), seen
        seen = _fill_over(run, seen, now)
        return CellRun(False, now, read_at=now, next_night_at=run.next_night_at), seen
    if flows:
        return _flowing(run, product, feed, now), seen
    return _standing(run, seen, product, now)


def _flowing(run: CellRun, product: Measurement | None, feed: Measurement | None, now: float) -> CellRun:
    if product is None or run.since is None:
        return replace(run, read_at=now)
    us, first_sum, first_n = product.conductivity_25_us_cm, run.first_sum, run.first_n
    if now - run.since <= watch.FIRST_S:
        first_sum, first_n = first_sum + us, first_n + 1
    share = min((now - run.read_at) / SETTLING_S, 1.0) if run.settled_us > 0.0 else 1.0
    return replace(
        run,
        first_sum=first_sum,
        first_n=first_n,
        settled_us=run.settled_us + share * (us - run.settled_us),
        read_at=now,
        product_c=product.temperature_c,
        feed_c=None if feed is None else feed.temperature_c,
    )


def _fill_over(run: CellRun, seen: CellWatch, now: float) -> CellWatch:
    flowed_s = now - (now if run.since is None else run.since)
    if run.first_n and flowed_s > 2.0 * watch.FIRST_S:
        seen = watch.fill_seen(seen, run.first_sum / run.first_n, run.settled_us, run.stood_s)
    if run.product_c is not None and run.feed_c is not None:
        seen = watch.temperatures_seen(seen, run.product_c, run.feed_c, flowed_s)
    return seen


def _standing(
    run: CellRun, seen: CellWatch, product: Measurement | None, now: float
) -> tuple[CellRun, CellWatch]:
    if run.night_from is None:
        if run.since is None or now - run.since < STILL_AFTER_S or now < run.next_night_at:
            return run, seen
        return replace(run, night_from=now, night_read_at=now), seen
    if now - run.night_from >= NIGHT_S:
        return _night_over(run, seen)
    if now - run.night_read_at < NIGHT_READING_S or product is None or product.temperature_c is None:
        return run, seen
    hours = (now - run.night_from) / 3600.0
    celsius = product.temperature_c
    if not 0.0 <= celsius <= 50.0:
        return run, seen
    pure_us_cm = pure_water_us_cm(celsius)
    seen = watch.night_reading(seen, product.conductivity_us_cm, pure_us_cm, celsius, hours)
    return replace(run, night_read_at=now), seen


def _night_over(run: CellRun, seen: CellWatch) -> tuple[CellRun, CellWatch]:
    if run.night_from is None:
        return run, seen
    ended = watch.night_ended(seen)
    # Two tests in one day would be no two nights.
    tested = (ended.last_slope, ended.steep_nights) != (seen.last_slope, seen.steep_nights)
    next_at = run.night_from + NIGHT_EVERY_S if tested else run.next_night_at
    return replace(run, night_from=None, next_night_at=next_at), ended


def in_use(plan: StationPlan, seen: CellWatch, running_s: float) -> StationPlan:
    """Return the plan with the present uncertainty of the product cell.

    Args:
        plan: the plan as it was at the start.
        seen: the watch over the cell.
        running_s: the time since then.
    """
    chain = plan.product.chain
    percent = chain.uncertainties.cell_constant_percent
    if plan.product.calibration is not None:
        percent += DRIFT_PERCENT_PER_YEAR * running_s / _YEAR_S
    uncertainties = replace(chain.uncertainties, cell_constant_percent=watch.constant_percent(seen, percent))
    product = replace(plan.product, chain=replace(chain, uncertainties=uncertainties))
    return replace(plan, product=product)


def calibration_due(plan: StationPlan) -> bool:
    """Return whether the interval at the limit has become too wide."""
    limit_ppm = plan.limits.limit_ppm
    return budget_at(plan.product.chain, limit_ppm, DUE_AT_C).expanded_ppm > DUE_SHARE * limit_ppm
