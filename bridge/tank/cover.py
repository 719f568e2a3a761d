"""Days of cover: how long the water in a reservoir lasts, and whether it lasts until a day.

The theory is that of :mod:`bridge.tank.daily_use` and its paths. A path is dry where its sum reaches the
volume; within the day the use follows the learned hours. The ends of an interval are quantiles over the
paths. Whether the water lasts until a day, and the volume that would be enough, are read from the same
paths.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from bridge.errors import InputError
from bridge.tank.daily_use import HORIZON_DAYS, DailyUse, learn, sampled
from bridge.tank.shapes import not_negative
from bridge.tank.use import HOURS, DrawOff, RunningMean

LEAST_DAYS = 4.0
"""Fewer days than this are too few for a forecast."""
ENDS = (0.025, 0.1, 0.5, 0.9, 0.975)
"""The probabilities of the ends of the intervals and of the median."""
_MOST_SEEDED = 21


Paths = Sequence[Sequence[float]]
"""For each path the litres of each day."""


@dataclass(frozen=True, slots=True)
class Cover:
    """Days until the reservoir is dry. Infinity if that is after the horizon."""

    daily_l: float
    """The present draw-off of a day."""
    days: float
    """The median."""
    low80_days: float
    high80_days: float
    low95_days: float
    high95_days: float


def days_until_dry(
    state: DrawOff,
    volume_l: float,
    when: datetime,
    unusable_l: float = 0.0,
    evaporation_l_d: float = 0.0,
    horizon_days: int = HORIZON_DAYS,
    paths: Paths | None = None,
) -> Cover | None:
    """Return how long ``volume_l`` litres last from the local time ``when`` without inflow.

    Args:
        state: the learned draw-off.
        volume_l: the volume in the reservoir.
        when: local time. The forecast begins in its hour.
        unusable_l: the volume below the outlet.
        evaporation_l_d: the evaporation of a day, in addition to the draw-off.
        horizon_days: beyond this the result is infinity: the time is long enough.
        paths: the result of :func:`paths_of` for this state and day, if it is kept. To sample paths takes
            some ten milliseconds, to read the result from them one.

    Returns:
        The forecast, or None before about five days are learned.

    Raises:
        OutOfRangeError: If a volume or the evaporation is negative or not finite.
    """
    not_negative("Days of cover", "the volume", volume_l, "L")
    not_negative("Days of cover", "the unusable volume", unusable_l, "L")
    not_negative("Days of cover", "the evaporation", evaporation_l_d, "L/d")
    usable_l = max(volume_l - unusable_l, 0.0)
    if paths is None:
        paths = paths_of(state, when, usable_l, horizon_days)
    if paths is None:
        return None
    daily_l = max(state.day.mean, 0.0)
    until = _passed(state.hours)
    now = _share_at(until, _hours(when))
    found = sorted(_dry_after(path, usable_l, evaporation_l_d, until, now, _hours(when)) for path in paths)
    low95, low80, median, high80, high95 = (
        value if value < horizon_days else math.inf for value in (_quantile(found, end) for end in ENDS)
    )
    return Cover(daily_l, median, low80, high80, low95, high95)


def paths_of(
    state: DrawOff, when: datetime, enough_l: float, horizon_days: int = HORIZON_DAYS
) -> Paths | None:
    """Return sampled uses of the days from that of ``when`` on.

    Args:
        state: the learned draw-off.
        when: local time.
        enough_l: the largest volume that will be asked about.
        horizon_days: the longest path.

    Returns:
        For each path the litres of each day; None before about five days are learned.
    """
    daily = _daily(state, when)
    return None if daily is None else sampled(daily, when.toordinal(), enough_l, horizon_days)


def litres_until(
    state: DrawOff, when: datetime, until: datetime, evaporation_l_d: float = 0.0
) -> tuple[float, ...] | None:
    """Return the litres that will be used from ``when`` until ``until``, as equally likely values.

    Args:
        state: the learned draw-off.
        when: local time.
        until: local time, later than ``when``.
        evaporation_l_d: the evaporation of a day, in addition to the draw-off.

    Returns:
        The litres of each path, ascending; None before about five days are learned.

    Raises:
        InputError: If ``until`` is not after ``when``.
    """
    if until <= when:
        raise InputError("Days of cover: the end of the forecast must be after its begin.")
    daily = _daily(state, when)
    if daily is None:
        return None
    first = when.toordinal()
    days = until.toordinal() - first + 1
    passed = _passed(state.hours)
    begun, ended = _share_at(passed, _hours(when)), _share_at(passed, _hours(until))
    evaporated_l = evaporation_l_d * (until - when).total_seconds() / 86400.0
    return tuple(
        sorted(
            math.fsum(path) - begun * path[0] - (1.0 - ended) * path[-1] + evaporated_l
            for path in sampled(daily, first, math.inf, days)
        )
    )


def chance_of_enough(litres: Sequence[float], volume_l: float) -> float:
    """Return the share of the values of :func:`litres_until` for which a volume is enough."""
    return bisect_left(litres, volume_l) / len(litres)


def enough_l(litres: Sequence[float], chance: float) -> float:
    """Return the volume that is enough for this share of the values of :func:`litres_until`."""
    return _quantile(litres, chance)


def _daily(state: DrawOff, when: datetime) -> DailyUse | None:
    """Return the learned use of a day; a state of an earlier version has only its mean and scatter."""
    if state.daily.known:
        return state.daily
    if state.day.weight < LEAST_DAYS:
        return None
    count, sd = min(round(state.day.weight), _MOST_SEEDED), math.sqrt(max(state.day.variance, 0.0))
    daily = DailyUse()
    for number in range(count):
        side = sd if number % 2 else -sd
        daily = learn(daily, when.toordinal() - count + number, max(state.day.mean + side, 0.0))
    return daily


def _hours(when: datetime) -> float:
    return when.hour + when.minute / 60.0 + when.second / 3600.0


def _passed(hours: tuple[RunningMean, ...]) -> list[float]:
    """Return the share of a day's use before each full hour, 0 to 24. Even if nothing is learned."""
    taken = [max(hour.mean, 0.0) for hour in hours]
    total = sum(taken)
    shares = [one / total for one in taken] if total > 0.0 else [1.0 / HOURS] * HOURS
    passed = [0.0]
    for share in shares:
        passed.append(passed[-1] + share)
    passed[-1] = 1.0
    return passed


