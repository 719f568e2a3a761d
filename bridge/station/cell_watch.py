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
from bridge.station.plan import CALIBRATION_DAYS, ProbePlan, StationPlan
from bridge.water.conductivity import Compensation, Method, conductivity_25, pure_water_us_cm
from bridge.water.measurement import Measurement, budget_at

NIGHT_S = 14.0 * 3600.0
NIGHT_EVERY_S = 24.0 * 3600.0
STILL_AFTER_S = 600.0
NIGHT_READING_S = 60.0
FLOW_READING_S = 1.0
"""While water flows, the watch takes a reading a second. More of them add cost and no evidence."""
SETTLING_S = 15.0
"""Time constant of the mean of the settled product."""
DUE_SHARE = 0.15
"""A calibration is due when the interval at the limit (k = 2) is wider than this share of it on each side."""
DUE_AT_C = 15.0
_DAY_S = 86_400.0
_AS_WATER = Compensation(Method.PURE)
_PURE_25_US_CM = pure_water_us_cm(25.0)


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
        if now - run.read_at < FLOW_READING_S:
            return run, seen
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
    hours = (now - (run.night_from if run.since is None else run.since)) / 3600.0
    celsius = product.temperature_c
    low_c, high_c = Method.PURE.range_c
    if not low_c <= celsius <= high_c:
        return run, seen
    at_25_us_cm = conductivity_25(_AS_WATER, product.conductivity_us_cm, celsius)
    seen = watch.night_reading(seen, at_25_us_cm - _PURE_25_US_CM, celsius, hours)
    return replace(run, night_read_at=now), seen


def _night_over(run: CellRun, seen: CellWatch) -> tuple[CellRun, CellWatch]:
    if run.night_from is None:
        return run, seen
    ended = watch.night_ended(seen)
    # Two tests in one day would be no two nights.
    tested = ended.nights is not seen.nights
    next_at = run.night_from + NIGHT_EVERY_S if tested else run.next_night_at
    return replace(run, night_from=None, next_night_at=next_at), ended


def in_use(plan: StationPlan, seen: CellWatch, running_s: float) -> StationPlan:
    """Return the plan with the present uncertainties of the cells in the product.

    Args:
        plan: the plan as it was at the start.
        seen: the watch over the cell.
        running_s: the time since then.
    """
    percent = watch.constant_percent(seen, _percent(plan.product, running_s))
    check = plan.check
    if check is not None:
        check = _with_percent(check, _percent(check, running_s))
    return replace(plan, product=_with_percent(plan.product, percent), check=check)


def _percent(probe: ProbePlan, running_s: float) -> float:
    percent = probe.chain.uncertainties.cell_constant_percent
    made = probe.calibration
    return percent if made is None else made.percent_after(percent, running_s)


def _with_percent(probe: ProbePlan, percent: float) -> ProbePlan:
    chain = probe.chain
    uncertainties = replace(chain.uncertainties, cell_constant_percent=percent)
    return replace(probe, chain=replace(chain, uncertainties=uncertainties))


def calibration_due(plan: StationPlan, running_s: float = 0.0) -> bool:
    """Return whether the interval at the limit has become too wide, or the calibration older than a season.

    Args:
        plan: the plan with the present uncertainties.
        running_s: the time since the plan was made.
    """
    made = plan.product.calibration
    if made is not None and made.age_s + running_s > CALIBRATION_DAYS * _DAY_S:
        return True
    limit_ppm = plan.limits.limit_ppm
    return budget_at(plan.product.chain, limit_ppm, DUE_AT_C).expanded_ppm > DUE_SHARE * limit_ppm
