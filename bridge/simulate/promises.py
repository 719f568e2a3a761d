"""Judges what the forecasts promise, on invented gardens whose future is known.

Each garden has the weather, the habits and the holidays of :mod:`bridge.simulate.weather`, a purifier and a
feed. Its daily litres and readings are entered as a person enters them; the forecasts see nothing else. A
promise of 80 % is kept if the truth lies inside the interval in 72 to 88 of 100 cases, one of 95 % in 90 to
98.

The rows are independent of each other: to judge another forecast, add a function that fills a :class:`Kept`.
What a station publishes is judged in the campaign itself, against the rig with the true errors of its
instruments (:mod:`bridge.simulate.instruments`).
"""

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from bridge.errors import OutOfRangeError
from bridge.estimate.reservoir import Basis
from bridge.estimate.verdict import passes
from bridge.forecast.by_hand import HandPlan, purifier_after
from bridge.guard.model import Flow
from bridge.history.records import EntryRow, Litres, LitresRow, SampleRow, Stamp
from bridge.purifier.cartridge import Kind
from bridge.purifier.forecast import Interval
from bridge.rig.sensors import conductivity_us_cm
from bridge.rig.water_path import Truth
from bridge.rig.world import World
from bridge.simulate.weather import Habits, daily_use, invented_weather
from bridge.station.plan import CartridgePlan
from bridge.station.view import StationView
from bridge.tank.cover import days_until_dry
from bridge.tank.daily_use import HORIZON_DAYS, DailyUse, learn
from bridge.tank.use import DrawOff
from bridge.water.measurement import MeasuringChain, measure

DAYS = 900
_LIMIT_PPM = 25.0
_MIDSUMMER_NOON = datetime(2024, 6, 21, 12, tzinfo=UTC)
_NOT_PURE_PPM = 2.0
"""No interval is narrower than 0.1 ppm, so purer product says little about its uncertainty."""
_NO_WATER_L = 1.0
_NEAR_LIMIT = 0.9
"""Water whose interval ends above this share of the limit, and below the limit, is just accepted."""
_LEAST_JUDGED = 20
"""Fewer cases than this decide nothing about a share."""


@dataclass(slots=True)
class Kept:
    """How often the intervals of one forecast held the truth."""

    cases: int = 0
    in_80: int = 0
    in_95: int = 0
    below_95: int = 0
    """Cases in which the truth was below the low end of the 95 % interval."""
    only_95: bool = False
    """The forecast states no 80 % interval."""
    accepted: int = 0
    """Of water: the cases in which it was just accepted."""
    wrongly: int = 0
    """Of these: the cases in which it was at or over the limit."""
    spans: int = 0
    """The spans that were added up. The cases of one span have the same instruments, so they err together."""

    def judge(self, truth: float, low80: float, high80: float, low95: float, high95: float) -> None:
        """Add one case."""
        self.cases += 1
        self.in_80 += low80 <= truth <= high80
        self.in_95 += low95 <= truth <= high95
        self.below_95 += truth < low95

    def add(self, more: "Kept") -> None:
        """Add the cases of another count."""
        if more.cases:
            self.spans += max(more.spans, 1)
        self.cases += more.cases
        self.in_80 += more.in_80
        self.in_95 += more.in_95
        self.below_95 += more.below_95
        self.only_95 = self.only_95 or more.only_95
        self.accepted += more.accepted
        self.wrongly += more.wrongly


@dataclass(slots=True)
class Promises:
    """The promises of a campaign: a count for each forecast, and the orders."""

    kept: dict[str, Kept] = field(default_factory=dict)
    orders: int = 0
    late: int = 0
    """Orders that came more than a day later than the lead time before the end."""

    def of(self, name: str) -> Kept:
        """Return the count of this forecast."""
        return self.kept.setdefault(name, Kept())

    def add(self, more: "Promises") -> None:
        """Add the counts of another part of the campaign."""
        for name, kept in more.kept.items():
            self.of(name).add(kept)
        self.orders += more.orders
        self.late += more.late


@dataclass(frozen=True, slots=True)
class Purifier:
    """An invented purifier and its feed."""

    name: str
    kind: Kind = Kind.EXCHANGE
    rating_wrong: float = 1.0
    """True capacity in units of the rating, besides the usual scatter."""
    feed_season: float = 0.2
    blended: bool = False
    """The feed is mixed anew every few weeks, to 0.4 to 1.6 of its mean."""