def _share_at(passed: list[float], hours: float) -> float:
    whole = int(hours)
    return passed[whole] + (passed[whole + 1] - passed[whole]) * (hours - whole)


def _dry_after(
    path: Sequence[float],
    usable_l: float,
    evaporation_l_d: float,
    passed: list[float],
    begun: float,
    hours: float,
) -> float:
    """Return the days after which a path is dry."""
    left_l = usable_l
    start, day_from = begun, hours / HOURS
    for number, used_l in enumerate(path):
        part_l = used_l * (1.0 - start) + evaporation_l_d * (1.0 - day_from)
        if part_l >= left_l:
            return number + _time_of(left_l, used_l, evaporation_l_d, passed, start, day_from) - hours / HOURS
        left_l -= part_l
        start = day_from = 0.0
    return math.inf


def _time_of(
    left_l: float, used_l: float, evaporation_l_d: float, passed: list[float], start: float, day_from: float
) -> float:
    """Return the part of the day at which this volume is gone."""
    for hour in range(int(day_from * HOURS), HOURS):
        end = (hour + 1) / HOURS
        gone_l = used_l * (passed[hour + 1] - start) + evaporation_l_d * (end - day_from)
        if gone_l >= left_l:
            begin = max(hour / HOURS, day_from)
            before_l = used_l * max(passed[hour] - start, 0.0) + evaporation_l_d * (begin - day_from)
            return begin + (end - begin) * (left_l - before_l) / max(gone_l - before_l, 1e-12)
    return 1.0


def _quantile(ascending: Sequence[float], share: float) -> float:
    place = min(max(share * len(ascending) - 0.5, 0.0), len(ascending) - 1.0)
    low = int(place)
    high = min(low + 1, len(ascending) - 1)
    below, above = ascending[low], ascending[high]
    if below == above or place == low:
        return below
    return below + (above - below) * (place - low)
