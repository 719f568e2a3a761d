"""Forecasts out of the log, in words, as JSON and as a plot.

A reservoir has the forecast that the daemon keeps. A purifier or a shelf that is kept by hand has the litres
and days left, the order and the cost of a litre that follow from its entries.
"""

import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bridge.commands.shared.configuration import AS_RECORDED, Shown, reading
from bridge.display.charts import Axis, Canvas
from bridge.errors import InputError, LogError
from bridge.forecast import by_hand, cartridges, persistence
from bridge.forecast.by_hand import HandPlan, HandState, ShelfPlan, ShelfState
from bridge.forecast.learned import Kept, forecast_of, worth_keeping
from bridge.history.records import Bucket, EntryRow, Series
from bridge.history.rollup import HOUR_MS
from bridge.purifier.cartridge import Kind
from bridge.purifier.forecast import Forecast, Interval
from bridge.purifier.membrane import rejection_percent
from bridge.sourcing.cost import per_litre
from bridge.station.view import Outlook
from bridge.tank.cover import Cover, days_until_dry
from bridge.tank.daily_use import HORIZON_DAYS
from bridge.units import DisplayUnits, Quantity, VolumeUnit, plain

_WIDTH = 66


@dataclass(frozen=True, slots=True)
class State:
    """One reservoir's forecast at the last write of the log."""

    reservoir: str
    kept: Kept
    outlook: Forecast | Outlook | None
    cover: Cover | None
    earlier: int
    points: tuple[tuple[float, float], ...]
    """Litres treated and product in ppm of the present cartridge, hour by hour."""
    when: datetime | None = None
    """The local time of the last write; None for a purifier kept by hand."""

    def as_values(self) -> dict[str, Any]:
        """Return the forecast as values for JSON."""
        outlook, kept = self.outlook, self.kept
        litres, days = (None, None) if outlook is None else (outlook.litres_left, outlook.days_left)
        learned = kept.learned
        return {
            "reservoir": self.reservoir,
            "kind": None if kept.fitted is None else kept.fitted.kind.value,
            "limit_ppm": kept.limit_ppm,
            "treated_l": kept.load.treated_l,
            "taken_up_g": kept.load.taken_up_g,
            "earlier_cartridges": self.earlier,
            "litres_left": None if litres is None else asdict(litres),
            "days_left": None if days is None else asdict(days),
            "order_now": None if outlook is None or outlook.days_left is None else learned.order,
            "rests_on": "" if outlook is None else outlook.rests_on,
            "days_of_cover": None if self.cover is None else cover_values(self.cover),
        }


class NoForecastYet(LogError):
    """The log is sound, and has no forecast yet."""


def states(path: Path, named: str | None) -> list[State]:
    """Read the forecasts of a log, whether or not the daemon runs.

    Raises:
        InputError: The log has no forecast of the reservoir named.
        NoForecastYet: The log has no forecast at all.
        LogError: The log cannot be read.
    """
    with reading(path) as reader:
        saved, last_ms = reader.state(), reader.span_ms()[1]
        prefix = persistence.key("")
        names = [key.removeprefix(prefix) for key in saved if key.startswith(prefix)]
        if not names:
            raise NoForecastYet(
                f"{path}: no forecast is kept there yet; the daemon keeps one after its first fill, or "
                "within an hour"
            )
        if named is not None and named not in names:
            raise InputError(f"--reservoir {named}: {path} has no forecast of it, only of {', '.join(names)}")
        read = cartridges.read(path)
        made = []
        for name in names if named is None else [named]:
            earlier = read.earlier.get(name, ())
            kept = persistence.read(saved[prefix + name], earlier)
            kept = persistence.read(saved[prefix + name], worth_keeping(kept.fitted, earlier))
            when = datetime.fromtimestamp(last_ms / 1000.0, UTC).astimezone()
            day = when.timestamp() / 86400.0
            outlook = forecast_of(kept.fitted, kept.limit_ppm, kept.learned, kept.feed_ppm, kept.load, day)
            cover = None
            if kept.volume_l is not None:
                cover = days_until_dry(kept.learned.draw, kept.volume_l, when)
            points: list[tuple[float, float]] = []
            if name in reader.reservoirs():
                start, end = reader.span_ms()
                for bucket in reader.buckets(name, HOUR_MS, start, end + 1):
                    point = _point(bucket)
                    if point is None:
                        continue
                    if points and point[0] < points[-1][0]:
                        # The volume treated fell, so this is another cartridge.
                        points.clear()
                    points.append(point)
            made.append(
                State(
                    name, kept, outlook, cover, len(worth_keeping(kept.fitted, earlier)), tuple(points), when
                )
            )
        return made


