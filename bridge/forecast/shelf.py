"""Water in jugs on a shelf: the stock by the entries, and how long it lasts. Core.

The use is modelled as a compound Poisson process: takings at random times, each of a random size. Over ``t``
days it has the mean ``rate x t`` and the variance ``t x (mean square taken a day)``. The rate is estimated
from a finite time, which adds ``t^2`` times its own variance. Older takings lose their weight within a
season.
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


def state_after(plan: ShelfPlan, rows: Iterable[EntryRow]) -> ShelfState:
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
