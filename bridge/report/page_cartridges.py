"""The parts of the page about cartridges: curves, forecasts and what came true, and the cost. Core."""

from bridge.purifier.cartridge import Kind
from bridge.purifier.forecast import Interval
from bridge.report.curves import Life
from bridge.report.hindsight import ASSUMES, Cost, Fate, Hindsight, Stood, verdict
from bridge.report.markup import (
    NONE,
    Column,
    Drawn,
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


def cartridges(season: Season, units: DisplayUnits, drawn: Drawn) -> str:
    """Every cartridge, one after the other."""
    fitted = season.facts.cartridge
    made = ["<h3>Cartridges</h3>\n<p>They are numbered within this report.</p>\n"]
    if fitted is None:
        made.append("<p>No cartridge is configured for this reservoir, so nothing was forecast.</p>\n")
    elif fitted.rated_g is not None:
        made.append(
            f"<p>Rated to take up {fitted.rated_g:.4g} g of dissolved solids, "
            f"± {100.0 * fitted.rating_sd:.2g} % (one standard deviation).</p>\n"
        )
    if not season.lives or not any(one.points or one.past for one in season.lives):
        made.append("<p>None of them made water that the log knows of.</p>\n")
    for place, (life, seen) in enumerate(zip(season.lives, season.hindsight, strict=True)):
        svg = drawn.cartridges[place] if place < len(drawn.cartridges) else ""
        made.append(_one(place + 1, life, seen, season, units, svg))
    return "".join(made)


def _one(number: int, life: Life, seen: Hindsight, season: Season, units: DisplayUnits, svg: str) -> str:
    at = f"cartridge-{number}"
    fitted = season.facts.cartridge
    word = "Cartridge" if fitted is None else _WORD[fitted.kind]
    outcome = seen.outcome
    since = "before the log begins" if life.fitted_ms is None else moment(units, life.fitted_ms)
    facts = [f"Fitted: {since}."]
    whole = quantity(f"{at}/treated", units.litres(seen.removed_l))
    within = quantity(f"{at}/made", units.litres(life.litres))
    facts.append(f"Treated: {whole}, of it {within} within this report.")
    if seen.load_g is not None:
        facts.append(f"Taken up: {figure(f'{at}/load', seen.load_g, f'{seen.load_g:.4g} g')} of solids.")
    facts.append(_came_true(at, life, seen, units))
    facts += [
        f"The bridge said that it was time to order on {moment(units, one)}."
        for one in season.orders_ms
        if (life.fitted_ms or 0) <= one and (life.changed is None or one < life.changed.stamp.utc_ms)
    ][:3]
    if life.past:
        facts.append(
            f"It was in before this report begins; of that time {len(life.past)} days stand for the rest."
        )
    made = f'<div class="together"><h4>{word} {number}</h4>\n{listed(facts)}'
    told = "Above, the product over the litres treated, with the limit (full line)."
    if seen.stood:
        told += (
            " Below, each line is a forecast: made where the dot is, its median the upright stroke, its "
            "80 % the thick bar, its 95 % the thin line."
        )
    if outcome.fate is not Fate.RUNNING:
        told += " The dotted line is what came true."
    made += drawing(svg, told) + "</div>\n"
    if seen.stood:
        made += _forecasts(at, seen, units)
        made += f'<p class="note">The last of them rests on: {text(seen.stood[-1].rests_on)}.</p>\n'
    return made


def _came_true(at: str, life: Life, seen: Hindsight, units: DisplayUnits) -> str:
    outcome = seen.outcome
    litres = quantity(f"{at}/end", units.litres(outcome.treated_l))
    by = f", by {text(life.changed.sender)}" if life.changed is not None and life.changed.sender else ""
    changed = "" if life.changed is None else f" Changed {moment(units, life.changed.stamp.utc_ms)}{by}."
    match outcome.fate:
        case Fate.CROSSED:
            return (
                f"<strong>Gave out</strong>: its product reached the limit at {litres}, "
                f"{moment(units, outcome.at_ms)}.{changed}"
            )
        case Fate.EARLY:
            return (
                f"<strong>Changed early</strong>, at {litres}, before its product reached the limit.{changed}"
            )
        case Fate.RUNNING:
            return f"<strong>Still in</strong> at the end of this report, at {litres}."


def _forecasts(at: str, seen: Hindsight, units: DisplayUnits) -> str:
    columns = (
        Column("Made on"),
        Column("Treated then", True),
        Column("Gives out at", True),
        Column("80 % between", True),
        Column("Days left then", True),
        Column("Time to order"),
        Column("What came true"),
    )
    rows = [_stood(f"{at}/forecast-{k + 1}", one, seen, units) for k, one in enumerate(seen.stood)]
    caption = "The forecast as it stood, and how it fared"
    return f'<div class="scroll">{table(caption, columns, rows)}</div>\n'


def _stood(at: str, one: Stood, seen: Hindsight, units: DisplayUnits) -> list[str]:
    outcome = seen.outcome
    crossing = one.crossing_l
    days = NONE
    if one.days_left is not None:
        days = figure(f"{at}/days", one.days_left.median, _days(one.days_left))
    fared = verdict(one, outcome)
    if outcome.fate is Fate.CROSSED:
        true_days = (outcome.at_ms - one.at_ms) / _DAY_MS
        fared = f"{figure(f'{at}/true-days', true_days, f'{true_days:.0f} days')}, {fared}"
    return [
        moment(units, one.at_ms, day=True),
        quantity(f"{at}/treated", units.litres(one.treated_l)),
        quantity(f"{at}/median", units.litres(crossing.median)),
        _between(at, units.litres(crossing.low80), units.litres(crossing.high80)),
        days,
        NONE if one.order is None else "yes" if one.order else "not yet",
        fared,
    ]


def _between(at: str, low: Quantity, high: Quantity) -> str:
    # The unit stands once; there is little room.
    shown = low.text.removesuffix(f" {low.unit}")
    return f"{figure(f'{at}/low80', low.number, shown)} to {quantity(f'{at}/high80', high)}"


def _days(days: Interval) -> str:
    return f"{days.median:.0f} ({days.low80:.0f} to {days.high80:.0f})"


def money(season: Season, units: DisplayUnits) -> str:
    """What a litre cost."""
    fitted = season.facts.cartridge
    if fitted is None or fitted.price is None:
        return (
            "<h3>What it cost</h3>\n<p>No price of a cartridge is configured, so no cost can be stated.</p>\n"
        )
    columns = (
        Column("Cartridge"),
        Column("Made", True),
        Column("Cost", True),
        Column("If the forecast holds"),
    )
    rows = []
    for number, (cost, seen) in enumerate(zip(season.costs.each, season.hindsight, strict=True), start=1):
        if cost is None:
            rows.append([str(number), NONE, NONE, ""])
            continue
        running = seen.outcome.fate is Fate.RUNNING
        shown = per_litre(f"cartridge-{number}/cost", cost.per_l, units) + (
            ", if changed now" if running else ""
        )
        litres = quantity(f"cartridge-{number}/cost-litres", units.litres(cost.litres))
        rows.append([str(number), litres, shown, _expected(number, cost, units)])
    finished = season.costs.finished
    if finished is not None:
        rows.append(
            [
                "all that are finished",
                quantity("cost-litres", units.litres(finished.litres)),
                per_litre("cost-finished", finished.per_l, units),
                "",
            ]
        )
    price = figure("price", fitted.price, units.money(fitted.price))
    return (
        f'<div class="together"><h3>What it cost</h3>\n<p>A cartridge costs {price}.</p>\n'
        + table("Cost of the product", columns, rows)
        + "</div>\n"
        + listed(map(text, ASSUMES))
    )


def _expected(number: int, cost: Cost, units: DisplayUnits) -> str:
    if cost.expected_per_l is None:
        return ""
    median, low, high = cost.expected_per_l
    return (
        f"{per_litre(f'cartridge-{number}/cost-expected', median, units)} "
        f"(80 %: {text(units.per_volume(low))} to {text(units.per_volume(high))})"
    )
