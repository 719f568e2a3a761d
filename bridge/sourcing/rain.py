"""Rain water: how reliably a roof and a tank supply it, and how much tap water may be added. Core.

The supply is a daily balance over recorded or simulated rain. The blend stays under the limit if both
readings are uncertain.
"""

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.errors import InputError


@dataclass(frozen=True, slots=True)
class Water:
    """A water's dissolved solids in ppm, and the expanded uncertainty (k = 2) of that reading in ppm."""

    ppm: float
    expanded_ppm: float

    def __post_init__(self) -> None:
        for value in (self.ppm, self.expanded_ppm):
            if not (math.isfinite(value) and value >= 0.0):
                raise InputError(
                    f"Blend: {self.ppm:g} ± {self.expanded_ppm:g} ppm; both must be zero or more."
                )


@dataclass(frozen=True, slots=True)
class Blend:
    """The tap water that may be added.

    Attributes:
        share: The share of tap water in the blend that keeps its upper end (k = 2) under the limit.
        share_at_best: The share that brings the readings without their uncertainty just to the limit.
        tap_l: The litres of tap water, limited by the room in the tank.
        blend: The water that results.
        assumed: The assumptions in words.
    """

    share: float
    share_at_best: float
    tap_l: float
    blend: Water
    assumed: tuple[str, ...]


def tap_into_rain(rain_l: float, room_l: float, rain: Water, tap: Water, limit_ppm: float) -> Blend:
    """Compute the litres of tap water that keep a tank of rain under the limit.

    Solids mix by volume, near enough, in dilute water.

    Args:
        rain_l: The litres of rain in the tank.
        room_l: The litres that still fit.
        rain: The rain, on the limit's scale.
        tap: The tap water, on the limit's scale.
        limit_ppm: The limit of the blend.

    Raises:
        InputError: A volume is negative, or the limit is not above zero.
    """
    for what, value in (("rain", rain_l), ("room", room_l)):
        if not (math.isfinite(value) and value >= 0.0):
            raise InputError(f"Blend: {value:g} L of {what}; it must be zero or more.")
    if not (math.isfinite(limit_ppm) and limit_ppm > 0.0):
        raise InputError(f"Blend: a limit of {limit_ppm:g} ppm; it must be above zero.")
    share = _largest_share(rain, tap, limit_ppm)
    at_best = _largest_share(Water(rain.ppm, 0.0), Water(tap.ppm, 0.0), limit_ppm)
    wanted = rain_l * share / (1.0 - share) if share < 1.0 else math.inf
    tap_l = min(wanted, room_l)
    real = tap_l / (tap_l + rain_l) if tap_l > 0.0 else 0.0
    assumed = (
        f"rain {rain.ppm:g} ± {rain.expanded_ppm:g} ppm",
        f"tap {tap.ppm:g} ± {tap.expanded_ppm:g} ppm",
        f"limit {limit_ppm:g} ppm with the upper end (k = 2) under it",
        "dissolved solids mix by volume",
    )
    return Blend(share, at_best, tap_l, _mixed(rain, tap, real), assumed)


def _largest_share(rain: Water, tap: Water, limit_ppm: float) -> float:
    """Find the largest share whose upper end is at most the limit; the upper end is convex in the share."""
    if _upper(rain, tap, 1.0) <= limit_ppm:
        return 1.0
    if _upper(rain, tap, 0.0) > limit_ppm:
        return 0.0
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _upper(rain, tap, middle) <= limit_ppm else (low, middle)
    return low


def _upper(rain: Water, tap: Water, share: float) -> float:
    blend = _mixed(rain, tap, share)
    return blend.ppm + blend.expanded_ppm


def _mixed(rain: Water, tap: Water, share: float) -> Water:
    return Water(
        share * tap.ppm + (1.0 - share) * rain.ppm,
        math.hypot(share * tap.expanded_ppm, (1.0 - share) * rain.expanded_ppm),
    )


_DAYS_IN_MONTH = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


@dataclass(frozen=True, slots=True)
class Collection:
    """A roof, its gutter and its tank.

    ``runoff`` is the share of the rain that reaches the tank (0.8 to 0.9 for a hard roof: common practice, no
    source), ``first_flush_mm`` the rain of each wet day that is led away because it washes the roof.
    """

    roof_m2: float
    tank_l: float
    runoff: float = 0.85
    first_flush_mm: float = 0.5

    def __post_init__(self) -> None:
        for what, value in (("roof", self.roof_m2), ("tank", self.tank_l)):
            if not (math.isfinite(value) and value > 0.0):
                raise InputError(f"Rain: a {what} of {value:g}; it must be above zero.")
        if not 0.0 < self.runoff <= 1.0:
            raise InputError(f"Rain: a runoff share of {self.runoff:g}; give more than 0 and at most 1.")
        if not (math.isfinite(self.first_flush_mm) and self.first_flush_mm >= 0.0):
            raise InputError(f"Rain: a first flush of {self.first_flush_mm:g} mm; it must be zero or more.")


