"""The forecast as it stood at several moments of a cartridge's life, and what came true. Core.

The log keeps only the newest forecast. So the earlier ones are made again: what the log had up to a moment
goes through the same learning as in the daemon, and nothing from after that moment does. Two things differ
from what was shown then: a step is an hour here and a minute there, and limit and rating are those of today.

What a litre cost: the cartridge's price over the litres that it treated. Core.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

from bridge.forecast.learned import Learned, forecast_of, prior, seasoned, worth_keeping
from bridge.forecast.learner import UNTRIPPED_SHARE
from bridge.purifier import breakthrough, membrane
from bridge.purifier.capacity import Evidence
from bridge.purifier.cartridge import Kind, Load, add
from bridge.purifier.forecast import Forecast, Interval
from bridge.purifier.season import LONGEST_DAYS
from bridge.report.curves import Life, Point, joined
from bridge.station.plan import CartridgePlan

MOMENTS = 8
_ROUNDS = 4
_DAY_MS = 86_400_000.0


class Fate(Enum):
    """How far a cartridge's story is known."""

    CROSSED = "gave out"
    """Its product crossed the limit."""
    EARLY = "changed early"
    RUNNING = "still in"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came true."""

    fate: Fate
    treated_l: float
    """Where the product crossed the limit, or how far the cartridge has come."""
    at_ms: int


@dataclass(frozen=True, slots=True)
class Stood:
    """The forecast at one moment."""

    at_ms: int
    treated_l: float
    crossing_l: Interval
    """Litres treated at which the product crosses the limit."""
    days_left: Interval | None
    order: bool | None
    rests_on: str


@dataclass(frozen=True, slots=True)
class Hindsight:
    """One cartridge's forecasts beside its end."""

    stood: tuple[Stood, ...]
    outcome: Outcome
    load_g: float | None
    """Grams taken up: by the accounts where it was changed, else by this replay."""
    removed_l: float = 0.0
    """Litres it had made when it was changed, or has made so far."""


def hindsight(
    fitted: CartridgePlan | None,
    limit_ppm: float,
    lives: Sequence[Life],
    alive_ms: Sequence[int],
    trips_ms: Sequence[int],
    end_ms: int,
) -> list[Hindsight]:
    """For each cartridge, in order.

    :param fitted: what is configured; without one nothing was forecast.
    :param alive_ms: the start of every hour that the log has readings of, in order.
    :param trips_ms: when the product tripped the guard, in order.
    :param end_ms: the end of the report.
    """
    replay = _Replay(fitted, limit_ppm)
    found = []
    for life in lives:
        until_ms = end_ms if life.changed is None else life.changed.stamp.utc_ms
        mine = [one for one in trips_ms if (life.fitted_ms or 0) <= one < until_ms]
        stood, crossed_l = replay.live(life, alive_ms, mine, until_ms)
        outcome = _outcome(life, mine, crossed_l, until_ms)
        found.append(Hindsight(tuple(stood), outcome, replay.load_g(life), _last_l(life)))
    return found


def verdict(stood: Stood, outcome: Outcome) -> str:
    """How a forecast fared, in words."""
    crossing, at_l = stood.crossing_l, outcome.treated_l
    if outcome.fate is not Fate.CROSSED:
        return "it lasts longer" if at_l > crossing.high95 else "not contradicted"
    if crossing.low80 <= at_l <= crossing.high80:
        return "within 80\u00a0%"
    if crossing.low95 <= at_l <= crossing.high95:
        return "within 95\u00a0%"
    return "gave out sooner" if at_l < crossing.low95 else "lasted longer"


def _outcome(life: Life, trips_ms: Sequence[int], crossed_l: float | None, until_ms: int) -> Outcome:
    row, curve, last_l = life.changed, joined(life), _last_l(life)
    exhausted = bool(trips_ms) if row is None or row.exhausted is None else row.exhausted
    if row is not None and not exhausted:
        return Outcome(Fate.EARLY, last_l, until_ms)
    if crossed_l is not None or (row is not None and exhausted):
        at_ms = trips_ms[-1] if trips_ms else until_ms
        return Outcome(Fate.CROSSED, last_l if crossed_l is None else crossed_l, at_ms)
    return Outcome(Fate.RUNNING, last_l, curve[-1].start_ms if curve else until_ms)


def _last_l(life: Life) -> float:
    if life.changed is not None and life.changed.treated_l is not None:
        return life.changed.treated_l
    curve = joined(life)
    return curve[-1].treated_l if curve else 0.0