def _point(bucket: Bucket) -> tuple[float, float] | None:
    # The least ppm of the hour, because the mean includes water that stood in the line. An hour without a
    # fill has no point.
    treated, product = bucket.cells[Series.THROUGHPUT], bucket.cells[Series.PRODUCT_PPM]
    if treated is None or product is None or treated.greatest <= treated.least:
        return None
    return treated.greatest, product.least


def cover_values(cover: Cover) -> dict[str, float | None]:
    """Return days of cover as values for JSON; None beyond the horizon."""
    return {name: value if value < HORIZON_DAYS else None for name, value in asdict(cover).items()}


def lines(state: State, shown: Shown) -> Iterator[str]:
    """Put the forecast of one reservoir into words, one subject a line."""
    fitted = state.kept.fitted
    what = "no cartridge is configured" if fitted is None else fitted.kind.value
    yield f"Reservoir {state.reservoir}: {what}"
    yield from lines_of(state, shown.units)


def lines_of(state: State, units: DisplayUnits) -> Iterator[str]:
    """Put what is known and forecast into words, one subject a line."""
    kept, outlook = state.kept, state.outlook
    fitted, learned = kept.fitted, kept.learned
    if fitted is not None:
        yield line(
            "Treated",
            f"{units.litres_as(kept.load.treated_l, '.4g')}, {plain(kept.load.taken_up_g)} g taken up",
        )
        if learned.membrane is not None:
            yield line("Rejection", f"{rejection_percent(learned.membrane):.1f} % at 25 °C")
        elif fitted.rated_g is not None:
            of = "of scale that may collect" if fitted.kind is Kind.DISTILLER else "rated to take up"
            yield line(
                "Rating", f"{plain(fitted.rated_g)} g {of}; {state.earlier} earlier cartridges recorded"
            )
        if fitted.price is not None and kept.load.treated_l > 0.0:
            cost = units.cost_as(fitted.price / kept.load.treated_l, ".3g")
            yield line("Cost so far", f"{cost}, if changed now")
    if outlook is None and fitted is not None:
        yield line("Forecast", "none yet, because feed, product or use are not known")
    if outlook is not None and outlook.litres_left is not None:
        yield line(*volume_left(outlook.litres_left, units))
    if outlook is not None and outlook.days_left is not None:
        yield line("Days left", interval_text(outlook.days_left, "days"))
        order = "order now" if learned.order else "not yet"
        lead = 0.0 if fitted is None else fitted.lead_days
        yield line("Order", f"{order}; a new one is assumed to take {lead:g} days")
    if outlook is not None:
        yield line("It rests on", units.sentence(outlook.rests_on))
    if state.cover is not None:
        yield cover_line(state.cover, units)


def volume_left(left: Interval, units: DisplayUnits) -> tuple[str, str]:
    """Show the volume that the purifier will still make: a label and the interval."""
    unit = units.litres(1.0)
    label = "Litres left" if units.volume is VolumeUnit.LITRE else "Volume left"
    return label, interval_text(left, unit.unit, unit.number)