def judge_product(found: Promises, view: StationView, truth: Truth) -> None:
    """Judge the product that a station publishes, with its interval (k = 2), against the true one.

    Only sound moments of flowing product count: a fault of the rig is what the guard is for.
    """
    if truth.faults or truth.path is Flow.SHUT:
        return
    _judge_water(found, "product", view.product_ppm, view.product_uncertainty_ppm, truth.product_ppm)
    if truth.product_ppm >= _NOT_PURE_PPM:
        name = f"product of {_NOT_PURE_PPM:g} ppm and more"
        _judge_water(found, name, view.product_ppm, view.product_uncertainty_ppm, truth.product_ppm)


def judge_at_limit(found: Promises, world: World, chain: MeasuringChain) -> None:
    """Count whether water exactly at the limit would be accepted with the present cell and thermometer.

    The reading rises with the concentration. So the water that is just accepted is at or over the limit
    exactly if water at the limit is accepted.

    Args:
        found: the counts to add to.
        world: the world with the true errors.
        chain: the measuring chain of the bridge.
    """
    scenario, error, celsius = world.scenario, world.sensors.product_error, world.water_c
    us_cm = conductivity_us_cm(scenario.limit_ppm, scenario.factor, celsius, scenario.walden)
    label_per_cm = scenario.fittings.product_cell_per_cm
    shown_us = us_cm / label_per_cm * error.gain_at(world.time_s) + error.offset_us
    try:
        seen = measure(chain, shown_us, celsius + error.thermometer_k)
    except OutOfRangeError:
        return
    row = found.of("product")
    row.accepted += 1
    row.wrongly += passes(seen.dissolved_solids_ppm, seen.expanded_uncertainty_ppm, scenario.limit_ppm)


def judge_reservoir(found: Promises, view: StationView, truth: Truth, *, with_faults: bool) -> None:
    """Judge the reservoir that a station publishes, with its interval (k = 2), against the true water.

    Args:
        found: the counts to add to.
        view: what the station publishes.
        truth: the true state of the rig.
        with_faults: whether the span has faults. The caller leaves out the moments of a fault of an
            instrument that the bridge does not show.
    """
    ppm, band_ppm = view.reservoir_ppm, view.reservoir_uncertainty_ppm
    if truth.volume_l < _NO_WATER_L or ppm is None or band_ppm is None:
        return
    # An assumed value has so wide an interval that it would hide a bad one of the balance.
    assumed = view.reservoir_basis == Basis.ASSUMED.value
    name = "reservoir, assumed" if assumed else "reservoir"
    name = f"{name}, {_WITH_FAULTS}" if with_faults else name
    _judge_water(found, name, ppm, band_ppm, truth.reservoir_ppm)
    limit_ppm = view.identity.limit_ppm
    if _NEAR_LIMIT * limit_ppm <= ppm + band_ppm < limit_ppm:
        row = found.of(name)
        row.accepted += 1
        row.wrongly += truth.reservoir_ppm >= limit_ppm


def _judge_water(
    found: Promises, name: str, ppm: float | None, uncertainty_ppm: float | None, true_ppm: float
) -> None:
    row = found.of(name)
    row.only_95 = True
    if ppm is not None and uncertainty_ppm is not None:
        low, high = ppm - uncertainty_ppm, ppm + uncertainty_ppm
        row.judge(true_ppm, low, high, low, high)


PURIFIERS = (
    Purifier("as rated"),
    Purifier("seasonal feed", feed_season=0.4),
    Purifier("blended feed", blended=True),
    Purifier("rating twice too high", rating_wrong=0.5),
    Purifier("rating half", rating_wrong=2.0),
    Purifier("ageing membrane", Kind.MEMBRANE),
)
HABITS = (
    Habits(),
    Habits(outdoors=True),
    Habits(week=(0.5, 0.5, 0.5, 0.5, 1.0, 2.0, 2.0), holidays_a_year=2.0),
    Habits(holidays_a_year=4.0, heat_factor=1.4),
    Habits(week=(1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0), holidays_a_year=3.0),
)


def judged_garden(seed: str, number: int) -> Promises:
    """Return how the forecasts kept their promises in one invented garden."""
    chance = random.Random(f"promises/{seed}/{number}")
    found = Promises()
    first = _MIDSUMMER_NOON + timedelta(days=chance.randrange(365))
    weather = invented_weather(chance, first.timetuple().tm_yday, DAYS)
    use = list(daily_use(weather, HABITS[number % len(HABITS)], chance))
    _judge_cover(found, use, first, chance)
    _judge_purifier(found, PURIFIERS[number % len(PURIFIERS)], use, first, chance)
    return found


