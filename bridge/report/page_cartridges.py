"""The sections of the page about cartridges: curves, past forecasts with the outcome, cost. Core."""

from bridge.purifier.cartridge import Kind
from bridge.purifier.forecast import Interval
from bridge.report.backtest import ASSUMPTIONS, Backtest, Cost, PastForecast, Status, verdict
from bridge.report.curves import CartridgeHistory
from bridge.report.markup import (
    NONE,
    Charts,
    Column,
    drawing,
    figure,
    listed,
    moment,
    quantity,
    table,
    text,
)
from bridge.report.page_water import cost as per_litre
from bridge.report.season import Season
from bridge.units import DisplayUnits, Quantity

_DAY_MS = 86_400_000.0
_WORD = {Kind.EXCHANGE: "Cartridge", Kind.MEMBRANE: "Membrane", Kind.DISTILLER: "Distiller"}


def cartridges(season: Season, units: DisplayUnits, charts: Charts) -> str:
    """Returns the section on cartridges, one after the other."""
    fitted = season.facts.cartridge
    parts = ["<h3>Cartridges</h3>\n<p>The numbers hold within this report only.</p>\n"]
    if fitted is None:
        parts.append("<p>No cartridge is configured for this reservoir, so nothing was forecast.</p>\n")
    elif fitted.rated_g is not None:
        parts.append(
            f"<p>Rated to take up {fitted.rated_g:.4g} g of dissolved solids, "
            f"± {100.0 * fitted.rating_sd:.2g} % (one standard deviation).</p>\n"
        )
    if not season.cartridges or not any(one.points or one.past for one in season.cartridges):
        parts.append("<p>The log shows no water from any of them.</p>\n")
    for place, (history, backtest) in enumerate(zip(season.cartridges, season.backtests, strict=True)):
        svg = charts.cartridges[place] if place < len(charts.cartridges) else ""
        parts.append(_one(place + 1, history, backtest, season, units, svg))
    return "".join(parts)


def _one(
    number: int, history: CartridgeHistory, backtest: Backtest, season: Season, units: DisplayUnits, svg: str
) -> str:
    at = f"cartridge-{number}"
    fitted = season.facts.cartridge
    word = "Cartridge" if fitted is None else _WORD[fitted.kind]
    outcome = backtest.outcome
    since = "before the log begins" if history.fitted_ms is None else moment(units, history.fitted_ms)
    facts = [f"Fitted: {since}."]
    whole = quantity(f"{at}/treated", units.litres(backtest.treated_l))
    within = quantity(f"{at}/made", units.litres(history.litres))
    facts.append(f"Treated: {whole}, {within} of it within this report.")
    if backtest.load_g is not None:
        facts.append(
            f"Taken up: {figure(f'{at}/load', backtest.load_g, f'{backtest.load_g:.4g} g')} of solids."
        )
    facts.append(_end(at, history, backtest, units))
    facts += [
        f"The bridge advised to order the next one on {moment(units, one)}."
        for one in season.orders_ms
        if (history.fitted_ms or 0) <= one and (history.changed is None or one < history.changed.stamp.utc_ms)
    ][:3]
    if history.past:
        facts.append(
            f"It was fitted before this report begins; {len(history.past)} days are a sample of that time."
        )
    parts = f'<div class="together"><h4>{word} {number}</h4>\n{listed(facts)}'
    caption_text = "Above, the product over the litres treated, with the limit (full line)."
    if backtest.forecasts:
        caption_text += (
            " Below, each line is one forecast: the dot is the moment at which it was made, the upright "
            "stroke the median, the thick bar the 80 % interval, the thin line the 95 % interval."
        )
    if outcome.status is not Status.IN_USE:
        caption_text += " The dotted line is the actual end."
    parts += drawing(svg, caption_text) + "</div>\n"
    if backtest.forecasts:
        parts += _forecast_table(at, backtest, units)
        parts += f'<p class="note">Basis of the last forecast: {text(backtest.forecasts[-1].rests_on)}.</p>\n'
    return parts


