"""The sections of the page about water, and about the cartridges that made it. Core.

Water: summary, gaps in the log, litres made, purity. Cartridges: curves, past forecasts with the outcome,
cost.
"""

from bridge.history.rollup import DAY_MS, HOUR_MS
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
    figures,
    lasting,
    listed,
    moment,
    quantity,
    table,
    text,
)
from bridge.report.season import PeriodRow, Season
from bridge.report.water import Grain
from bridge.units import DisplayUnits, Quantity

MOST_GAPS = 20
_EVERY = {Grain.DAY: "Day", Grain.WEEK: "Week of", Grain.MONTH: "Month"}
_SHARES = (("mean", "mean"), ("median", "median"), ("p90", "90 %"), ("p95", "95 %"), ("p99", "99 %"))


def summary(season: Season, units: DisplayUnits) -> str:
    """Return the figures of the whole season."""
    quality = season.quality
    exhausted = sum(one.outcome.status is Status.EXHAUSTED for one in season.backtests)
    changed = sum(one.changed is not None for one in season.cartridges)
    share = season.covered_h * HOUR_MS / (season.end_ms - season.start_ms)
    rows: list[tuple[str, str]] = []
    if quality is None:
        rows.append(("Product", "the log shows no flow"))
    else:
        rows += [
            ("Product, median", ppm("product-median", quality.median_ppm, season, units)),
            ("Product, 95 % at or under", ppm("product-p95", quality.p95_ppm, season, units)),
            ("At or over the limit", figure("limit-hours", quality.limit_h, hours(quality.limit_h))),
        ]
    rows += [
        ("Trips", figure("trips", season.trips, str(season.trips))),
        (
            "Cartridges changed",
            figure("changed", changed, str(changed))
            + f" ({figure('exhausted', exhausted, str(exhausted))} exhausted within the report)",
        ),
    ]
    finished = season.costs.finished
    if finished is not None:
        rows.append(("Cost, finished cartridges", per_litre("cost", finished.per_l, units)))
    rows += [
        ("Time with readings in the log", figure("covered", 100.0 * share, f"{100.0 * share:.1f} %")),
    ]
    cells = [(text(name), value) for name, value in rows]
    return table("The season in figures", (Column("What"), Column("How much")), cells, kind="glance")


def log_gaps(season: Season, units: DisplayUnits) -> str:
    """Return the section on gaps in the log; empty without gaps."""
    if not season.gaps:
        return ""
    longest = sorted(season.gaps, key=lambda one: -one.hours)[:MOST_GAPS]
    lost_h = sum(one.hours for one in season.gaps)
    sentence = (
        f"Gaps without a reading: {figure('gaps', len(season.gaps), str(len(season.gaps)))}, "
        f"{figure('gap-hours', lost_h, lasting(lost_h * HOUR_MS))} in all. The bridge or its log did "
        "not run. Water made in a gap is missing here, unless the purifier's total shows it afterwards."
    )
    if len(season.gaps) > MOST_GAPS:
        sentence += f" The {MOST_GAPS} longest:"
    rows = [
        (
            moment(units, one.start_ms),
            moment(units, one.end_ms),
            figure("gap", one.hours, lasting(one.hours * HOUR_MS)),
        )
        for one in sorted(longest, key=lambda one: one.start_ms)
    ]
    columns = (Column("From"), Column("To"), Column("Length", True))
    return f"<h3>Gaps in the log</h3>\n<p>{sentence}</p>\n{table('Without a reading', columns, rows)}"


def courses(season: Season, charts: Charts) -> str:
    """Return the charts of water made and of its purity, each with its caption."""
    return (
        "<h3>The season in charts</h3>\n"
        + drawing(charts.water, f"Water made, by {season.grain.value}. The table has the figures.")
        + drawing(
            charts.purity,
            f"Product by {season.grain.value}: median (disc), 95 % (bar) and worst minute (triangle), with "
            "the limit (full line) and the target (broken line). The table has the figures.",
        )
    )


def water(season: Season, units: DisplayUnits) -> str:
    """Return the section on litres made, period by period, with the fills."""
    every = _EVERY[season.grain]
    columns = [
        Column(every),
        Column("Made", True),
        Column("A day", True),
        Column("Time logged", True),
        Column("Fills", True),
        Column("Filled", True),
        Column("Median length", True),
        Column("Cut short", True),
    ]
    counted = "" if season.facts.volume_known else (
        "<p>Neither volume nor flow is measured here. A complete fill counts the litres from the refill mark "
        "to the fill mark.</p>\n"
    )  # fmt: skip
    return f"<h3>Water made</h3>\n{counted}" + figures(
        f"Water made, by {season.grain.value}",
        columns,
        [_production_row(one, units) for one in season.rows],
    )


def _production_row(row: PeriodRow, units: DisplayUnits) -> list[str]:
    at, known = row.period.key, row.covered_h > 0.0
    a_day = row.litres_a_day
    return [
        text(row.period.label),
        quantity(f"made/{at}", units.litres(row.litres)) if known else "no record",
        NONE if a_day is None else quantity(f"made-a-day/{at}", units.litres(a_day)),
        figure(f"covered-hours/{at}", row.covered_h, lasting(row.covered_h * HOUR_MS)) if known else NONE,
        figure(f"fills/{at}", row.fills, str(row.fills)),
        NONE if row.fill_l is None else quantity(f"fill-volume/{at}", units.litres(row.fill_l)),
        NONE if row.fill_minutes is None
        else figure(f"fill-minutes/{at}", row.fill_minutes, lasting(row.fill_minutes * 60_000.0)),
        figure(f"fills-cut/{at}", row.fills_cut, str(row.fills_cut)),
    ]  # fmt: skip