def _judge_cover(found: Promises, use: Sequence[float], first: datetime, chance: random.Random) -> None:
    state, begin = DailyUse(), 0
    for until in sorted(chance.sample(range(30, DAYS - HORIZON_DAYS), 6)):
        for number in range(begin, until):
            state = learn(state, first.toordinal() + number, use[number])
        begin = until
        recent_l = max(
            math.fsum(use[max(until - 21, 0) : until]) / 21.0, 0.3 * math.fsum(use[:until]) / until
        )
        volume_l = recent_l * chance.uniform(4.0, 40.0)
        when = (first + timedelta(days=until)).replace(hour=0)
        cover = days_until_dry(DrawOff(daily=state), volume_l, when) if volume_l > 0.0 else None
        if cover is None:
            continue
        truth = _dry_after(use[until:], volume_l)
        found.of("days of cover").judge(
            truth, cover.low80_days, cover.high80_days, cover.low95_days, cover.high95_days
        )


def _dry_after(use: Sequence[float], volume_l: float) -> float:
    left_l = volume_l
    for number, litres in enumerate(use[:HORIZON_DAYS]):
        if litres >= left_l:
            return number + left_l / litres
        left_l -= litres
    return math.inf


@dataclass(frozen=True, slots=True)
class _Day:
    treated_l: float
    """Product made until the end of the day."""
    feed_ppm: float
    product_ppm: float


def _life(
    purifier: Purifier, use: Sequence[float], rated_g: float, first: datetime, chance: random.Random
) -> Iterator[_Day]:
    """Iterate over the days of a purifier, one after its crossing too."""
    mean_ppm, blend = chance.uniform(150.0, 350.0), 1.0
    true_g = rated_g * purifier.rating_wrong * math.exp(chance.gauss(0.0, 0.15))
    width = chance.uniform(0.015, 0.05)
    passage, growth = 0.02, math.exp(1.0 / chance.uniform(60.0, 300.0))
    treated_l = taken_g = 0.0
    for number, litres in enumerate(use):
        angle = 2.0 * math.pi * (first + timedelta(days=number)).timetuple().tm_yday / 365.0
        if purifier.blended and number % 21 == 0:
            blend = chance.uniform(0.4, 1.6)
        feed_ppm = mean_ppm * blend * (1.0 + purifier.feed_season * math.cos(angle))
        if purifier.kind is Kind.MEMBRANE:
            passage *= growth
            product_ppm = feed_ppm * min(passage, 1.0)
        else:
            through = 1.0 / (1.0 + math.exp(min((true_g - taken_g) / (width * true_g), 60.0)))
            product_ppm = 0.4 + (feed_ppm - 0.4) * through
        treated_l += litres
        taken_g += litres * max(feed_ppm - product_ppm, 0.0) / 1000.0
        yield _Day(treated_l, feed_ppm, product_ppm)
        if product_ppm >= _LIMIT_PPM:
            return


def _judge_purifier(
    found: Promises, purifier: Purifier, use: Sequence[float], first: datetime, chance: random.Random
) -> None:
    daily_l = math.fsum(use) / len(use)
    # Rated for about three quarters of a year at a feed of 250 ppm.
    rated_g = max(daily_l, 0.1) * 270.0 * 250.0 / 1000.0
    days = list(_life(purifier, use, rated_g, first, chance))
    if days[-1].product_ppm < _LIMIT_PPM or len(days) < 30:
        return
    end = len(days) - 1
    fitted = CartridgePlan(purifier.kind, rated_g, lead_days=7.0)
    if purifier.kind is Kind.MEMBRANE:
        fitted = CartridgePlan(purifier.kind, rejection_percent=98.0, lead_days=7.0)
    plan = HandPlan("purifier", "", 0.5, _LIMIT_PPM, _LIMIT_PPM, None, fitted)
    rows = _entries(days, use, first, chance)
    looks = {round(end * share): share for share in (0.2, 0.3, 0.45, 0.6, 0.7, 0.85, 0.95)}
    ordered: int | None = None
    for today in range(14, end):
        due = ordered is None and today >= 0.6 * end and today % 3 == 0
        if today not in looks and not due:
            continue
        state = purifier_after(plan, [row for at, some in enumerate(rows[: today + 1]) for row in some])
        outlook = state.outlook
        if outlook is None or outlook.litres_left is None:
            continue
        if ordered is None and state.kept.learned.order:
            ordered = today
        if today in looks:
            third = ("first", "second", "last")[min(int(3.0 * looks[today]), 2)]
            left_l = days[end].treated_l - days[today].treated_l
            _judge(found.of(f"cartridge litres, {third} third"), left_l, outlook.litres_left)
            if outlook.days_left is not None:
                _judge(found.of(f"cartridge days, {third} third"), float(end - today), outlook.days_left)
    found.orders += 1
    found.late += ordered is None or ordered > end - fitted.lead_days + 1.0


