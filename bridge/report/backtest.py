"""Compares the forecasts of each cartridge with its end, and divides its price by its litres. Core.

The log keeps only the newest forecast, so the report makes the earlier ones again. For each moment the rows
up to it go through the same learning as in the daemon, and no later row does. Two things differ from the
forecast that the daemon showed: the step is an hour instead of a minute, and limit and rating are the present
ones.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

from bridge.forecast.learned import (
    UNTRIPPED_SHARE,
    Learned,
    add_to_seasons,
    forecast_of,
    prior,
    worth_keeping,
)
from bridge.history.rollup import DAY_MS, HOUR_MS
from bridge.purifier import breakthrough, membrane
from bridge.purifier.cartridge import Evidence, Kind, Load, add
from bridge.purifier.forecast import Forecast, Interval
from bridge.purifier.season import LONGEST_DAYS
from bridge.report.curves import CartridgeHistory, Point, joined
from bridge.station.plan import CartridgePlan

MOMENTS = 8
"""Forecasts made for each cartridge."""
_ROUNDS = 8


class Status(Enum):
    """The end of a cartridge; the value is its word."""

    EXHAUSTED = "exhausted"
    """Its product crossed the limit."""
    CHANGED_EARLY = "changed early"
    IN_USE = "in use"


@dataclass(frozen=True, slots=True)
class Outcome:
    """The end of a cartridge, or its present state."""

    status: Status
    treated_l: float
    """Litres treated until the product crossed the limit, until the change, or so far."""
    at_ms: int


@dataclass(frozen=True, slots=True)
class PastForecast:
    """The forecast for one past moment."""

    at_ms: int
    treated_l: float
    crossing_l: Interval
    """Litres treated at which the product crosses the limit."""
    days_left: Interval | None
    order: bool | None
    rests_on: str


@dataclass(frozen=True, slots=True)
class Backtest:
    """The forecasts of one cartridge and its end."""

    forecasts: tuple[PastForecast, ...]
    outcome: Outcome
    load_g: float | None
    """Grams taken up: from the record of the change, else from this replay."""
    treated_l: float = 0.0
    """Litres treated until the change, or so far."""


def backtest(
    fitted: CartridgePlan | None,
    limit_ppm: float,
    histories: Sequence[CartridgeHistory],
    hours_ms: Sequence[int],
    trips_ms: Sequence[int],
    end_ms: int,
) -> list[Backtest]:
    """Make the past forecasts of each cartridge and find its end.

    Args:
        fitted: The configured cartridge; without one there is no forecast.
        limit_ppm: The product's limit, ppm.
        histories: The cartridges, in order.
        hours_ms: Start of every hour with readings in the log, in order.
        trips_ms: Times at which the product tripped the guard, in order.
        end_ms: End of the report.

    Returns:
        One value for each cartridge, in order.
    """
    replay = _Replay(fitted, limit_ppm)
    found = []
    for history in histories:
        until_ms = end_ms if history.changed is None else history.changed.stamp.utc_ms
        mine = [one for one in trips_ms if (history.fitted_ms or 0) <= one < until_ms]
        forecasts, crossed_l = replay.run(history, hours_ms, mine, until_ms)
        outcome = _outcome(history, mine, crossed_l, until_ms)
        found.append(Backtest(tuple(forecasts), outcome, replay.load_g(history), _last_l(history)))
    return found


def verdict(forecast: PastForecast, outcome: Outcome) -> str:
    """Return how the forecast compares with the outcome, in words."""
    crossing, at_l = forecast.crossing_l, outcome.treated_l
    if outcome.status is not Status.EXHAUSTED:
        return "lasts longer" if at_l > crossing.high95 else "not contradicted"
    if crossing.low80 <= at_l <= crossing.high80:
        return "within 80\u00a0%"
    if crossing.low95 <= at_l <= crossing.high95:
        return "within 95\u00a0%"
    return "exhausted sooner" if at_l < crossing.low95 else "lasted longer"


def _outcome(
    history: CartridgeHistory, trips_ms: Sequence[int], crossed_l: float | None, until_ms: int
) -> Outcome:
    row, curve, last_l = history.changed, joined(history), _last_l(history)
    exhausted = bool(trips_ms) if row is None or row.exhausted is None else row.exhausted
    if row is not None and not exhausted:
        return Outcome(Status.CHANGED_EARLY, last_l, until_ms)
    if crossed_l is not None or (row is not None and exhausted):
        at_ms = trips_ms[-1] if trips_ms else until_ms
        return Outcome(Status.EXHAUSTED, last_l if crossed_l is None else crossed_l, at_ms)
    return Outcome(Status.IN_USE, last_l, curve[-1].start_ms if curve else until_ms)


def _last_l(history: CartridgeHistory) -> float:
    if history.changed is not None and history.changed.treated_l is not None:
        return history.changed.treated_l
    curve = joined(history)
    return curve[-1].treated_l if curve else 0.0


class _Replay:
    """Learns from the log as the daemon does.

    One replay runs through all cartridges, because feed and use are learned across them.
    """

    def __init__(self, fitted: CartridgePlan | None, limit_ppm: float) -> None:
        self._fitted = fitted
        self._limit_ppm = limit_ppm
        self._learned = Learned()
        self._load = Load()
        self._feed_ppm: float | None = None

    def run(
        self, history: CartridgeHistory, hours_ms: Sequence[int], trips_ms: Sequence[int], until_ms: int
    ) -> tuple[list[PastForecast], float | None]:
        """Run through one cartridge; return its forecasts and the litres at which it was exhausted."""
        self._renew(history.earlier)
        curve = joined(history)
        first_ms = curve[0].start_ms if curve else until_ms
        begin_ms = min(history.fitted_ms or first_ms, first_ms)
        steps = {one: None for one in hours_ms if begin_ms - HOUR_MS < one < until_ms}
        by_start: dict[int, Point | None] = {**steps, **{one.start_ms: one for one in curve}}
        thresholds = _moments(curve)
        tripping = list(trips_ms)
        forecasts: list[PastForecast] = []
        for start_ms in sorted(by_start):
            point = by_start[start_ms]
            tripped = False
            while tripping and tripping[0] < start_ms + HOUR_MS:
                tripping.pop(0)
                tripped = True
            if point is not None or tripped:
                self._learn(point, tripped, start_ms / DAY_MS)
            self._learned = add_to_seasons(
                self._learned,
                max(start_ms / DAY_MS, self._learned.since_day or 0.0),
                None if point is None else point.feed_ppm,
            )
            if point is not None and thresholds and point.treated_l >= thresholds[0]:
                while thresholds and point.treated_l >= thresholds[0]:
                    thresholds.pop(0)
                if (found := self._forecast(start_ms, point.treated_l)) is not None:
                    forecasts.append(found)
        front = self._learned.front
        crossed = None if front is None or front.crossed is None else front.crossed.treated_l
        return forecasts, crossed

    def load_g(self, history: CartridgeHistory) -> float | None:
        """Return the grams that this cartridge took up."""
        if history.changed is not None and history.changed.load_g is not None:
            return history.changed.load_g
        return self._load.taken_up_g if self._load.treated_l > 0.0 else None

    def _renew(self, earlier: tuple[Evidence, ...]) -> None:
        fitted, self._load = self._fitted, Load()
        front = membrane_state = None
        if fitted is not None and fitted.kind is Kind.EXCHANGE and fitted.rated_g is not None:
            known = prior(fitted, worth_keeping(fitted, earlier))
            front = breakthrough.begin(known, self._limit_ppm)
        if fitted is not None and fitted.kind is Kind.MEMBRANE and fitted.rejection_percent is not None:
            membrane_state = membrane.begin(fitted.rejection_percent)
        self._learned = replace(self._learned, front=front, membrane=membrane_state)

    def _learn(self, point: Point | None, tripped: bool, day: float) -> None:
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
        front, membrane_state = learned.front, learned.membrane
        if front is not None:
            # No trip at this point, so a person reset an earlier one after a good retest.
            front = front if tripped else breakthrough.reopened(front)
            front = breakthrough.observe(front, litres, feed_ppm, product_ppm)
        if membrane_state is not None and point is not None:
            celsius = membrane.REFERENCE_C if point.celsius is None else min(max(point.celsius, 0.0), 50.0)
            membrane_state = membrane.observe(
                membrane_state, litres, feed_ppm, product_ppm, celsius, membrane.STANDING_LITRES, day
            )
            learned = replace(learned, warmest_c=max(learned.warmest_c, celsius))
        self._learned = replace(
            learned, front=front, membrane=membrane_state, total_l=learned.total_l + litres
        )

    def _forecast(self, at_ms: int, treated_l: float) -> PastForecast | None:
        found = None
        learned, day = self._learned, at_ms / DAY_MS
        # Feed and use are averaged over the days left, which depend on them: a fixed-point iteration.
        for _ in range(_ROUNDS):
            found = forecast_of(self._fitted, self._limit_ppm, learned, self._feed_ppm, self._load, day)
            if not isinstance(found, Forecast):
                break
            learned = replace(learned, days=min(found.days_left.median, LONGEST_DAYS))
        if found is None or found.litres_left is None or found.litres_left.high95 <= 0.0:
            return None
        order = found.order_now if isinstance(found, Forecast) else None
        return PastForecast(
            at_ms, treated_l, found.litres_left.shifted(treated_l), found.days_left, order, found.rests_on
        )


def _moments(curve: Sequence[Point]) -> list[float]:
    """Return litres treated, evenly spread over the curve; the last is its end."""
    if not curve:
        return []
    begin_l, end_l = curve[0].treated_l - curve[0].litres, curve[-1].treated_l
    return [begin_l + (end_l - begin_l) * k / MOMENTS for k in range(1, MOMENTS + 1)]


ASSUMPTIONS = (
    "The cost of a litre is the price in the present configuration over all litres that the cartridge "
    "treated.",
    "It covers the cartridge alone. Energy, feed water, waste water, tests and work are not included, "
    "because the configuration of a reservoir has no prices for them.",
)


@dataclass(frozen=True, slots=True)
class Cost:
    """The cost of one litre from one cartridge."""

    litres: float
    per_l: float
    expected_per_l: tuple[float, float, float] | None = None
    """For a cartridge in use, at its forecast end: the median, and the 80 % interval, lower cost first."""


@dataclass(frozen=True, slots=True)
class Costs:
    """The cost of each cartridge, and of all finished ones together."""

    each: tuple[Cost | None, ...]
    finished: Cost | None


def costs(price: float | None, found: list[Backtest]) -> Costs:
    """Compute the cost of a litre.

    Args:
        price: Price of a cartridge; None if none is configured.
        found: The cartridges, in order.

    Returns:
        The costs; a field is None without a price or without treated litres.
    """
    each = tuple(None if price is None else _cost(price, one) for one in found)
    done = [
        one.litres
        for one, tested in zip(each, found, strict=True)
        if one is not None and tested.outcome.status is not Status.IN_USE
    ]
    total_l = sum(done)
    if price is None or total_l <= 0.0:
        return Costs(each, None)
    return Costs(each, Cost(total_l, price * len(done) / total_l))


def _cost(price: float, tested: Backtest) -> Cost | None:
    litres = tested.treated_l
    if litres <= 0.0:
        return None
    if tested.outcome.status is not Status.IN_USE or not tested.forecasts:
        return Cost(litres, price / litres)
    at = tested.forecasts[-1].crossing_l
    return Cost(litres, price / litres, (price / at.median, price / at.high80, price / max(at.low80, litres)))