def purity(season: Season, units: DisplayUnits) -> str:
    """Return the section on the product's purity, in all and period by period."""
    quality = season.quality
    if quality is None:
        return "<h3>Purity</h3>\n<p>The log shows no flow.</p>\n"
    weighting = (
        "Each litre has the same weight."
        if quality.by_volume
        else "Each minute of a fill has the same weight, because the volume is not measured during the flow."
    )
    if season.coarse_hours:
        weighting += (
            f" For {season.coarse_hours} hours the log no longer has minutes. Their hourly means are used "
            "instead; these include standing water."
        )
    whole = [
        [text(name), ppm(f"product-{key}", getattr(quality, f"{key}_ppm"), season, units)]
        for key, name in _SHARES
    ]
    whole.append(
        [
            "worst minute",
            ppm("product-worst", quality.worst_ppm, season, units) + ", " + moment(units, quality.worst_ms),
        ]
    )
    for word in ("target", "limit"):
        over_h, over_l = getattr(quality, f"{word}_h"), getattr(quality, f"{word}_l")
        shown = figure(f"{word}-hours", over_h, hours(over_h))
        if quality.by_volume:
            shown += ", " + quantity(f"{word}-litres", units.litres(over_l))
        whole.append([f"at or over the {word}", shown])
    return (
        f"<h3>Purity</h3>\n<p>{text(weighting)}</p>\n"
        + figures("Product over the whole report", (Column("Share of the water"), Column("Product")), whole)
        + figures(
            f"Product by {season.grain.value}",
            (Column(_EVERY[season.grain]), *(Column(name, True) for _, name in _SHARES),
             Column("worst minute", True), Column("over target", True), Column("over limit", True)),
            [_purity_row(one, season, units) for one in season.rows],
        )
    )  # fmt: skip


def _purity_row(row: PeriodRow, season: Season, units: DisplayUnits) -> list[str]:
    at, quality = row.period.key, row.quality
    if quality is None:
        return [text(row.period.label), "no water" if row.covered_h else "no record", *[NONE] * 7]
    return [
        text(row.period.label),
        *(ppm(f"product-{key}/{at}", getattr(quality, f"{key}_ppm"), season, units) for key, _ in _SHARES),
        ppm(f"product-worst/{at}", quality.worst_ppm, season, units),
        figure(f"target-hours/{at}", quality.target_h, hours(quality.target_h)),
        figure(f"limit-hours/{at}", quality.limit_h, hours(quality.limit_h)),
    ]


def ppm(name: str, value: float, season: Season, units: DisplayUnits) -> str:
    """Return dissolved solids on the reservoir's scale."""
    return quantity(name, units.ppm(value, season.facts.factor))


def per_litre(name: str, per_l: float, units: DisplayUnits) -> str:
    """Return the cost of a litre or a gallon, and of 100 of them."""
    unit = units.litres(1.0)
    each = per_l / unit.number
    return figure(name, each, f"{units.per_volume(per_l)}, {units.money(100.0 * each)} for 100 {unit.unit}")


def hours(value: float) -> str:
    """Return hours, to the resolution of a minute."""
    return "none" if value == 0.0 else lasting(value * HOUR_MS)


_WORD = {Kind.EXCHANGE: "Cartridge", Kind.MEMBRANE: "Membrane", Kind.DISTILLER: "Distiller"}


def cartridges(season: Season, units: DisplayUnits, charts: Charts) -> str:
    """Return the section on cartridges, one after the other, each with its chart."""
    fitted = season.facts.cartridge
    parts = ['<div class="together"><h3>Cartridges</h3>\n<p>The numbers hold within this report only.</p>\n']
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
        if place == 0:
            # The heading stays on the page of the first one.
            parts.append("</div>\n")
    return "".join(parts) + ("" if season.cartridges else "</div>\n")


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
        f"The alarm to order the next one was raised on {moment(units, one)}."
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
    return parts


def past_forecasts(season: Season, units: DisplayUnits) -> str:
    """Return the tables of past forecasts; empty without any."""
    parts = ""
    for number, backtest in enumerate(season.backtests, 1):
        if not backtest.forecasts:
            continue
        basis = units.sentence(backtest.forecasts[-1].rests_on)
        parts += (
            f'<div class="together">{_forecast_table(number, backtest, units)}'
            f'<p class="note">Basis of the last forecast: {text(basis)}.</p></div>\n'
        )
    return f"<h3>Past forecasts and the outcome</h3>\n{parts}" if parts else ""


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


def _forecast_table(number: int, backtest: Backtest, units: DisplayUnits) -> str:
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
        _forecast_row(f"cartridge-{number}/forecast-{k + 1}", one, backtest, units)
        for k, one in enumerate(backtest.forecasts)
    ]
    caption = f"Cartridge {number}, past forecasts and the outcome"
    return figures(caption, columns, rows)


def _forecast_row(at: str, one: PastForecast, backtest: Backtest, units: DisplayUnits) -> list[str]:
    outcome = backtest.outcome
    crossing = one.crossing_l
    days = NONE
    if one.days_left is not None:
        days = figure(f"{at}/days", one.days_left.median, _days(one.days_left))
    result = verdict(one, outcome)
    if outcome.status is Status.EXHAUSTED:
        true_days = (outcome.at_ms - one.at_ms) / DAY_MS
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
    """Return the section on the cost of a litre."""
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
