"""A season of a garden of trays with and without the watering round.

Both growers have the same garden, the same weather and the same water, and both forget one walk in eight.
Without the round the trays are filled to their marks every third or fourth day, and get fresh water every two
months in the season of growth. With the round the grower looks at the list every day and walks if there is
something on it. What happens to a tray is judged by the world, not by the estimate.

The forecasts of the round are judged too: from every tenth day of the growth the world goes on without a
flush and without rain, as the forecast assumes, filled to the mark every day, until the limit is crossed.
"""

import copy
import math
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from statistics import NormalDist

from bridge.errors import InputError
from bridge.simulate.trays.world import BENCHES, LATITUDE_DEG, TrueDay, TrueTray, shades
from bridge.tank.evapotranspiration import Site
from bridge.trays import course as courses
from bridge.trays.course import Act, Course, Entry, Weather
from bridge.trays.outlook import HORIZON_DAYS, Days, Fed
from bridge.trays.round import RoundSettings, Source, plan_round

DAYS = 365
FORGETS = 0.125
JUDGED_EVERY = 10
JUDGED_MONTHS = (4, 5, 6, 7, 8)
AWAY = ((5, 20, 5), (8, 5, 7))
"""Month, day and length of the absences."""


@dataclass(slots=True)
class Grower:
    """What one grower's season came to."""

    litres: float = 0.0
    walks: int = 0
    flushes: int = 0
    samples: int = 0
    over_days: dict[str, int] = field(default_factory=dict)
    """Days over the limit by tray."""
    dry_days: dict[str, int] = field(default_factory=dict)

    @property
    def any_over(self) -> int:
        """Days of any tray over its limit, summed over the trays."""
        return sum(self.over_days.values())

    @property
    def any_dry(self) -> int:
        """Days of any tray dry, summed over the trays."""
        return sum(self.dry_days.values())


@dataclass(frozen=True, slots=True)
class Judged:
    """One forecast of the days until the limit, and what truly happened."""

    tray: str
    day: date
    forecast: Days
    true_days: float

    @property
    def is_covered(self) -> bool:
        """Whether the 80 % interval holds the truth."""
        return self.forecast.low80 <= self.true_days <= self.forecast.high80


@dataclass(frozen=True, slots=True)
class Season:
    """One season with both growers."""

    seed: int
    without: Grower
    with_round: Grower
    judged: tuple[Judged, ...]


class _Garden:
    """The world of one season and its water."""

    def __init__(self, seed: int) -> None:
        rng = random.Random(f"{seed} water")
        self.trays = [TrueTray(plan, seed, 12.0) for plan in BENCHES]
        self.base_ppm = rng.uniform(8.0, 16.0)
        self.swing = rng.uniform(0.0, 0.25)
        self.estimate_error = rng.gauss(0.0, 0.1)
        self.meter_gain = rng.gauss(0.0, 0.03)
        self.shades = shades(seed, DAYS + HORIZON_DAYS)

    def true_ppm(self, number: int) -> float:
        """The ppm of the reservoir's water on a day."""
        return self.base_ppm * (1.0 + self.swing * math.sin(2.0 * math.pi * number / 90.0))

    def fed(self, number: int) -> Fed:
        """The estimate of it."""
        ppm = self.true_ppm(number) * (1.0 + self.estimate_error)
        return Fed(ppm, 0.1 * ppm)

    def live(self, number: int, weather: TrueDay, grower: Grower) -> None:
        """Let a day pass and judge it."""
        for index, tray in enumerate(self.trays):
            tray.live(weather, self.shades[number][index])
            ident = tray.plan.ident
            if tray.ppm > tray.plan.limit_ppm:
                grower.over_days[ident] = grower.over_days.get(ident, 0) + 1
            if tray.is_dry and weather.day.month not in tray.plan.dormant_months:
                grower.dry_days[ident] = grower.dry_days.get(ident, 0) + 1


def _away(day: date) -> bool:
    return any(0 <= (day - date(day.year, month, first)).days < length for month, first, length in AWAY)


def _leaves_in(day: date) -> int:
    """The length of an absence that begins tomorrow; 0 for none."""
    for month, first, length in AWAY:
        if (date(day.year, month, first) - day).days == 1:
            return length
    return 0


def without_round(seed: int, weather: Sequence[TrueDay]) -> Grower:
    """Run a season of a grower who fills by habit."""
    garden, grower = _Garden(seed), Grower()
    rng = random.Random(f"{seed} habit")
    for number in range(DAYS):
        today = weather[number]
        walks = number % 7 in (0, 3) and rng.random() >= FORGETS
        if (walks or _leaves_in(today.day)) and not _away(today.day):
            grower.walks += 1
            ppm = garden.true_ppm(number)
            fresh = today.day.month in (4, 6, 8, 10) and today.day.day <= 4
            for tray in garden.trays:
                if fresh:
                    grower.litres += tray.exchange(tray.free.litres, ppm)
                    grower.flushes += 1
                litres = tray.needed_l(tray.plan.mark_mm(today.day.month))
                tray.pour(litres, ppm)
                grower.litres += litres
        garden.live(number, today, grower)
    return grower