def _end(at: str, history: CartridgeHistory, backtest: Backtest, units: DisplayUnits) -> str:
    outcome = backtest.outcome
    litres = quantity(f"{at}/end", units.litres(outcome.treated_l))
    by = (
        f", by {text(history.changed.sender)}"
        if history.changed is not None and history.changed.sender
        else ""
    )
    changed = (
        "" if history.changed is None else f" Changed {moment(units, history.changed.stamp.utc_ms)}{by}."
    )
    match outcome.status:
        case Status.EXHAUSTED:
            return (
                f"<strong>Exhausted</strong>: the product reached the limit at {litres}, "
                f"{moment(units, outcome.at_ms)}.{changed}"
            )
        case Status.CHANGED_EARLY:
            return (
                f"<strong>Changed early</strong> at {litres}, before the product reached the limit.{changed}"
            )
        case Status.IN_USE:
            return f"<strong>In use</strong> at the end of this report, at {litres}."


def _forecast_table(at: str, backtest: Backtest, units: DisplayUnits) -> str:
    columns = (
        Column("Made on"),
        Column("Treated then", True),
        Column("Exhausted at", True),
        Column("80 % interval", True),
        Column("Days left then", True),
        Column("Time to order"),
        Column("Outcome"),
    )
    rows = [
        _forecast_row(f"{at}/forecast-{k + 1}", one, backtest, units)
        for k, one in enumerate(backtest.forecasts)
    ]
    caption = "Past forecasts and the outcome"
    return f'<div class="scroll">{table(caption, columns, rows)}</div>\n'


def _forecast_row(at: str, one: PastForecast, backtest: Backtest, units: DisplayUnits) -> list[str]:
    outcome = backtest.outcome
    crossing = one.crossing_l
    days = NONE
    if one.days_left is not None:
        days = figure(f"{at}/days", one.days_left.median, _days(one.days_left))
    result = verdict(one, outcome)
    if outcome.status is Status.EXHAUSTED:
        true_days = (outcome.at_ms - one.at_ms) / _DAY_MS
        result = f"{figure(f'{at}/true-days', true_days, f'{true_days:.0f} days')}, {result}"
    return [
        moment(units, one.at_ms, day=True),
        quantity(f"{at}/treated", units.litres(one.treated_l)),
        quantity(f"{at}/median", units.litres(crossing.median)),
        _between(at, units.litres(crossing.low80), units.litres(crossing.high80)),
        days,
        NONE if one.order is None else "yes" if one.order else "not yet",
        result,
    ]


def _between(at: str, low: Quantity, high: Quantity) -> str:
    # The column is narrow, so the unit is written once.
    shown = low.text.removesuffix(f" {low.unit}")
    return f"{figure(f'{at}/low80', low.number, shown)} to {quantity(f'{at}/high80', high)}"


def _days(days: Interval) -> str:
    return f"{days.median:.0f} ({days.low80:.0f} to {days.high80:.0f})"


def cartridge_costs(season: Season, units: DisplayUnits) -> str:
    """Returns the section on the cost of a litre."""
    fitted = season.facts.cartridge
    if fitted is None or fitted.price is None:
        return "<h3>Cost</h3>\n<p>No price of a cartridge is configured, so the cost is unknown.</p>\n"
    columns = (
        Column("Cartridge"),
        Column("Made", True),
        Column("Cost", True),
        Column("If the forecast holds"),
    )
    rows = []
    for number, (cost, backtest) in enumerate(zip(season.costs.each, season.backtests, strict=True), start=1):
        if cost is None:
            rows.append([str(number), NONE, NONE, ""])
            continue
        running = backtest.outcome.status is Status.IN_USE
        shown = per_litre(f"cartridge-{number}/cost", cost.per_l, units) + (
            ", if changed now" if running else ""
        )
        litres = quantity(f"cartridge-{number}/cost-litres", units.litres(cost.litres))
        rows.append([str(number), litres, shown, _expected(number, cost, units)])
    finished = season.costs.finished
    if finished is not None:
        rows.append(
            [
                "all finished cartridges",
                quantity("cost-litres", units.litres(finished.litres)),
                per_litre("cost-finished", finished.per_l, units),
                "",
            ]
        )
    price = figure("price", fitted.price, units.money(fitted.price))
    return (
        f'<div class="together"><h3>Cost</h3>\n<p>A cartridge costs {price}.</p>\n'
        + table("Cost of the product", columns, rows)
        + "</div>\n"
        + listed(map(text, ASSUMPTIONS))
    )


def _expected(number: int, cost: Cost, units: DisplayUnits) -> str:
    if cost.expected_per_l is None:
        return ""
    median, low, high = cost.expected_per_l
    return (
        f"{per_litre(f'cartridge-{number}/cost-expected', median, units)} "
        f"(80 %: {text(units.per_volume(low))} to {text(units.per_volume(high))})"
    )
