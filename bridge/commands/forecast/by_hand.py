"""The state of purifiers and shelves kept by hand: litres and days left, order, and cost of a litre."""

import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from bridge.commands.forecast.log import (
    State,
    cover_line,
    cover_values,
    interval_text,
    line,
    lines_of,
    plot,
)
from bridge.commands.shared.configuration import AS_RECORDED, Shown
from bridge.forecast import by_hand
from bridge.forecast.by_hand import HandPlan, HandState, ShelfPlan, ShelfState
from bridge.history.records import EntryRow
from bridge.purifier.forecast import Interval
from bridge.sourcing.cost import per_litre

_MS_A_DAY = 86_400_000.0


@dataclass(frozen=True, slots=True)
class OfPurifier:
    """A purifier, and its state from its entries."""

    plan: HandPlan
    state: HandState


@dataclass(frozen=True, slots=True)
class OfShelf:
    """A shelf, and its state from its entries."""

    plan: ShelfPlan
    state: ShelfState


def state_of(plan: HandPlan | ShelfPlan, rows: list[EntryRow]) -> OfPurifier | OfShelf:
    """Compute the state of a purifier or a shelf from its entries."""
    if isinstance(plan, ShelfPlan):
        return OfShelf(plan, by_hand.shelf_after(plan, rows))
    return OfPurifier(plan, by_hand.purifier_after(plan, rows))


def states(config: Path, named: str | None) -> list[OfPurifier | OfShelf]:
    """Compute the state of every purifier and shelf in the configuration, or of the one named.

    Raises:
        InputError: The configuration is wrong.
        LogError: The log cannot be read.
    """
    from bridge.commands.shared.configuration import configuration_in_use
    from bridge.commands.shared.log_file import entries_of, log_path

    plan = configuration_in_use(config).plan
    kept = [one for ident, one in plan.kept_by_hand.items() if named in (None, ident)]
    if not kept:
        return []
    path = log_path(config)
    return [state_of(one, entries_of(path, one.ident)) for one in kept]


def values(found: OfPurifier | OfShelf) -> dict[str, Any]:
    """Return the state as values for JSON."""
    entered_ms = found.state.entered_ms
    common = {"kept_by_hand": True, "entered": None if entered_ms is None else entered_ms / 1000.0}
    if isinstance(found, OfShelf):
        state = found.state
        return {
            "shelf": found.plan.ident,
            **common,
            "stock_l": state.stock_l,
            "put_l": state.put_l,
            "taken_l": state.taken_l,
            "days_of_cover": None if state.cover is None else cover_values(state.cover),
            "order_now": state.order_now,
            "cost_per_l": found.plan.price_per_l,
        }
    made = _made(found).as_values()
    made["purifier"] = made.pop("reservoir")
    cost = _cost(found)
    return {**made, **common, "cost_per_l": None if cost is None else asdict(cost)}


def lines(found: OfPurifier | OfShelf, shown: Shown = AS_RECORDED) -> Iterator[str]:
    """Put the state into words."""
    units = shown.units
    entered_ms = found.state.entered_ms
    if isinstance(found, OfShelf):
        state, plan = found.state, found.plan
        yield f"Shelf {plan.ident}: {plan.name}, kept by hand"
        yield line("In stock", units.litres_as(state.stock_l, ".4g"))
        if state.ppm is not None:
            yield line("Last reading", units.ppm_as(state.ppm, plan.factor, ".3g"))
        if plan.price_per_l is not None:
            cost = units.cost_as(plan.price_per_l, ".3g")
            yield line("Cost", f"{cost}, {units.money(plan.price_per_l * state.put_l)} so far")
        if state.cover is None:
            yield line(
                "Days of cover", "not known yet: enter the litres taken, twice over at least three days"
            )
        else:
            yield cover_line(state.cover, units)
            order = "order now" if state.order_now else "not yet"
            yield line("Order", f"{order}; a delivery is assumed to take {plan.lead_days:g} days")
    else:
        fitted_in = found.plan
        yield f"Purifier {fitted_in.ident}: {fitted_in.name}, {fitted_in.cartridge.kind.value}, kept by hand"
        yield from lines_of(_made(found), units)
        if found.state.product_ppm is not None:
            over = ", over the limit" if found.state.product_ppm >= found.plan.limit_ppm else ""
            reading = units.ppm_as(found.state.product_ppm, found.plan.factor, ".3g")
            yield line("Last reading", f"{reading}{over}")
        if found.state.kept.feed_ppm is None:
            yield line("Feed", "not known; give feed_ppm in its table, or enter --feed-ppm")
        costs = _cost(found)
        if costs is not None:
            yield line("Cost", interval_text(costs, units.cost_unit, units.cost_number(1.0)))
        before = found.state.treated_before_l
        price = found.plan.cartridge.price
        if before and price is not None:
            mean_l = sum(before) / len(before)
            mean = units.cost_as(price / mean_l + found.plan.other_cost_per_l, ".3g")
            each = f"{mean} from {units.litres_as(mean_l, '.3g')} each"
            yield line("Cost before", f"{each}, {len(before)} cartridge{'s' * (len(before) > 1)}")
    if entered_ms is None:
        yield line("Entered", f"nothing yet; use clearwell sample --of {found.plan.ident} --litres ...")
        return
    ago = max(time.time() - entered_ms / 1000.0, 0.0) / 86_400.0
    yield line("Entered", "today" if ago < 1.0 else f"last {ago:.0f} days ago; days are counted from then")


def drawn(found: OfPurifier | OfShelf, shown: Shown = AS_RECORDED) -> Iterator[str]:
    """Plot a purifier; a shelf has no plot."""
    if isinstance(found, OfPurifier):
        yield from plot(_made(found), shown)


def _made(found: OfPurifier) -> State:
    state = found.state
    return State(found.plan.ident, state.kept, state.outlook, None, len(state.earlier), state.points)


def _cost(found: OfPurifier) -> Interval | None:
    plan, outlook = found.plan, found.state.outlook
    treated_l = found.state.kept.load.treated_l
    left = None if outlook is None else outlook.litres_left
    if plan.cartridge.price is None or left is None or treated_l + left.median <= 0.0:
        return None
    return per_litre(plan.cartridge.price, treated_l, left, plan.other_cost_per_l)