def with_round(seed: int, weather: Sequence[TrueDay]) -> tuple[Grower, list[Judged]]:
    """Run a season of a grower who follows the round, and judge its forecasts."""
    garden, grower, judged = _Garden(seed), Grower(), []
    rng = random.Random(f"{seed} round")
    site = Site(LATITUDE_DEG)
    first = weather[0].day
    following = [courses.start(tray.plan, site, first, garden.fed(0).ppm) for tray in garden.trays]
    for number in range(DAYS):
        today = weather[number]
        fed = garden.fed(number)
        if not _away(today.day) and (rng.random() >= FORGETS or _leaves_in(today.day)):
            settings = RoundSettings(every_days=1.0, away_days=_leaves_in(today.day))
            following = _walk(garden, grower, following, number, fed, settings, rng)
        if today.day.month in JUDGED_MONTHS and number % JUDGED_EVERY == 0:
            judged += [
                _judge(garden, index, one, number, weather, fed) for index, one in enumerate(following)
            ]
        garden.live(number, today, grower)
        low, high = sorted(value + rng.gauss(0.0, 0.5) for value in (today.lowest_c, today.highest_c))
        seen = Weather(high, low, today.rain_mm * math.exp(rng.gauss(0.0, 0.1)))
        following = [courses.next_day(one, seen) for one in following]
    return grower, judged


def _walk(
    garden: _Garden,
    grower: Grower,
    following: list[Course],
    number: int,
    fed: Fed,
    settings: RoundSettings,
    rng: random.Random,
) -> list[Course]:
    plan = plan_round(following, {"barrel": Source("barrel", fed)}, settings)
    if any(item.give_l or item.flush_l or item.sample_due for item in plan.items):
        grower.walks += 1
    ppm = garden.true_ppm(number)
    made = []
    for item, tray, one in zip(plan.items, garden.trays, following, strict=True):
        after = one
        if item.sample_due and not tray.is_dry:
            grower.samples += 1
            reading = tray.ppm * (1.0 + garden.meter_gain) * (1.0 + rng.gauss(0.0, 0.05)) + rng.gauss(
                0.0, 0.5
            )
            sample = Entry(one.day, Act.SAMPLED, ppm=max(reading, 0.0), expanded_ppm=1.0 + 0.06 * tray.ppm)
            after = courses.entered(after, sample, fed)
        if item.flush_l:
            grower.flushes += 1
            litres = item.flush_l
            if item.exchange:
                litres = tray.exchange(litres, ppm)
            else:
                tray.pour(litres, ppm)
            grower.litres += litres
            act = Act.EXCHANGED if item.exchange else Act.FLUSHED
            after = courses.entered(after, Entry(one.day, act, litres), fed)
        if tray.plan.drained:
            # The drain is closed for an absence.
            tray.is_plugged = bool(settings.away_days)
            after = replace(after, plan=replace(tray.plan, drained=not tray.is_plugged))
        if item.give_l and settings.away_days:
            tray.pour(item.give_l, ppm)
            grower.litres += item.give_l
            after = courses.entered(after, Entry(one.day, Act.GIVEN, item.give_l), fed)
        elif item.give_l:
            # The grower fills to the mark as well as a person sees it, and notes the litres.
            litres = tray.needed_l(item.mark_mm + rng.gauss(0.0, 1.5))
            tray.pour(litres, ppm)
            grower.litres += litres
            noted = litres * (1.0 + rng.gauss(0.0, 0.03))
            after = courses.entered(after, Entry(one.day, Act.FILLED, noted), fed)
            more_l = item.give_l - litres
            if tray.plan.drained and more_l > 0.0:
                # The rest of the list's litres runs through.
                tray.pour(more_l, ppm)
                grower.litres += more_l
                after = courses.entered(after, Entry(one.day, Act.GIVEN, more_l), fed)
        made.append(after)
    return made


def _judge(
    garden: _Garden, index: int, following: Course, number: int, weather: Sequence[TrueDay], fed: Fed
) -> Judged:
    month = following.day.month
    from bridge.trays.outlook import days_until_limit

    plan = following.plan
    forecast = days_until_limit(following.tray, plan, following.to_come(), fed, month)
    tray = copy.deepcopy(garden.trays[index])
    mark_mm = plan.mark_mm(month)
    tray.pour(tray.needed_l(mark_mm), garden.true_ppm(number))
    before = tray.ppm
    crossed = 0.0 if before >= plan.limit_ppm else math.inf
    for later in range(HORIZON_DAYS):
        if not math.isinf(crossed) or number + later >= len(weather):
            break
        tray.live(weather[number + later], garden.shades[number + later][index], rain=False)
        tray.pour(tray.needed_l(mark_mm), garden.true_ppm(number + later + 1))
        if tray.ppm >= plan.limit_ppm:
            crossed = later + (plan.limit_ppm - before) / (tray.ppm - before)
        before = tray.ppm
    return Judged(plan.ident, following.day, forecast, crossed)


