"""Purifiers and shelves whose litres and readings a person enters: their plans and their states. Core.

A state is computed from the entries in the log each time it is wanted, under the present configuration.
Entries are ordered by the time given with ``--at``, which may differ from the order of the log. A reading
stands for all litres since the reading before it. Litres after the last reading count for the load and are no
evidence for the front. Only the latest cartridges are followed in full, so that the computing time has a
bound.

The use of a shelf is modelled as a compound Poisson process: takings at random times, each of a random size.
Over ``t`` days it has the mean ``rate x t`` and the variance ``t x (mean square taken a day)``. The rate is
estimated from a finite time, which adds ``t^2`` times its own variance. Older takings lose their weight
within a season.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

from bridge.estimate.reservoir import RAIN_PPM
from bridge.forecast.learned import (
    MOST_EARLIER,
    Kept,
    Learned,
    add_to_seasons,
    forecast_of,
    prior,
    worth_keeping,
)
from bridge.guard.model import Advisory
from bridge.history.records import CartridgeRow, EntryRow, Litres, LitresRow, SampleRow, when_ms
from bridge.purifier import breakthrough, membrane
from bridge.purifier.cartridge import Evidence, Kind, Load, add
from bridge.purifier.forecast import Forecast
from bridge.purifier.season import LONGEST_DAYS
from bridge.sourcing.rain import Collection
from bridge.station.plan import CartridgePlan
from bridge.station.view import Outlook
from bridge.tank.cover import Cover
from bridge.tank.daily_use import HORIZON_DAYS


@dataclass(frozen=True, slots=True)
class HandPlan:
    """A purifier without a probe and a float."""

    ident: str
    """Its identifier in the log and on the command line."""
    name: str
    factor: float
    """The scale of every ppm of it: ppm for each µS/cm at 25 °C."""
    limit_ppm: float
    target_ppm: float
    feed_ppm: float | None
    """The feed until a sample of it is entered, ppm."""
    cartridge: CartridgePlan
    other_cost_per_l: float = 0.0
    """Cost of one litre without the cartridge: energy and feed water."""


@dataclass(frozen=True, slots=True)
class ShelfPlan:
    """Water in jugs on a shelf, bought or made elsewhere."""

    ident: str
    name: str
    factor: float
    limit_ppm: float
    target_ppm: float
    price_per_l: float | None = None
    lead_days: float = 7.0
    """Days from the order, or from the decision to fetch more, until the water is on the shelf."""
    roof: Collection | None = None
    """The roof and the tank of water that rain brings; None for jugs."""
    rain_ppm: float = RAIN_PPM
    """The dissolved solids of the roof's water after its first flush."""


LONGEST_GAP_DAYS = 120.0
"""Longest time between entries over which use is averaged."""
_MS_A_DAY = 86_400_000.0
_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class HandState:
    """The state of a purifier, computed from its entries."""

    kept: Kept
    outlook: Forecast | Outlook | None
    """None if feed, use or readings do not suffice for a forecast."""
    earlier: tuple[Evidence, ...]
    """The final loads of the cartridges before the present one, as far as their feed was known."""
    treated_before_l: tuple[float, ...]
    """Litres that each of them treated."""
    entered_ms: int | None
    """The time of the last entry, UTC; None without entries."""
    product_ppm: float | None
    points: tuple[tuple[float, float], ...]
    """For each reading of the present cartridge: litres treated, and product in ppm."""

    @property
    def advisories(self) -> frozenset[Advisory]:
        """The advisories that the outlook raises."""
        return frozenset({Advisory.ORDER_CARTRIDGE}) if self.kept.learned.order else frozenset()


def purifier_after(plan: HandPlan, rows: Iterable[EntryRow]) -> HandState:
    """Computes the state of a purifier from its entries.

    Args:
        plan: The purifier's plan.
        rows: Entries in the order of the log, those of others among them.

    Returns:
        The state after the last entry.
    """
    own = sorted((row for row in rows if row.reservoir == plan.ident), key=when_ms)
    changes = sum(isinstance(row, CartridgeRow) for row in own)
    state = _Account(plan)
    for row in own:
        match row:
            case LitresRow(what=Litres.MADE):
                state.add_litres(row)
            case SampleRow(of="feed"):
                state.feed_ppm = row.conductivity_25_us_cm * plan.factor
            case SampleRow(of="product"):
                state.add_reading(row, in_full=changes <= MOST_EARLIER)
            case CartridgeRow():
                changes -= 1
                state.change_cartridge(row)
            case _:
                continue
        state.entered_ms = when_ms(row)
    return state.result()


