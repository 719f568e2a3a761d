"""The sections of the page about water: summary, gaps in the log, litres made, purity. Core."""

from bridge.report.backtest import Status
from bridge.report.markup import (
    NONE,
    Charts,
    Column,
    drawing,
    figure,
    lasting,
    moment,
    quantity,
    table,
    text,
)
from bridge.report.season import PeriodRow, Season
from bridge.report.water import Grain
from bridge.units import DisplayUnits, Quantity

MOST_GAPS = 20
_EVERY = {Grain.DAY: "Day", Grain.WEEK: "Week", Grain.MONTH: "Month"}
_SHARES = (("mean", "mean"), ("median", "median"), ("p90", "90 %"), ("p95", "95 %"), ("p99", "99 %"))


def summary(season: Season, units: DisplayUnits) -> str:
    """Returns the season in a dozen lines."""
    quality = season.quality
    exhausted = sum(one.outcome.status is Status.EXHAUSTED for one in season.backtests)
    changed = sum(one.changed is not None for one in season.cartridges)
    share = season.covered_h * 3_600_000.0 / (season.end_ms - season.start_ms)
    rows = [
        ("Water made", quantity("made", units.litres(season.litres))),
        ("A day, on average", quantity("made-a-day", _a_day(season, units))),
    ]
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
        rows.append(("Cost, finished cartridges", cost("cost", finished.per_l, units)))
    rows += [
        ("Fills", figure("fills", len(season.fills), str(len(season.fills)))),
        ("Time with readings in the log", figure("covered", 100.0 * share, f"{100.0 * share:.1f} %")),
    ]
    cells = [(text(name), value) for name, value in rows]
    return table("At a glance", (Column("What"), Column("How much")), cells, kind="glance")


def log_gaps(season: Season, units: DisplayUnits) -> str:
    """Returns the section on gaps in the log; empty without gaps."""
    if not season.gaps:
        return ""
    longest = sorted(season.gaps, key=lambda one: -one.hours)[:MOST_GAPS]
    lost_h = sum(one.hours for one in season.gaps)
    sentence = (
        f"Gaps without a reading: {figure('gaps', len(season.gaps), str(len(season.gaps)))}, "
        f"{figure('gap-hours', lost_h, lasting(lost_h * 3_600_000.0))} in all. The bridge or its log did "
        "not run. Water made in a gap is missing here, unless the purifier's total shows it afterwards."
    )
    if len(season.gaps) > MOST_GAPS:
        sentence += f" The {MOST_GAPS} longest:"
    rows = [
        (
            moment(units, one.start_ms),
            moment(units, one.end_ms),
            figure("gap", one.hours, lasting(one.hours * 3_600_000.0)),
        )
        for one in sorted(longest, key=lambda one: one.start_ms)
    ]
    columns = (Column("From"), Column("To"), Column("Length", True))
    return f"<h3>Gaps in the log</h3>\n<p>{sentence}</p>\n{table('Without a reading', columns, rows)}"


def water(season: Season, units: DisplayUnits, charts: Charts) -> str:
    """Returns the section on litres made, period by period, with the fills."""
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
    return (
        f"<h3>Water made</h3>\n{counted}"
        + drawing(charts.water, f"Water made, by {season.grain.value}. The table has the figures.")
        + '<div class="scroll">'
        + table(
            f"Water made, by {season.grain.value}",
            columns,
            [_production_row(one, units) for one in season.rows],
        )
        + "</div>\n"
    )


def _production_row(row: PeriodRow, units: DisplayUnits) -> list[str]:
    at, known = row.period.key, row.covered_h > 0.0
    a_day = row.litres_a_day
    return [
        text(row.period.label),
        quantity(f"made/{at}", units.litres(row.litres)) if known else "no record",
        NONE if a_day is None else quantity(f"made-a-day/{at}", units.litres(a_day)),
        figure(f"covered-hours/{at}", row.covered_h, lasting(row.covered_h * 3_600_000.0)) if known else NONE,
        figure(f"fills/{at}", row.fills, str(row.fills)),
        NONE if row.fill_l is None else quantity(f"fill-volume/{at}", units.litres(row.fill_l)),
        NONE if row.fill_minutes is None
        else figure(f"fill-minutes/{at}", row.fill_minutes, lasting(row.fill_minutes * 60_000.0)),
        figure(f"fills-cut/{at}", row.fills_cut, str(row.fills_cut)),
    ]  # fmt: skip


def purity(season: Season, units: DisplayUnits, charts: Charts) -> str:
    """Returns the section on the product's purity, in all and period by period."""
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
        + table("Product over the whole report", (Column("Share of the water"), Column("Product")), whole)
        + drawing(
            charts.purity,
            f"Product by {season.grain.value}: median (disc), 95 % (bar) and worst minute (triangle), with "
            "the limit (full line) and the target (broken line). The table has the figures.",
        )
        + '<div class="scroll">'
        + table(
            f"Product by {season.grain.value}",
            (Column(_EVERY[season.grain]), *(Column(name, True) for _, name in _SHARES),
             Column("worst minute", True), Column("over target", True), Column("over limit", True)),
            [_purity_row(one, season, units) for one in season.rows],
        )
        + "</div>\n"
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
    """Returns dissolved solids on the reservoir's scale."""
    return quantity(name, units.ppm(value, season.facts.factor))


def cost(name: str, per_l: float, units: DisplayUnits) -> str:
    """Returns the cost of a litre or a gallon, and of 100 of them."""
    unit = units.litres(1.0)
    each = per_l / unit.number
    return figure(name, each, f"{units.per_volume(per_l)}, {units.money(100.0 * each)} for 100 {unit.unit}")


def hours(value: float) -> str:
    """Returns hours, to the resolution of a minute."""
    return "none" if value == 0.0 else lasting(value * 3_600_000.0)


def _a_day(season: Season, units: DisplayUnits) -> Quantity | None:
    if season.covered_h <= 0.0:
        return None
    return units.litres(season.litres / season.covered_h * 24.0)
