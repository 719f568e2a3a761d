"""Water in jugs on a shelf: what stands there by the entries, and how long it lasts. Core.

What is taken is the sum of takings that come at their own times, each of its own size (a compound Poisson
process): over ``t`` days it has the mean ``rate x t`` and the variance ``t x (mean square taken a day)``. The
rate itself is known from a finite time only, which adds ``t^2`` times its own variance. Older takings are
forgotten within a season.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist

from bridge.forecast.by_hand import ShelfPlan
from bridge.history.records import EntryRow, Litres, LitresRow, SampleRow, when_ms
from bridge.purifier.forecast import ORDER_DRY_SHARE
from bridge.tank.cover import HORIZON_DAYS, Cover

_MS_A_DAY = 86_400_000.0
_FORGET_DAYS = 90.0
_LEAST_DAYS = 3.0
_LEAST_TAKINGS = 2
_PARTS = 40


@dataclass(frozen=True, slots=True)
class ShelfState:
    """A shelf as its entries tell it."""

    stock_l: float
    cover: Cover | None
    """None before three days with two takings were seen."""
    order_now: bool | None
    put_l: float
    """All that was ever put there."""
    taken_l: float
    entered_ms: int | None
    ppm: float | None
    """The last reading of it, on the configuration's scale."""


@dataclass(slots=True)
class _Takings:
    """What was taken, with what is older counting less."""

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


def followed(plan: ShelfPlan, rows: Iterable[EntryRow]) -> ShelfState:
    """The shelf after its entries, which come in the order of the log."""
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
                    # A count says how much went, not in how many takings: they are taken to be as before.
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
    """The part of the lead time that is on average spent with nothing on the shelf."""
    if lead_days == 0.0:
        return 1.0 if stock_l == 0.0 else 0.0
    normal = NormalDist()
    dry = 0.0
    for part in range(_PARTS):
        dry += max(lead_days - _days(takings, stock_l, normal.inv_cdf((part + 0.5) / _PARTS)), 0.0)
    return dry / _PARTS / lead_days


def _days(takings: _Takings, stock_l: float, errors: float) -> float:
    """When so many standard errors towards more use have emptied the shelf; infinity past the horizon."""

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