class _Account:
    """The running account while the entries are gone through in order."""

    def __init__(self, plan: HandPlan) -> None:
        self.plan = plan
        self.feed_ppm = plan.feed_ppm
        self.entered_ms: int | None = None
        self._learned = Learned()
        self._earlier: list[Evidence] = []
        self._before_l: list[float] = []
        self._product_ppm: float | None = None
        self._points: list[tuple[float, float]] = []
        self._pending_l = 0.0
        self._load = Load()
        self._crossed_g: float | None = None
        self._renew()

    def add_litres(self, row: LitresRow) -> None:
        self._pending_l += row.litres
        learned = replace(self._learned, total_l=self._learned.total_l + row.litres)
        self._learned = add_to_seasons(learned, _day(row), self.feed_ppm, LONGEST_GAP_DAYS)

    def add_reading(self, row: SampleRow, *, in_full: bool) -> None:
        self._product_ppm = ppm = row.conductivity_25_us_cm * self.plan.factor
        litres, self._pending_l = self._pending_l, 0.0
        self._take_up(litres, ppm, row.temperature_c, in_full, _day(row))
        self._points.append((self._load.treated_l, ppm))
        over = ppm >= self.plan.limit_ppm
        if not over:
            self._crossed_g = None
        elif self._crossed_g is None:
            front = self._learned.front
            crossed = None if front is None else front.crossed
            self._crossed_g = self._load.taken_up_g if crossed is None else crossed.taken_up_g

    def change_cartridge(self, row: CartridgeRow) -> None:
        self._settle()
        exhausted = self._crossed_g is not None if row.exhausted is None else row.exhausted
        grams = self._load.taken_up_g
        if exhausted and self._crossed_g is not None:
            grams = self._crossed_g
        if grams > 0.0:
            self._earlier.append(Evidence(grams, exhausted))
        if self._load.treated_l > 0.0:
            self._before_l.append(self._load.treated_l)
        self._load = Load()
        self._renew()

    def result(self) -> HandState:
        self._settle()
        plan, learned = self.plan, self._learned
        outlook: Forecast | Outlook | None = None
        if self.entered_ms is not None:
            day = self.entered_ms / _MS_A_DAY
            for _ in range(_ROUNDS):
                outlook = forecast_of(plan.cartridge, plan.limit_ppm, learned, self.feed_ppm, self._load, day)
                if not isinstance(outlook, Forecast):
                    break
                days = min(outlook.days_left.median, LONGEST_DAYS)
                learned = replace(learned, days=days, due=outlook.order_now, order=outlook.order_now)
        kept = Kept(learned, plan.cartridge, plan.limit_ppm, self.feed_ppm, None, self._load)
        return HandState(
            kept,
            outlook,
            worth_keeping(plan.cartridge, self._earlier),
            tuple(self._before_l),
            self.entered_ms,
            self._product_ppm,
            tuple(self._points),
        )

    def _settle(self) -> None:
        """Adds litres without a later reading to the load, at the last reading."""
        litres, self._pending_l = self._pending_l, 0.0
        if litres > 0.0:
            self._take_up(litres, None, None, True, (self.entered_ms or 0) / _MS_A_DAY)

    def _take_up(
        self, litres: float, ppm: float | None, celsius: float | None, in_full: bool, day: float
    ) -> None:
        feed_ppm = self.feed_ppm
        known = self._product_ppm or 0.0
        if feed_ppm is None:
            # Without a feed the load in grams is unknown, so only the litres count.
            self._load = add(self._load, litres, 0.0, 0.0)
            return
        self._load = add(self._load, litres, feed_ppm, min(known, feed_ppm))
        front, running = self._learned.front, self._learned.membrane
        if front is not None and in_full:
            if ppm is not None and ppm < self.plan.limit_ppm:
                front = breakthrough.reopened(front)
            front = breakthrough.observe(front, litres, feed_ppm, known, standing=ppm is None)
            front = replace(front, load=self._load)
        if running is not None:
            warm_c = membrane.REFERENCE_C if celsius is None else min(max(celsius, 0.0), 50.0)
            # A reading by hand stands for all litres, not for the water that stood in the membrane.
            since_l = 0.0 if ppm is None else max(litres, membrane.STANDING_LITRES)
            running = membrane.observe(running, litres, feed_ppm, known, warm_c, since_l, day)
        self._learned = replace(self._learned, front=front, membrane=running, booked_l=self._load.treated_l)

    def _renew(self) -> None:
        """Starts a new cartridge."""
        fitted, front, running = self.plan.cartridge, None, None
        if fitted.kind is Kind.MEMBRANE and fitted.rejection_percent is not None:
            running = membrane.begin(fitted.rejection_percent)
        if fitted.kind is Kind.EXCHANGE and fitted.rated_g is not None:
            known: Sequence[Evidence] = worth_keeping(fitted, self._earlier)
            front = breakthrough.begin(prior(fitted, tuple(known)), self.plan.limit_ppm)
        self._learned = replace(self._learned, front=front, membrane=running, booked_l=0.0)
        self._product_ppm = None
        self._crossed_g = None
        self._points = []


