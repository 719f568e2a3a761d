"""What a purifier that is kept by hand has done, from its entries in the log. Core.

The entries are the book: whenever somebody asks they are gone through, with the configuration of today, in
the order in which they were so, which may not be that in which they were entered. A reading is one of all the
litres since the reading before it; litres that came after the last reading count for the load and say nothing
of the front. Only the last cartridges are followed in full, so that the cost of an answer has a bound.

Plans of purifiers and shelves whose readings a person enters.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from bridge.forecast.learned import (
    MOST_EARLIER,
    Kept,
    Learned,
    forecast_of,
    prior,
    seasoned,
    worth_keeping,
)
from bridge.guard.model import Advisory
from bridge.history.records import CartridgeRow, EntryRow, Litres, LitresRow, SampleRow, when_ms
from bridge.purifier import breakthrough, membrane
from bridge.purifier.capacity import Evidence
from bridge.purifier.cartridge import Kind, Load, add
from bridge.purifier.forecast import Forecast
from bridge.purifier.season import LONGEST_DAYS
from bridge.station.plan import CartridgePlan
from bridge.station.view import Ahead


@dataclass(frozen=True, slots=True)
class HandPlan:
    """A purifier without probe and float, whose litres and readings a person enters."""

    ident: str
    """Its word in the log and on the command line."""
    name: str
    factor: float
    """The scale of every ppm of it."""
    limit_ppm: float
    target_ppm: float
    feed_ppm: float | None
    """What the feed is taken to be until a sample of it is entered."""
    cartridge: CartridgePlan
    other_cost_per_l: float = 0.0
    """Money for one litre beside the cartridge: energy, water."""


@dataclass(frozen=True, slots=True)
class ShelfPlan:
    """Water in jugs on a shelf, bought or made elsewhere, whose litres a person enters."""

    ident: str
    name: str
    factor: float
    limit_ppm: float
    target_ppm: float
    price_per_l: float | None = None
    lead_days: float = 7.0
    """From the order, or the decision to go for more, until it stands on the shelf."""


LONGEST_GAP_DAYS = 120.0
"""Entries further apart say nothing of the use in between."""
_MS_A_DAY = 86_400_000.0
_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class HandState:
    """A purifier as its entries tell it."""

    kept: Kept
    ahead: Forecast | Ahead | None
    """None where feed, use or readings do not suffice to say anything."""
    earlier: tuple[Evidence, ...]
    """What became of the cartridges before the one that is in, as far as their feed was known."""
    treated_before_l: tuple[float, ...]
    """Litres that each of them made."""
    entered_ms: int | None
    """When the last entry was so, in UTC; None where there is none."""
    product_ppm: float | None
    points: tuple[tuple[float, float], ...]
    """Litres treated and product in ppm, reading by reading, of the cartridge that is in."""

    @property
    def advisories(self) -> frozenset[Advisory]:
        """What is worth an alarm."""
        return frozenset({Advisory.ORDER_CARTRIDGE}) if self.kept.learned.order else frozenset()


def followed(plan: HandPlan, rows: Iterable[EntryRow]) -> HandState:
    """The purifier after its entries, which come in the order of the log."""
    own = sorted((row for row in rows if row.reservoir == plan.ident), key=when_ms)
    changes = sum(isinstance(row, CartridgeRow) for row in own)
    walk = _Walk(plan)
    for row in own:
        match row:
            case LitresRow(what=Litres.MADE):
                walk.made(row)
            case SampleRow(of="feed"):
                walk.feed_ppm = row.conductivity_25_us_cm * plan.factor
            case SampleRow(of="product"):
                walk.read(row, in_full=changes <= MOST_EARLIER)
            case CartridgeRow():
                changes -= 1
                walk.changed(row)
            case _:
                continue
        walk.entered_ms = when_ms(row)
    return walk.ended()


class _Walk:
    """Where the walk through the entries stands."""

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

    def made(self, row: LitresRow) -> None:
        self._pending_l += row.litres
        learned = replace(self._learned, total_l=self._learned.total_l + row.litres)
        self._learned = seasoned(learned, _day(row), self.feed_ppm, LONGEST_GAP_DAYS)

    def read(self, row: SampleRow, *, in_full: bool) -> None:
        self._product_ppm = ppm = row.conductivity_25_us_cm * self.plan.factor
        litres, self._pending_l = self._pending_l, 0.0
        self._take_up(litres, ppm, row.temperature_c, in_full)
        self._points.append((self._load.treated_l, ppm))
        over = ppm >= self.plan.limit_ppm
        if not over:
            self._crossed_g = None
        elif self._crossed_g is None:
            front = self._learned.front
            crossed = None if front is None else front.crossed
            self._crossed_g = self._load.taken_up_g if crossed is None else crossed.taken_up_g

    def changed(self, row: CartridgeRow) -> None:
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

    def ended(self) -> HandState:
        self._settle()
        plan, learned = self.plan, self._learned
        ahead: Forecast | Ahead | None = None
        if self.entered_ms is not None:
            day = self.entered_ms / _MS_A_DAY
            for _ in range(_ROUNDS):
                ahead = forecast_of(plan.cartridge, plan.limit_ppm, learned, self.feed_ppm, self._load, day)
                if not isinstance(ahead, Forecast):
                    break
                days = min(ahead.days_left.median, LONGEST_DAYS)
                learned = replace(learned, days=days, due=ahead.order_now, order=ahead.order_now)
        kept = Kept(learned, plan.cartridge, plan.limit_ppm, self.feed_ppm, None, self._load)
        return HandState(
            kept,
            ahead,
            worth_keeping(plan.cartridge, self._earlier),
            tuple(self._before_l),
            self.entered_ms,
            self._product_ppm,
            tuple(self._points),
        )

    def _settle(self) -> None:
        """Litres without a reading after them count for the load with the last reading."""
        litres, self._pending_l = self._pending_l, 0.0
        if litres > 0.0:
            self._take_up(litres, None, None, True)

    def _take_up(self, litres: float, ppm: float | None, celsius: float | None, in_full: bool) -> None:
        feed_ppm = self.feed_ppm
        known = self._product_ppm or 0.0
        if feed_ppm is None:
            # Nobody knows what went in, so only the litres count.
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
            # A reading by hand is one of all the litres, not of the water that had stood.
            since_l = 0.0 if ppm is None else max(litres, membrane.STANDING_LITRES)
            running = membrane.observe(running, litres, feed_ppm, known, warm_c, since_l)
        self._learned = replace(self._learned, front=front, membrane=running, booked_l=self._load.treated_l)

    def _renew(self) -> None:
        """A new cartridge is in."""
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


def _day(row: LitresRow) -> float:
    return when_ms(row) / _MS_A_DAY