class _Replay:
    """What the daemon would have learned; it goes through all cartridges, for feed and use go on."""

    def __init__(self, fitted: CartridgePlan | None, limit_ppm: float) -> None:
        self._fitted = fitted
        self._limit_ppm = limit_ppm
        self._learned = Learned()
        self._load = Load()
        self._feed_ppm: float | None = None
        self._since_l = 0.0
        self._last_ms = 0

    def live(
        self, life: Life, alive_ms: Sequence[int], trips_ms: Sequence[int], until_ms: int
    ) -> tuple[list[Stood], float | None]:
        """One cartridge from its first litre on: its forecasts, and the litres at which it gave out."""
        self._renew(life.earlier)
        curve = joined(life)
        first_ms = curve[0].start_ms if curve else until_ms
        begin_ms = min(life.fitted_ms or first_ms, first_ms)
        steps = {one: None for one in alive_ms if begin_ms - 3_600_000 < one < until_ms}
        by_start: dict[int, Point | None] = {**steps, **{one.start_ms: one for one in curve}}
        thresholds = _moments(curve)
        tripping = list(trips_ms)
        stood: list[Stood] = []
        for start_ms in sorted(by_start):
            point = by_start[start_ms]
            tripped = False
            while tripping and tripping[0] < start_ms + 3_600_000:
                tripping.pop(0)
                tripped = True
            if point is not None or tripped:
                self._take(point, tripped)
            self._learned = seasoned(
                self._learned,
                max(start_ms / _DAY_MS, self._learned.since_day or 0.0),
                None if point is None else point.feed_ppm,
            )
            if point is not None and thresholds and point.treated_l >= thresholds[0]:
                while thresholds and point.treated_l >= thresholds[0]:
                    thresholds.pop(0)
                if (said := self._said(start_ms, point.treated_l)) is not None:
                    stood.append(said)
        front = self._learned.front
        crossed = None if front is None or front.crossed is None else front.crossed.treated_l
        return stood, crossed

    def load_g(self, life: Life) -> float | None:
        """What this cartridge took up."""
        if life.changed is not None and life.changed.load_g is not None:
            return life.changed.load_g
        return self._load.taken_up_g if self._load.treated_l > 0.0 else None

    def _renew(self, earlier: tuple[Evidence, ...]) -> None:
        fitted, self._load, self._since_l = self._fitted, Load(), 0.0
        front = running = None
        if fitted is not None and fitted.kind is Kind.EXCHANGE and fitted.rated_g is not None:
            known = prior(fitted, worth_keeping(fitted, earlier))
            front = breakthrough.begin(known, self._limit_ppm)
        if fitted is not None and fitted.kind is Kind.MEMBRANE and fitted.rejection_percent is not None:
            running = membrane.begin(fitted.rejection_percent)
        self._learned = replace(self._learned, front=front, membrane=running)

    def _take(self, point: Point | None, tripped: bool) -> None:
        learned, limit_ppm = self._learned, self._limit_ppm
        litres = 0.0 if point is None else point.litres
        product_ppm = limit_ppm if point is None else point.product_ppm
        if point is not None and point.feed_ppm is not None:
            self._feed_ppm = point.feed_ppm
        feed_ppm = self._feed_ppm
        if feed_ppm is None:
            return
        self._load = add(self._load, litres, max(feed_ppm, product_ppm), product_ppm)
        product_ppm = (
            max(product_ppm, limit_ppm) if tripped else min(product_ppm, UNTRIPPED_SHARE * limit_ppm)
        )
        front, running = learned.front, learned.membrane
        if front is not None:
            # Where the product is good after a trip, somebody reset it after a retest.
            front = front if tripped else breakthrough.reopened(front)
            front = breakthrough.observe(front, litres, feed_ppm, product_ppm)
        if running is not None and point is not None:
            celsius = membrane.REFERENCE_C if point.celsius is None else min(max(point.celsius, 0.0), 50.0)
            running = membrane.observe(
                running, litres, feed_ppm, product_ppm, celsius, membrane.STANDING_LITRES
            )
            learned = replace(learned, warmest_c=max(learned.warmest_c, celsius))
        self._learned = replace(learned, front=front, membrane=running, total_l=learned.total_l + litres)

    def _said(self, at_ms: int, treated_l: float) -> Stood | None:
        said = None
        learned, day = self._learned, at_ms / _DAY_MS
        # The days left decide over which days feed and use are averaged, and these the days left.
        for _ in range(_ROUNDS):
            said = forecast_of(self._fitted, self._limit_ppm, learned, self._feed_ppm, self._load, day)
            if not isinstance(said, Forecast):
                break
            learned = replace(learned, days=min(said.days_left.median, LONGEST_DAYS))
        if said is None or said.litres_left is None or said.litres_left.high95 <= 0.0:
            return None
        order = said.order_now if isinstance(said, Forecast) else None
        return Stood(
            at_ms, treated_l, said.litres_left.shifted(treated_l), said.days_left, order, said.rests_on
        )


def _moments(curve: Sequence[Point]) -> list[float]:
    """Litres treated, evenly spread over what the report knows of the cartridge; the last is its newest."""
    if not curve:
        return []
    begin_l, end_l = curve[0].treated_l - curve[0].litres, curve[-1].treated_l
    return [begin_l + (end_l - begin_l) * k / MOMENTS for k in range(1, MOMENTS + 1)]


ASSUMES = (
    "Each cartridge is counted with the price that the configuration names today, over all that it made.",
    "Only the cartridge is in it: no energy, no feed water or waste water, no tests and no work, for the "
    "configuration of a reservoir does not name what they cost.",
)


@dataclass(frozen=True, slots=True)
class Cost:
    """Money for one litre of one cartridge."""

    litres: float
    per_l: float
    expected_per_l: tuple[float, float, float] | None = None
    """Of one that runs, at its forecast end: the median, and the ends of its 80 %, the dear one last."""


@dataclass(frozen=True, slots=True)
class Costs:
    """Of each cartridge, and of all that are finished together."""

    each: tuple[Cost | None, ...]
    finished: Cost | None


def costs(price: float | None, found: list[Hindsight]) -> Costs:
    """None where no price is configured, or nothing was treated."""
    each = tuple(None if price is None else _cost(price, one) for one in found)
    done = [
        one.litres
        for one, seen in zip(each, found, strict=True)
        if one is not None and seen.outcome.fate is not Fate.RUNNING
    ]
    total_l = sum(done)
    if price is None or total_l <= 0.0:
        return Costs(each, None)
    return Costs(each, Cost(total_l, price * len(done) / total_l))


def _cost(price: float, seen: Hindsight) -> Cost | None:
    litres = seen.removed_l
    if litres <= 0.0:
        return None
    if seen.outcome.fate is not Fate.RUNNING or not seen.stood:
        return Cost(litres, price / litres)
    at = seen.stood[-1].crossing_l
    return Cost(litres, price / litres, (price / at.median, price / at.high80, price / max(at.low80, litres)))