def season(seed: int, weather: Sequence[TrueDay]) -> Season:
    """Run one season with both growers.

    Args:
        seed: The seed of the garden and its growers.
        weather: The days from the first of March, :data:`DAYS` and a horizon more if the forecasts of the
            last months are to be judged to their ends.
    """
    without = without_round(seed, weather)
    with_it, judged = with_round(seed, weather)
    return Season(seed, without, with_it, tuple(judged))


def coverage(judged: Sequence[Judged]) -> tuple[int, int]:
    """Return how many 80 % intervals hold the truth, and of how many."""
    return sum(one.is_covered for one in judged), len(judged)


def coverage_sd(count: int) -> float:
    """Return the standard deviation of the coverage of so many independent forecasts, in per cent."""
    share = NormalDist().cdf(1.2816) - NormalDist().cdf(-1.2816)
    return 100.0 * math.sqrt(share * (1.0 - share) / max(count, 1))


CLOUDS_DRY, CLOUDS_WET = 0.5, 0.9
"""The clouds of a day without and with rain, where a file says nothing about them (invented)."""


def season_of(weather: Mapping[date, Weather], number: int, days: int) -> list[TrueDay]:
    """Return the days of a season out of a weather file, from a first of March on.

    Args:
        weather: The days of the file.
        number: 0 for the first season in it, 1 for the second.
        days: The days that the season needs with its horizon; those after :data:`DAYS` may be missing.

    Raises:
        InputError: The file does not hold that season.
    """
    starts = [day for day in sorted(weather) if (day.month, day.day) == (3, 1)]
    made: list[TrueDay] = []
    if number < len(starts):
        for later in range(days):
            day = starts[number] + timedelta(days=later)
            one = weather.get(day)
            if one is None or one.highest_c is None or one.lowest_c is None:
                break
            clouds = CLOUDS_WET if one.rain_mm > 0.2 else CLOUDS_DRY
            made.append(TrueDay(day, one.highest_c, one.lowest_c, one.rain_mm, clouds))
    if len(made) < DAYS:
        raise InputError(
            f"--weather: season {number + 1} needs {DAYS} days in a row from a first of March; there are "
            f"{len(made)}"
        )
    return made


_ROWS = (
    ("litres used", "litres"),
    ("walks", "walks"),
    ("flushes of a tray", "flushes"),
    ("samples", "samples"),
    ("tray-days over the limit", "any_over"),
    ("tray-days dry", "any_dry"),
)


def lines(seasons: Sequence[Season]) -> Iterator[str]:
    """Put the outcome into a table of Markdown."""
    count = len(seasons)
    yield (
        f"{count} season{'' if count == 1 else 's'} of {len(BENCHES)} benches, 365 days from 1 March, "
        f"seeds {seasons[0].seed} to {seasons[-1].seed}"
    )
    yield ""
    yield "| a season, on average | without the round | with the round |"
    yield "|---|---|---|"
    for label, name in _ROWS:
        without, with_it = (_mean(seasons, which, name) for which in ("without", "with_round"))
        yield f"| {label} | {without:.0f} | {with_it:.0f} |"
    for plan in BENCHES:
        cells = [
            f"{sum(own.over_days.get(plan.ident, 0) for own in growers) / count:.0f} over, "
            f"{sum(own.dry_days.get(plan.ident, 0) for own in growers) / count:.0f} dry"
            for growers in _both(seasons)
        ]
        yield f"| {plan.name} | {cells[0]} | {cells[1]} |"
    held, all_ = coverage([one for season in seasons for one in season.judged])
    yield ""
    yield (
        f"The 80 % interval of the days until the limit held the truth in {held} of {all_} forecasts: "
        f"{100.0 * held / max(all_, 1):.0f} %, where chance alone scatters by {coverage_sd(all_):.1f} %."
    )


def as_values(seasons: Sequence[Season]) -> dict[str, object]:
    """Return the outcome as JSON values."""
    held, all_ = coverage([one for season in seasons for one in season.judged])
    return {
        "seasons": [
            {
                "seed": season.seed,
                **{
                    key: {name: round(float(getattr(own, name)), 1) for _, name in _ROWS}
                    for key, own in (("without", season.without), ("with", season.with_round))
                },
            }
            for season in seasons
        ],
        "intervals": {"held": held, "of": all_},
    }


def _both(seasons: Sequence[Season]) -> tuple[list[Grower], list[Grower]]:
    return [season.without for season in seasons], [season.with_round for season in seasons]


def _mean(seasons: Sequence[Season], which: str, name: str) -> float:
    return sum(float(getattr(getattr(season, which), name)) for season in seasons) / len(seasons)