@dataclass(frozen=True, slots=True)
class RainBalance:
    """The result of a run of days. Collected + start = given + spilt + end, in litres."""

    days: int
    days_met: int
    collected_l: float
    given_l: float
    spilt_l: float
    end_l: float
    longest_dry_days: int

    @property
    def reliability(self) -> float:
        """The share of the days on which the whole need was met."""
        return self.days_met / self.days if self.days else 0.0


@dataclass(frozen=True, slots=True)
class Reliability:
    """The share of days met over many years: its mean with a 95 % interval, and bad years."""

    mean: float
    low95: float
    high95: float
    one_year_in_ten: float
    worst: float
    given_l_per_day: float
    longest_dry_days: int
    years: float


def balance(
    rain_mm: Sequence[float],
    collection: Collection,
    need_l_per_day: float | Sequence[float],
    start_l: float = 0.0,
) -> RainBalance:
    """Balance the tank day by day: rain flows in, the surplus spills, and the need is drawn while it lasts.

    The need is one value for all days, or one for each day.

    Raises:
        InputError: A rain, the need or the start is negative or not finite, or the start exceeds the tank.
    """
    needs = [need_l_per_day] * len(rain_mm) if isinstance(need_l_per_day, float | int) else need_l_per_day
    for one in needs:
        if not (math.isfinite(one) and one >= 0.0):
            raise InputError(f"Rain: a need of {one:g} L/day; it must be zero or more.")
    if not 0.0 <= start_l <= collection.tank_l:
        raise InputError(f"Rain: {start_l:g} L to start with; the tank holds 0 to {collection.tank_l:g}.")
    stored = start_l
    met = dry = longest = 0
    collected = given = spilt = 0.0
    for day, (mm, need_l) in enumerate(zip(rain_mm, needs, strict=True), start=1):
        if not (math.isfinite(mm) and mm >= 0.0):
            raise InputError(f"Rain: day {day} has {mm} mm; it must be zero or more.")
        comes = max(mm - collection.first_flush_mm, 0.0) * collection.roof_m2 * collection.runoff
        collected += comes
        stored += comes
        over_brim = max(stored - collection.tank_l, 0.0)
        spilt += over_brim
        stored -= over_brim
        drawn = min(need_l, stored)
        stored -= drawn
        given += drawn
        if drawn >= need_l:
            met += 1
            dry = 0
        else:
            dry += 1
            longest = max(longest, dry)
    return RainBalance(len(rain_mm), met, collected, given, spilt, stored, longest)


_SHAPE = 0.75
"""Shape of the gamma distribution of the rain of a wet day: many small days and few large ones (published
fits lie between 0.6 and 1; from memory)."""
_YEAR_SD = 0.15
"""Relative deviation of a year's rain from the mean, beyond the chance of its days (common practice, no
source: annual totals of a temperate place differ by 15 to 20 %)."""


def draw_year(monthly_mm: Sequence[float], wet_days: Sequence[float], seed: int) -> list[float]:
    """Draw a year of daily rain from monthly means: wet spells by a two-state chain, gamma amounts.

    A wet day is likelier after a wet day (persistence 0.75 of the chain: Geng et al., Agricultural and Forest
    Meteorology 36 (1986) 363, find p(wet | dry) = 0.75 x the share of wet days; from memory). A month's total
    scatters by itself about the mean. A dry year has fewer wet days, and less rain on each. The same seed
    gives the same year.

    Raises:
        InputError: There are not twelve months, an amount is negative, or a month has too many wet days.
    """
    if len(monthly_mm) != 12 or len(wet_days) != 12:
        raise InputError(
            f"Rain: {len(monthly_mm)} monthly amounts and {len(wet_days)} wet-day counts; give 12 of each."
        )
    rng = random.Random(seed)
    # A wet year has more wet days and more rain on each, both by one factor, whose mean is 1.
    sd = 0.5 * _YEAR_SD
    wetter = math.exp(rng.gauss(-0.5 * sd * sd, sd))
    year: list[float] = []
    wet = False
    for month, (mm, count, days) in enumerate(
        zip(monthly_mm, wet_days, _DAYS_IN_MONTH, strict=True), start=1
    ):
        if not (math.isfinite(mm) and mm >= 0.0 and 0.0 <= count <= days):
            raise InputError(f"Rain: month {month} has {mm:g} mm on {count:g} wet days of {days}.")
        if mm > 0.0 and count == 0.0:
            raise InputError(f"Rain: month {month} has {mm:g} mm and no wet day; give at least one.")
        share = min(count / days * wetter, 1.0)
        for _ in range(days):
            chance = 0.25 + 0.75 * share if wet else 0.75 * share
            wet = share > 0.0 and rng.random() < chance
            mean_mm = wetter * mm / count if wet else 0.0
            year.append(rng.gammavariate(_SHAPE, mean_mm / _SHAPE) if mean_mm > 0.0 else 0.0)
    return year


