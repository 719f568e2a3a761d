"""When a tray runs dry, when it passes its limit, and the flush that keeps it under.

The outlook carries the estimate of a tray through the days to come at the usual draw-off. An interval has
the days on which the upper and the lower 10 % of the estimate cross. It holds as long as the tray is filled
to its mark (for the limit), or is not filled at all (for dryness).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from bridge.errors import InputError
from bridge.tank.shapes import not_negative, positive
from bridge.trays.balance import Flush, run_off_share
from bridge.trays.tray import (
    Tray,
    TrayPlan,
    after_day,
    after_filling,
    widened,
)

HORIZON_DAYS = 120
"""A later day is not forecast."""
Z80 = 1.2816
"""The quantile of 90 % of a normal distribution: an 80 % interval is this many standard deviations wide on
either side."""
SPELL_SD = 0.13
"""Relative standard uncertainty of the usual draw-off of the weeks to come: a hot or a dull spell. Measured
on the daily weather of Seattle from 2012 to 2015 (the data set ``seattle_weather`` of the package
vega_datasets): two weeks of Hargreaves differ from what the weeks before suggest by 13 %."""
OPEN_SD = 0.12
"""The same, in addition, for a tray in the rain: its draw-off is learned between rains that are known to
a quarter, and days without rain are sunnier than those before them (invented gardens, no source)."""


@dataclass(frozen=True, slots=True)
class Days:
    """Days from now until an event; infinite if it does not come within :data:`HORIZON_DAYS`."""

    median: float
    low80: float
    high80: float

    @property
    def within_horizon(self) -> bool:
        """Whether the event is expected at all."""
        return math.isfinite(self.median)


def chance_after(event: Days, days: float) -> float:
    """Return the probability that an event comes later than so many days from now.

    The logarithm of its time is taken to be normal, with the 80 % interval of the event.
    """
    if event.median <= 0.0:
        return 0.0
    if not event.within_horizon:
        # Of an event whose early end alone is known only that much can be told.
        return 0.5 if math.isfinite(event.low80) and event.low80 < days else 1.0
    low = max(event.low80, 1e-3)
    sd = math.log(event.median / low) / Z80
    if math.isfinite(event.high80):
        sd = max(math.log(event.high80 / low) / (2.0 * Z80), 1e-6)
    return 1.0 - NormalDist(math.log(event.median), max(sd, 1e-6)).cdf(math.log(max(days, 1e-3)))


@dataclass(frozen=True, slots=True)
class Fed:
    """The water that a tray is given."""

    ppm: float
    ppm_sd: float = 0.0

    def __post_init__(self) -> None:
        not_negative("Water given", "the concentration", self.ppm, "ppm")
        not_negative("Water given", "its standard uncertainty", self.ppm_sd, "ppm")


def days_until_dry(tray: Tray, plan: TrayPlan, nominal_l: Sequence[float]) -> Days:
    """Return the days until no water stands in the tray, if nobody fills it and no rain falls.

    Args:
        tray: The estimate now.
        plan: The tray.
        nominal_l: The usual draw-off of the days to come, before the learned factor; the last one repeats.
    """
    at = _with_spell(tray, plan)
    marks = [_free(at, plan)]
    for day in range(HORIZON_DAYS):
        at = after_day(at, plan, nominal_l[min(day, len(nominal_l) - 1)])
        marks.append(_free(at, plan))
        if marks[-1][2] <= 0.0:
            break
    median, low, high = ([mark[i] for mark in marks] for i in (1, 0, 2))
    return Days(*(_crossing(values, 0.0, falling=True) for values in (median, low, high)))


def _free(tray: Tray, plan: TrayPlan) -> tuple[float, float, float]:
    free_l = tray.volume_l - plan.held_l
    return free_l - Z80 * tray.volume_sd_l, free_l, free_l + Z80 * tray.volume_sd_l


def days_until_limit(
    tray: Tray,
    plan: TrayPlan,
    nominal_l: Sequence[float],
    fed: Fed,
    month: int,
    limit_ppm: float | None = None,
) -> Days:
    """Return the days until the tray is over its limit, if it is filled to its mark and not flushed.

    Args:
        tray: The estimate now.
        plan: The tray.
        nominal_l: As for :func:`days_until_dry`. For a tray in the rain this is the worst case: no rain.
        fed: The water that it is given.
        month: The month, for the depth that is kept.
        limit_ppm: Another level than the limit of the plan.
    """
    limit = plan.limit_ppm if limit_ppm is None else limit_ppm
    # Before the first draw-off the tray is filled, so that the cycle of the depth does not blur the trend.
    at = filled(_with_spell(tray, plan), plan, fed, month)
    curves = [_log_ppm(at)]
    for day in range(HORIZON_DAYS):
        at = after_day(at, plan, nominal_l[min(day, len(nominal_l) - 1)])
        at = filled(at, plan, fed, month)
        curves.append(_log_ppm(at))
        if curves[-1][0] >= math.log(limit):
            break
    median, low, high = ([curve[i] for curve in curves] for i in (1, 2, 0))
    return Days(*(_crossing(values, math.log(limit), falling=False) for values in (median, low, high)))


def upper_ppm(tray: Tray, plan: TrayPlan, nominal_l: Sequence[float], days: float) -> float:
    """Return the highest upper end of the 80 % interval of the ppm in the days to come without any water.

    Between two fillings the depth falls, and what is left is more concentrated.
    """
    at = tray
    highest = _log_ppm(at)[2]
    for day in range(math.ceil(days)):
        at = after_day(at, plan, nominal_l[min(day, len(nominal_l) - 1)])
        highest = max(highest, _log_ppm(at)[2])
    return math.exp(highest)


def _log_ppm(tray: Tray) -> tuple[float, float, float]:
    middle, half = math.log(max(tray.ppm, 1e-3)), Z80 * tray.log_ppm_sd
    return middle - half, middle, middle + half


def _with_spell(tray: Tray, plan: TrayPlan) -> Tray:
    open_sd = 0.0 if plan.covered else OPEN_SD
    return widened(tray, (0.0, 0.0, SPELL_SD**2 + open_sd**2, 0.0))


def filled(tray: Tray, plan: TrayPlan, fed: Fed, month: int) -> Tray:
    """Return the estimate after a person has filled the tray with the litres that its mark should need."""
    litres = max(plan.at_depth(plan.mark_mm(month)) - tray.volume_l, 0.0)
    if litres == 0.0:
        return tray
    return after_filling(tray, plan, litres, fed.ppm, month, fed.ppm_sd)


def _crossing(values: Sequence[float], level: float, *, falling: bool) -> float:
    """Return the day on which a curve crosses a level, interpolated between the days."""
    sign = -1.0 if falling else 1.0
    for day, value in enumerate(values):
        over = sign * (value - level)
        if over < 0.0:
            continue
        if day == 0:
            return 0.0
        before = sign * (values[day - 1] - level)
        return day - 1.0 + before / (before - over)
    return math.inf


@dataclass(frozen=True, slots=True)
class FlushPlan:
    """The flush that a tray needs.

    Attributes:
        water: The id of the water to use.
        flush: The litres; both zero if none is needed.
        weeks: How long the tray is then expected to stay under ``keep_ppm``.
        keep_ppm: The level that it stays under: the target, or the limit if the water cannot keep the target.
    """

    water: str
    flush: Flush
    weeks: float
    keep_ppm: float


def flush_for(
    tray: Tray,
    plan: TrayPlan,
    waters: dict[str, Fed],
    nominal_l: Sequence[float],
    month: int,
    weeks: float = 4.0,
) -> FlushPlan:
    """Return the flush that brings a tray under the target and keeps it there for so many weeks.

    If no flush keeps it that long, the one that takes the tray nine tenths of the way to the purest water is
    returned, with the weeks that this lasts.

    Args:
        tray: The estimate now.
        plan: The tray.
        waters: The waters at hand by their ids; the purest is taken.
        nominal_l: As for :func:`days_until_dry`.
        month: The month, for the depth that is kept.
        weeks: The weeks that it shall stay under the target.

    Raises:
        InputError: No water is under the limit, so that no flush helps.
    """
    positive("Flush", "the weeks", weeks, "weeks")
    word, fed = min(waters.items(), key=lambda item: item[1].ppm)
    upper_ppm = fed.ppm + Z80 * fed.ppm_sd
    if upper_ppm >= plan.limit_ppm:
        raise InputError(
            f"Tray {plan.ident}: the purest water at hand, {word} with {fed.ppm:.3g} ppm, is not safely "
            f"under the limit of {plan.limit_ppm:g} ppm; no flush with it helps. Make or buy purer water."
        )
    keep_ppm = plan.target_ppm if upper_ppm < 0.8 * plan.target_ppm else plan.limit_ppm
    if not plan.drained:
        # The round fills it too; what is poured through a drained one fills it first.
        tray = filled(tray, plan, fed, month)
    volume_l = plan.at_depth(plan.mark_mm(month))
    draw_l = math.exp(tray.log_draw) * sum(nominal_l) / len(nominal_l)
    rise_ppm_per_week = 7.0 * draw_l * fed.ppm / volume_l
    upper_now = tray.ppm * math.exp(Z80 * tray.log_ppm_sd)
    purest = fed.ppm + 0.1 * max(tray.ppm - fed.ppm, 0.0)
    # The estimate's relative uncertainty also holds for what the flush leaves.
    aim = (keep_ppm - weeks * rise_ppm_per_week) * math.exp(-Z80 * tray.log_ppm_sd)
    aim = max(aim, purest)
    if upper_now <= keep_ppm - weeks * rise_ppm_per_week or tray.ppm <= max(aim, fed.ppm + 0.1):
        lasts = (keep_ppm - tray.ppm) / rise_ppm_per_week if rise_ppm_per_week > 0.0 else math.inf
        return FlushPlan(word, Flush(0.0, 0.0, tray.ppm), max(lasts, 0.0), keep_ppm)
    # What is poured in first fills the tray to its spill level; the rest replaces the mixture.
    room_l = max(plan.spill_l - tray.volume_l, 0.0)
    at_spill = (tray.solids_mg + room_l * fed.ppm) / (tray.volume_l + room_l)
    through_l = room_l + plan.spill_l * math.log(max((at_spill - fed.ppm) / (aim - fed.ppm), 1.0))
    # Only the water that stands in the tray can be tipped out, not that in the pots.
    excess = (tray.ppm - fed.ppm) / (aim - fed.ppm)
    exchange_l = min(volume_l * (1.0 - 1.0 / excess), 0.95 * (volume_l - plan.held_l))
    if not plan.drained:
        aim = tray.ppm - exchange_l / volume_l * (tray.ppm - fed.ppm)
    lasts = (keep_ppm - aim) / rise_ppm_per_week if rise_ppm_per_week > 0.0 else math.inf
    return FlushPlan(word, Flush(through_l, exchange_l, aim), max(lasts, 0.0), keep_ppm)


def water_with_leaching(draw_l: float, share: float) -> float:
    """Return the water to give so that ``share`` of it runs through: draw-off / (1 - share).

    R. S. Ayers, D. W. Westcot, *Water quality for agriculture*, FAO Irrigation and Drainage Paper 29 Rev. 1,
    Rome 1985.
    """
    not_negative("Leaching", "the draw-off", draw_l, "L")
    if not 0.0 <= share < 1.0:
        raise InputError(f"Leaching: a share of {share:g}; it must be from 0 to less than 1.")
    return draw_l / (1.0 - share)


def leaching_share(plan: TrayPlan, fed: Fed, share_of_limit: float = 0.9) -> float | None:
    """Return the share of the water given that must run off a tray so that it needs no flush.

    The tray is well stirred, so its run-off has its own concentration: the share is given / kept. None if the
    water given has more than the concentration that is to be kept.

    Args:
        plan: The tray.
        fed: The water given.
        share_of_limit: The concentration to keep, as a share of the limit.
    """
    keep_ppm = share_of_limit * plan.limit_ppm
    return run_off_share(fed.ppm, keep_ppm) if fed.ppm < keep_ppm else None