def _judge(kept: Kept, truth: float, forecast: Interval) -> None:
    kept.judge(truth, forecast.low80, forecast.high80, forecast.low95, forecast.high95)


def _entries(
    days: Sequence[_Day], use: Sequence[float], first: datetime, chance: random.Random
) -> list[list[EntryRow]]:
    """Return what a person enters on each day: the litres, the product, and each week the feed."""
    rows: list[list[EntryRow]] = []
    for number, day in enumerate(days):
        stamp = Stamp(1, 3 * number, round((first + timedelta(days=number)).timestamp() * 1000.0))
        some: list[EntryRow] = []
        if number % 7 == 0:
            some.append(_sample(stamp, "feed", day.feed_ppm * chance.gauss(1.0, 0.05)))
        stamp = replace(stamp, sequence=stamp.sequence + 1)
        some.append(LitresRow(stamp, "purifier", Litres.MADE, use[number]))
        if number % 3 == 0:
            stamp = replace(stamp, sequence=stamp.sequence + 1)
            some.append(_sample(stamp, "product", day.product_ppm * chance.gauss(1.0, 0.03)))
        rows.append(some)
    return rows


def _sample(stamp: Stamp, of: str, ppm: float) -> SampleRow:
    return SampleRow(stamp, "purifier", of, max(ppm, 0.0) / 0.5, max(ppm, 0.0), 1.0, 0.5, 20.0, "", "")


_HEADINGS = ("promise", "spans", "cases", "in 80 %", "in 95 %", "lower", "accepted", "over")
_LEGEND = (
    "spans: gardens, or half-years of a reservoir; the cases of one span have the same instruments, so they "
    "err together. lower: truths under the low end of the 95 % interval. accepted: water that was accepted "
    "just under its limit; over: the share of it that is at or over the limit."
)
_WITH_FAULTS = "with faults"
_FAULTS_LEGEND = (
    "with faults: moments of spans with faults, during the faults too. Moments are left out in which a cell "
    "or the level is wrong and nothing shows it yet, because no estimate can know that. Lines without these "
    "words are moments without any fault."
)


def as_lines(promises: Promises) -> list[str]:
    """Return the table of promises."""
    cells: list[tuple[str, ...]] = [_HEADINGS]
    for name, kept in sorted(promises.kept.items()):
        in_80 = "-" if kept.only_95 else _share(kept.in_80, kept.cases, 0.72, 0.88)
        low, high, places = (0.93, 0.99, 1) if kept.only_95 else (0.90, 0.98, 0)
        in_95 = _share(kept.in_95, kept.cases, low, high, places)
        accepted = str(kept.accepted) if kept.accepted else "-"
        over = _share(kept.wrongly, kept.accepted, 0.0, 0.025, 1)
        below = _share(kept.below_95, kept.cases, 0.0, 0.05)
        cells.append((name, str(max(kept.spans, 1)), str(kept.cases), in_80, in_95, below, accepted, over))
    widths = [max(len(line[column]) for line in cells) for column in range(len(_HEADINGS))]
    lines = [
        "  ".join(
            text.rjust(width) if column else text.ljust(width)
            for column, (text, width) in enumerate(zip(line, widths, strict=True))
        )
        for line in cells
    ]
    lines.append(_LEGEND)
    if any(name.endswith(_WITH_FAULTS) for name in promises.kept):
        lines.append(_FAULTS_LEGEND)
    if promises.orders:
        lines.append(
            f"Orders: {promises.orders}, of which {promises.late} came late by more than a day "
            f"({promises.late / promises.orders:.0%}; at most 5 %)."
        )
    lines.append("A share with * is outside the bounds of its promise; under 20 cases no share is judged.")
    return lines


def _share(count: int, cases: int, low: float, high: float, places: int = 0) -> str:
    if not cases:
        return "-"
    share = count / cases
    mark = "*" if cases >= _LEAST_JUDGED and not low <= share <= high else ""
    return f"{share:.{places}%}{mark}"