def cover_line(cover: Cover, units: DisplayUnits) -> str:
    """Show how long the water lasts."""
    days, low, high = (
        plain(x) if x < HORIZON_DAYS else f"over {HORIZON_DAYS}"
        for x in (cover.days, cover.low80_days, cover.high80_days)
    )
    return line(
        "Days of cover", f"{days} (80 %: {low} to {high}) at {units.litres_as(cover.daily_l, '.3g')} a day"
    )


def line(label: str, text: str) -> str:
    """Format a line of a label and a text."""
    return f"{label:<15}{text}"


def interval_text(x: Interval, unit: str, scale: float = 1.0) -> str:
    """Format a quantity with its intervals; ``scale`` converts it to the unit."""
    median, low80, high80, low95, high95 = (
        plain(scale * one) for one in (x.median, x.low80, x.high80, x.low95, x.high95)
    )
    return f"{median} {unit}; 80 %: {low80} to {high80} {unit}, 95 %: {low95} to {high95} {unit}"


def plot(state: State, shown: Shown) -> Iterator[str]:
    """Plot the product against the volume treated, and the forecast volume at which it reaches the limit."""
    if state.outlook is None or state.outlook.litres_left is None:
        return
    units, factor = shown.units, shown.factors.get(state.reservoir)
    volume = units.litres(1.0)
    solids = Quantity(1.0, "ppm", "") if factor is None else units.ppm(1.0, factor)
    along = "litres" if units.volume is VolumeUnit.LITRE else volume.unit
    treated, limit = volume.number * state.kept.load.treated_l, solids.number * state.kept.limit_ppm
    left = state.outlook.litres_left
    median, low80, high80, low95, high95 = (
        treated + volume.number * one
        for one in (left.median, left.low80, left.high80, left.low95, left.high95)
    )
    canvas = Canvas(
        Axis(0.0, 1.05 * max(high95, treated, volume.number), f"{along} treated"),
        Axis(0.0, 1.15 * limit, f"product, {solids.unit}"),
        _WIDTH,
    )
    for column in range(_WIDTH):
        at = canvas.centre(column)
        if low95 <= at <= high95:
            canvas.upright(column, 0.0, limit, ":" if low80 <= at <= high80 else ".")
        canvas.point(at, limit, "-")
    canvas.upright(min(canvas.column(median), _WIDTH - 1), 0.0, limit, "#")
    for at_l, ppm in state.points:
        canvas.point(volume.number * at_l, min(solids.number * ppm, 1.15 * limit), "o")
    canvas.upright(canvas.column(treated), 0.0, 0.0, "^")
    yield ""
    yield from canvas.lines()
    yield "o product, best of an hour   - limit   ^ now"
    yield "# crossing, median   : its 80 % interval   . its 95 % interval"


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


def state_by_hand(plan: HandPlan | ShelfPlan, rows: list[EntryRow]) -> OfPurifier | OfShelf:
    """Compute the state of a purifier or a shelf from its entries."""
    if isinstance(plan, ShelfPlan):
        return OfShelf(plan, by_hand.shelf_after(plan, rows))
    return OfPurifier(plan, by_hand.purifier_after(plan, rows))


def states_by_hand(config: Path, named: str | None) -> list[OfPurifier | OfShelf]:
    """Compute the state of every purifier and shelf in the configuration, or of the one named.

    Raises:
        InputError: The configuration is wrong.
        LogError: The log cannot be read.
    """
    from bridge.commands.shared.configuration import configuration_in_use, entries_of, log_path

    plan = configuration_in_use(config).plan
    kept = [one for ident, one in plan.kept_by_hand.items() if named in (None, ident)]
    if not kept:
        return []
    path = log_path(config)
    return [state_by_hand(one, entries_of(path, one.ident)) for one in kept]


def values_by_hand(found: OfPurifier | OfShelf) -> dict[str, Any]:
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


def lines_by_hand(found: OfPurifier | OfShelf, shown: Shown = AS_RECORDED) -> Iterator[str]:
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


def plot_by_hand(found: OfPurifier | OfShelf, shown: Shown = AS_RECORDED) -> Iterator[str]:
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