def reliability(
    monthly_mm: Sequence[float],
    wet_days: Sequence[float],
    collection: Collection,
    need_l_per_day: float | Sequence[float],
    years: int = 200,
    seed: int = 1,
) -> Reliability:
    """Compute how reliably the need is met over many drawn years, each starting where the last one ended.

    The need is one value, or one for each month. An uncounted year from an empty tank gives the start of the
    first one.

    Raises:
        InputError: As for ``draw_year`` and ``balance``, or there are fewer than ten years.
    """
    if years < 10:
        raise InputError(f"Rain: {years} years; give at least 10.")
    needs = _daily(need_l_per_day)
    stored = balance(draw_year(monthly_mm, wet_days, seed * 10_000 - 1), collection, needs).end_l
    results = []
    for year in range(years):
        rain_mm = draw_year(monthly_mm, wet_days, seed * 10_000 + year)
        results.append(balance(rain_mm, collection, needs, stored))
        stored = results[-1].end_l
    return _over_years(results)


def recorded_reliability(
    rain_mm: Sequence[float], collection: Collection, need_l_per_day: float | Sequence[float]
) -> Reliability:
    """Compute how reliably the need would have been met on recorded days, the first of them a 1 January.

    A first run over the same days gives the litres that the tank starts with. The interval is that of the
    mean of the recorded years. One year shows no scatter between years, so a usual one is taken.

    Raises:
        InputError: As for ``balance``, or there is no day.
    """
    if not rain_mm:
        raise InputError("Rain: the record has no days; give at least one.")
    year = _daily(need_l_per_day)
    needs = [year[day % 365] for day in range(len(rain_mm))]
    stored = balance(rain_mm, collection, needs, 0.0).end_l
    results = []
    for first in range(0, len(rain_mm), 365):
        days = slice(first, first + 365)
        results.append(balance(rain_mm[days], collection, needs[days], stored))
        stored = results[-1].end_l
    return _over_years(results)


def _daily(need_l_per_day: float | Sequence[float]) -> list[float]:
    """Return the need of each day of a year."""
    if isinstance(need_l_per_day, float | int):
        return [float(need_l_per_day)] * sum(_DAYS_IN_MONTH)
    if len(need_l_per_day) != 12:
        raise InputError(f"Rain: {len(need_l_per_day)} monthly needs; give 12.")
    return [need for need, days in zip(need_l_per_day, _DAYS_IN_MONTH, strict=True) for _ in range(days)]


_UNKNOWN_YEARS_SD = 0.10
"""Standard deviation between years of the share of days met, if there are fewer than two (common practice, no
source)."""


def _over_years(results: Sequence[RainBalance]) -> Reliability:
    days = sum(one.days for one in results)
    mean = sum(one.days_met for one in results) / days
    shares = sorted(one.reliability for one in results)
    count = days / 365.0
    if len(shares) >= 2:
        sd = math.sqrt(sum((share - mean) ** 2 for share in shares) / (len(shares) - 1))
    else:
        sd = _UNKNOWN_YEARS_SD
    # Dry years follow each other no more often than by chance, so years count as independent. Failures are
    # rare and skewed, so the interval is even in their logarithm. If no day fails, three in as many days may
    # still have been missed (the rule of three).
    error = sd / math.sqrt(max(count, 1.0))
    failed = 1.0 - mean
    if failed > 0.0:
        wide = math.exp(min(1.96 * error / failed, 5.0))
        low, high = 1.0 - failed * wide, 1.0 - failed / wide
    else:
        low, high = 1.0 - max(1.96 * error, 3.0 / days), 1.0
    return Reliability(
        mean,
        max(low, 0.0),
        high,
        shares[len(shares) // 10],
        shares[0],
        sum(one.given_l for one in results) / days,
        max(one.longest_dry_days for one in results),
        count,
    )