def _day(row: LitresRow | SampleRow) -> float:
    return when_ms(row) / _MS_A_DAY


ORDER_DRY_SHARE = 0.08
"""Fetch water when the shelf is expected to be empty for this share of the lead time."""
_FORGET_DAYS = 90.0
_LEAST_DAYS = 3.0
_LEAST_TAKINGS = 2
_PARTS = 40


@dataclass(frozen=True, slots=True)
class ShelfState:
    """The state of a shelf, computed from its entries."""

    stock_l: float
    cover: Cover | None
    """None until three days with two takings are entered."""
    order_now: bool | None
    put_l: float
    """All litres that were ever put on the shelf."""
    taken_l: float
    entered_ms: int | None
    ppm: float | None
    """The last reading, on the configuration's scale."""


@dataclass(slots=True)
class _Takings:
    """Exponentially weighted sums over the takings."""

    days: float = 0.0
    litres: float = 0.0
    squares: float = 0.0
    count: int = 0

    def pass_days(self, days: float) -> None:
        kept = math.exp(-days / _FORGET_DAYS)
        self.days = self.days * kept + _FORGET_DAYS * (1.0 - kept)
        self.litres *= kept
        self.squares *= kept

    def take(self, litres: float, typical: float) -> None:
        self.count += 1
        self.litres += litres
        self.squares += litres * min(typical, litres)


def shelf_after(plan: ShelfPlan, rows: Iterable[EntryRow]) -> ShelfState:
    """Computes the state of a shelf from its entries.

    Args:
        plan: The shelf's plan.
        rows: Entries in the order of the log, those of others among them.

    Returns:
        The state after the last entry.
    """
    takings = _Takings()
    stock_l = put_l = taken_l = 0.0
    entered_ms: int | None = None
    ppm: float | None = None
    for row in sorted((row for row in rows if row.reservoir == plan.ident), key=when_ms):
        if isinstance(row, SampleRow):
            ppm = row.conductivity_25_us_cm * plan.factor
        if not isinstance(row, LitresRow):
            continue
        if entered_ms is not None:
            takings.pass_days((when_ms(row) - entered_ms) / _MS_A_DAY)
        entered_ms = when_ms(row)
        match row.what:
            case Litres.PUT | Litres.MADE:
                stock_l += row.litres
                put_l += row.litres
            case Litres.TAKEN:
                takings.take(row.litres, row.litres)
                taken_l += row.litres
                stock_l = max(stock_l - row.litres, 0.0)
            case Litres.LEFT:
                gone_l = stock_l - row.litres
                if gone_l > 0.0:
                    # A count gives the litres and not the number of takings: their mean size stays as it was.
                    typical = takings.squares / takings.litres if takings.litres else gone_l
                    takings.take(gone_l, typical)
                    taken_l += gone_l
                stock_l = row.litres
    cover = _cover(takings, stock_l)
    order = None if cover is None else _dry_share(takings, stock_l, plan.lead_days) >= ORDER_DRY_SHARE
    return ShelfState(stock_l, cover, order, put_l, taken_l, entered_ms, ppm)


def _cover(takings: _Takings, stock_l: float) -> Cover | None:
    if takings.days < _LEAST_DAYS or takings.count < _LEAST_TAKINGS or takings.litres <= 0.0:
        return None
    normal = NormalDist()
    days, low80, high80, low95, high95 = (
        _days(takings, stock_l, normal.inv_cdf(1.0 - share)) for share in (0.5, 0.1, 0.9, 0.025, 0.975)
    )
    return Cover(takings.litres / takings.days, days, low80, high80, low95, high95)


def _dry_share(takings: _Takings, stock_l: float, lead_days: float) -> float:
    """Returns the mean share of the lead time in which the shelf is empty."""
    if lead_days == 0.0:
        return 1.0 if stock_l == 0.0 else 0.0
    normal = NormalDist()
    dry = 0.0
    for part in range(_PARTS):
        dry += max(lead_days - _days(takings, stock_l, normal.inv_cdf((part + 0.5) / _PARTS)), 0.0)
    return dry / _PARTS / lead_days


def _days(takings: _Takings, stock_l: float, errors: float) -> float:
    """Returns the days until the shelf is empty at a use so many standard errors above the mean.

    The result is infinity beyond the horizon.
    """

    def used_l(days: float) -> float:
        scatter = days * takings.squares / takings.days * (1.0 + days / takings.days)
        return days * takings.litres / takings.days + errors * math.sqrt(scatter)

    if stock_l <= 0.0:
        return 0.0
    low, high = 0.0, float(HORIZON_DAYS)
    if used_l(high) < stock_l:
        return math.inf
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if used_l(middle) < stock_l else (low, middle)
    return high
