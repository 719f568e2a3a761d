"""The whole page: its style, its head with the cautions, a section for each reservoir, its notes. Core.

The sections about events stand here too: alarms, trips, calibrations, samples, fills cut short.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from bridge import __version__
from bridge.display.from_view import as_set
from bridge.estimate.reservoir import Basis
from bridge.guard.faults import FAULTS
from bridge.history.records import CalibrationRow, SampleRow, when_ms
from bridge.history.rollup import HOUR_MS
from bridge.report.answer import answer
from bridge.report.incidents import Incident, tallies
from bridge.report.markup import NONE, Charts, Column, figure, lasting, listed, moment, quantity, table, text
from bridge.report.page_water import (
    cartridge_costs,
    cartridges,
    courses,
    log_gaps,
    past_forecasts,
    purity,
    summary,
    water,
)
from bridge.report.season import Season
from bridge.units import DisplayUnits

MOST_ROWS = 150
"""Most rows printed of one kind; the log has all of them."""


def alarms(season: Season, units: DisplayUnits) -> str:
    """Return the section on alarms and trips: a count of each, then each occurrence."""
    if not season.incidents:
        return "<h3>Alarms and trips</h3>\n<p>None.</p>\n"
    start_ms, end_ms = season.start_ms, season.end_ms
    columns = (
        Column("Alarm"), Column("Shuts the valve"), Column("Times", True), Column("Active in all", True),
        Column("Longest", True),
    )  # fmt: skip
    counted = [
        [
            text(one.alarm.value),
            "yes, a trip"
            if any(each.alarm is one.alarm and each.trip for each in season.incidents)
            else "no",
            figure(f"alarm-count/{one.alarm.value}", one.count, str(one.count)),
            figure(f"alarm-hours/{one.alarm.value}", one.active_ms / HOUR_MS, lasting(one.active_ms)),
            figure(f"alarm-longest/{one.alarm.value}", one.longest_ms / HOUR_MS, lasting(one.longest_ms)),
        ]
        for one in tallies(season.incidents, start_ms, end_ms)
    ]
    means = []
    for one in tallies(season.incidents, start_ms, end_ms):
        fault = FAULTS[one.alarm]
        means.append(f"<strong>{text(one.alarm.value)}</strong>: {text(fault.what)} {text(fault.did)}")
    shown = _kept(season.incidents)
    left = len(season.incidents) - len(shown)
    more = (
        f"<p>{left} older advisories are not printed; <code>clearwell log --kind alarm</code> has them.</p>\n"
    )
    return (
        "<h3>Alarms and trips</h3>\n"
        + table("How often", columns, counted)
        + "<p>Their meaning, and the action of the bridge:</p>\n"
        + listed(means)
        + table(
            "One by one",
            (Column("Raised"), Column("Alarm"), Column("Cleared after", True), Column("Active for", True),
             Column("Acknowledged"), Column("Actions")),
            [_incident(one, season, units) for one in shown],
        )
        + (more if left else "")
    )  # fmt: skip


def _kept(found: tuple[Incident, ...]) -> list[Incident]:
    """Return all trips and the newest advisories."""
    advisories = [one for one in found if not one.trip][-MOST_ROWS:]
    return [one for one in found if one.trip or one in advisories]


def _incident(one: Incident, season: Season, units: DisplayUnits) -> list[str]:
    begin_ms = one.raised_ms or season.start_ms
    cleared = NONE if one.cleared_ms is None else lasting(one.cleared_ms - begin_ms)
    active = lasting(one.active_ms(season.start_ms, season.end_ms))
    if one.ended_ms is None:
        active = f"{active}, still active"
        cleared = cleared if one.cleared_ms is not None else "not yet"
    elif one.cleared_ms is None:
        cleared = active
    acknowledged = "no"
    if one.acknowledged_ms is not None:
        by = f" by {text(one.acknowledged_by)}" if one.acknowledged_by else ""
        acknowledged = f"after {lasting(one.acknowledged_ms - begin_ms)}{by}"
    return [
        "before this report" if one.raised_ms is None else moment(units, one.raised_ms),
        text(one.alarm.value) + (" (first-out)" if one.first_out else ""),
        cleared,
        active,
        acknowledged,
        "; ".join(map(text, one.actions)) or NONE,
    ]


def record(season: Season, units: DisplayUnits) -> str:
    """Return the sections on calibrations, samples by hand, and fills that were cut short."""
    return _calibrations(season, units) + _samples(season, units) + _fills(season, units)


def _calibrations(season: Season, units: DisplayUnits) -> str:
    part = "<h3>Calibration record</h3>\n"
    rows = [_calibration(one, units, f"calibration-{k + 1}") for k, one in enumerate(season.calibrations)]
    before = [
        _calibration(one, units, f"calibration-before-{one.cell}") for one in season.calibrations_before
    ]
    if before:
        part += table("Before this report, the last of each cell", _CALIBRATED, before)
    part += (
        table("Within this report", _CALIBRATED, rows)
        if rows
        else "<p>The log has no calibration within this report.</p>\n"
    )
    return part + listed(
        text(
            f"In force when this report was written, {cell} cell: the calibration of "
            f"{kept.made:%Y-%m-%d} in {kept.standard}, constant ± {kept.cell_constant_percent:.2g} % (k = 1)."
        )
        for cell, kept in season.facts.in_force
    )


_CALIBRATED = (
    Column("When"), Column("Cell"), Column("Constant, cm⁻¹", True), Column("± % (k = 2)", True),
    Column("Offset, µS", True), Column("In a standard of", True), Column("At", True), Column("Note"),
)  # fmt: skip


def _calibration(row: CalibrationRow, units: DisplayUnits, at: str) -> list[str]:
    return [
        moment(units, row.stamp.utc_ms),
        text(row.cell),
        figure(f"{at}/constant", row.cell_constant_per_cm, f"{row.cell_constant_per_cm:.4g}"),
        figure(f"{at}/uncertainty", row.uncertainty_percent, f"{row.uncertainty_percent:.2g}"),
        figure(f"{at}/offset", row.offset_us, f"{row.offset_us:.3g}"),
        figure(f"{at}/standard", row.standard_us_cm, f"{row.standard_us_cm:.5g} µS/cm"),
        quantity(f"{at}/temperature", units.celsius(row.temperature_c)),
        text(row.note) or NONE,
    ]


def _samples(season: Season, units: DisplayUnits) -> str:
    heading = f"<h3>Samples by hand</h3>\n{_stored(season, units)}"
    if not season.samples:
        return f"{heading}<p>None.</p>\n"
    columns = (
        Column("When"), Column("Of"), Column("Value", True), Column("± (k = 2)", True),
    Column("Scale"),
        Column("Taken at", True), Column("Verdict"), Column("Note"),
    )  # fmt: skip
    shown = season.samples[-MOST_ROWS:]
    rows = [_sample(one, units, f"sample-{k + 1}") for k, one in enumerate(shown)]
    left = len(season.samples) - len(shown)
    more = f"<p>{left} older ones are not printed; <code>clearwell log --kind sample</code> has them.</p>\n"
    return heading + table("Samples", columns, rows) + (more if left else "")


def _stored(season: Season, units: DisplayUnits) -> str:
    """Return the one line on the stored water, the same verdict as on hub and page."""
    water = season.facts.water
    if water is None or water.judgement.ppm is None:
        return ""
    value, band = units.measured(water.judgement.ppm, water.judgement.expanded_ppm, season.facts.factor)
    evidence = {
        Basis.ASSUMED: "by assumption; nobody has measured it",
        Basis.BALANCE: "by what flowed in and out",
        Basis.SAMPLE: "by a sample",
    }[water.basis]
    if water.basis is Basis.SAMPLE and water.sampled_s is not None:
        evidence = f"by the sample of {units.local(water.sampled_s):%Y-%m-%d}"
    uncertainty = "" if band is None else f" ± {band.text}"
    verdict = water.judgement.verdict.value
    return (
        f"<p>At the end of the log the reservoir holds {text(value.text)}{text(uncertainty)}, {evidence}: "
        f"<strong>{verdict}</strong>.</p>\n"
    )


def _sample(row: SampleRow, units: DisplayUnits, at: str) -> list[str]:
    value, band = units.measured(row.dissolved_solids_ppm, row.uncertainty_ppm, row.factor)
    return [
        moment(units, when_ms(row)),
        text(row.of),
        quantity(f"{at}/value", value),
        NONE if band is None else quantity(f"{at}/uncertainty", band),
        text(units.scale(row.factor)),
        NONE
        if row.temperature_c is None
        else quantity(f"{at}/temperature", units.celsius(row.temperature_c)),
        text(row.verdict),
        text(row.note) or NONE,
    ]


def _fills(season: Season, units: DisplayUnits) -> str:
    cut = [row for row in season.fills if row.end != "full"]
    if not cut:
        return ""
    columns = (Column("Began"), Column("Length", True), Column("Brought", True), Column("Ended by"))
    shown = cut[-MOST_ROWS:]
    rows = [
        [
            moment(units, row.started_ms),
            lasting(row.stamp.utc_ms - row.started_ms),
            NONE
            if row.volume_l is None
            else quantity(f"cut-fill-{k + 1}/volume", units.litres(row.volume_l)),
            text(row.end),
        ]
        for k, row in enumerate(shown)
    ]
    left = len(cut) - len(shown)
    more = f"<p>{left} older ones are not printed; <code>clearwell log --kind fill</code> has them.</p>\n"
    return f"<h3>Fills that were cut short</h3>\n{table('Fills', columns, rows)}" + (more if left else "")


STYLE = """
:root { color-scheme: light; }
html { background: #fff; color: #26302d; }
body { font: 15px/1.45 "DejaVu Sans", "Liberation Sans", Verdana, sans-serif; max-width: 46rem;
  margin: 0 auto; padding: 1.2rem; }
h1 { font-size: 1.7rem; margin: 0 0 .2rem; }
h2 { font-size: 1.3rem; margin: 2.2rem 0 .4rem; border-bottom: 2px solid #26302d; padding-bottom: .15rem; }
h3 { font-size: 1.05rem; margin: 1.5rem 0 .3rem; }
h4 { font-size: .95rem; margin: 1.1rem 0 .2rem; }
p, ul { margin: .35rem 0 .6rem; }
.span { color: #4a5652; margin: 0; }
.caution { border: 1px solid #26302d; border-left-width: 6px; padding: .4rem .8rem; margin: 1rem 0; }
.note { color: #4a5652; font-size: .88em; }
table { border-collapse: collapse; width: 100%; margin: .5rem 0 1rem; font-size: .88em; }
caption { text-align: left; font-weight: bold; padding: .2rem 0; }
th, td { text-align: left; vertical-align: top; padding: .18rem .4rem;
  border-bottom: 1px solid #cdd4d1; overflow-wrap: break-word; }
thead th { border-bottom: 1.5px solid #26302d; font-weight: bold; }
tbody th { font-weight: normal; }
th:first-child, td:first-child { padding-left: 0; }
time, data { white-space: nowrap; }
.number { text-align: right; font-variant-numeric: tabular-nums; }
.glance tbody th { width: 45%; }
.answers { margin: 1rem 0; border-top: 2px solid #26302d; }
.answers div { display: grid; grid-template-columns: minmax(9rem, 1fr) 3fr; gap: 0 1rem;
  border-bottom: 1px solid #cdd4d1; padding: .45rem 0; }
.answers dt { font-weight: bold; }
.answers dd { margin: 0; font-size: 1.08em; }
@media screen and (max-width: 34rem) {
  .answers div { display: block; }
  svg { overflow: visible; }
  svg text { font-size: 11px !important; }
  data { white-space: normal; }
  table:not(.pair), table:not(.pair) :is(tbody, tr, caption, th, td) { display: block; }
  table:not(.pair) thead { display: none; }
  table:not(.pair) tr { border-bottom: 1px solid #cdd4d1; padding: .3rem 0; }
  table:not(.pair) :is(th, td) { border: 0; padding: .1rem 0; text-align: left; }
  table:not(.pair) tbody th { font-weight: bold; }
  table:not(.pair) td { padding-left: 9.5rem; }
  table:not(.pair) td::before { content: attr(data-column); color: #4a5652; display: inline-block;
    width: 9rem; margin: 0 .5rem 0 -9.5rem; }
}
tr.total th, tr.total td { border-top: 1.5px solid #26302d; }
figure { margin: .6rem 0 1rem; }
figure svg { width: 100%; height: auto; display: block; }
svg * { stroke-linejoin: round; stroke-linecap: butt; }
svg text { font-family: "DejaVu Sans", "Liberation Sans", Verdana, sans-serif; }
figcaption { font-size: .85em; color: #4a5652; }
footer { margin-top: 2.5rem; font-size: .85em; }
.scroll { overflow-x: auto; }

@page {
  margin: 18mm 17mm 17mm;
  @bottom-left { content: string(report-name); font: 8pt "DejaVu Sans", sans-serif; color: #4a5652; }
  @bottom-right { content: counter(page) " / " counter(pages); font: 8pt "DejaVu Sans", sans-serif;
    color: #4a5652; }
}
@media print {
  body { font-size: 9.5pt; max-width: none; padding: 0; }
  h1 { string-set: report-name content(); }
  h2, h3, h4, caption { break-after: avoid; }
  .reservoir + .reservoir { break-before: page; }
  .answers div { display: block; break-inside: avoid; }
  .answers dt { float: left; width: 28%; }
  .answers dd { margin-left: 30%; }
  figure, tr, .caution, li, .together, .short, .glance { break-inside: avoid; }
  thead { display: table-header-group; }
  .scroll { overflow: visible; }
  p { orphans: 3; widows: 3; }
  a { color: inherit; text-decoration: none; }
}
"""
"""``@page`` sets no size, so that the browser prints on the paper in the printer."""


TITLE = "Water report"
CAUTIONS = (
    "A conductivity reading says nothing of microbes, pesticides, lead or solvents: no figure here shows "
    "that water is safe to drink. Roof water can carry roof treatments that no conductivity probe sees.",
    "Resin beads, and the chemicals that regenerate them, do not belong in eyes, hands or drains: follow "
    "the safety sheet when a cartridge is changed. Mains wiring is for a licensed electrician, and backflow "
    "protection and overflow follow the local plumbing code.",
)


@dataclass(frozen=True, slots=True)
class Part:
    """One reservoir with its charts."""

    season: Season
    charts: Charts


def page(parts: Sequence[Part], units: DisplayUnits, written_ms: int) -> str:
    """Build the report as one HTML document without external files.

    Args:
        parts: The reservoirs, at least one.
        units: Display units.
        written_ms: The present time, UTC milliseconds.

    Returns:
        The document.
    """
    start_ms = min(one.season.start_ms for one in parts)
    end_ms = max(one.season.end_ms for one in parts)
    names = ", ".join(one.season.facts.name for one in parts)
    title = f"{TITLE}: {names}"
    last = units.local(end_ms / 1000.0) - timedelta(seconds=1)
    span = f"{units.local(start_ms / 1000.0):%d %B %Y} to {last:%d %B %Y}"
    return (
        f'<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "style-src 'unsafe-inline'\">\n"
        f"<title>{text(title)}, {span}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n"
        f'<header>\n<h1>{text(title)}</h1>\n<p class="span">{span}</p>\n'
        f'<p class="span">{_times(units, start_ms, end_ms)}</p>\n'
        f'<div class="caution" role="note"><strong>Caution.</strong> {" ".join(map(text, CAUTIONS))}</div>\n'
        f"</header>\n<main>\n{''.join(_part(one, units) for one in parts)}</main>\n"
        f"{_foot(units, written_ms)}</body>\n</html>\n"
    )


def _times(units: DisplayUnits, start_ms: int, end_ms: int) -> str:
    offsets = {
        f"UTC{units.local(at / 1000.0):%z}"[:6] + ":" + f"{units.local(at / 1000.0):%z}"[3:5]
        for at in (start_ms, (start_ms + end_ms) // 2, end_ms)
    }
    zone = units.zone or "the time zone of the machine that wrote this report"
    utc = [datetime.fromtimestamp(at / 1000.0, UTC) for at in (start_ms, end_ms)]
    return (
        f"Times are local ({text(zone)}, {' and '.join(sorted(offsets))}). In UTC: "
        f"{utc[0]:%Y-%m-%dT%H:%MZ} to {utc[1]:%Y-%m-%dT%H:%MZ}."
    )


def _part(part: Part, units: DisplayUnits) -> str:
    season, charts = part.season, part.charts
    facts = season.facts
    scale = units.scale(facts.factor)
    limit, target = (as_set(units.ppm(ppm, facts.factor)) for ppm in (facts.limit_ppm, facts.target_ppm))
    limits = f"The limit is {limit}, the target {target} (dissolved solids, {scale})."
    return (
        f'<section class="reservoir" data-reservoir="{text(facts.reservoir)}">\n<h2>{text(facts.name)}</h2>\n'
        f"<p>{text(limits)}</p>\n{listed(map(text, facts.assumptions))}"
        f"{answer(season, units)}"
        f"{courses(season, charts)}"
        f"{cartridges(season, units, charts)}"
        f"<h3>Figures of the season</h3>\n{summary(season, units)}{log_gaps(season, units)}"
        f"{water(season, units)}{purity(season, units)}{past_forecasts(season, units)}"
        f"{cartridge_costs(season, units)}{alarms(season, units)}{record(season, units)}</section>\n"
    )


def _foot(units: DisplayUnits, written_ms: int) -> str:
    return (
        "<footer>\n<h2>How the figures are computed</h2>\n"
        + listed(
            (
                "Water made is the rise of the purifier's total of litres from one mean of the log to the "
                "next; an hour counts for the day in which it begins.",
                "The product is measured in the minutes in which water was made or a fill was running, each "
                "with its mean. A percentile is the smallest value that this share of the water does not "
                "exceed; the worst is the mean of the worst minute. The time between fills does not count.",
                "Hours over target or limit are those minutes with a mean at or over it.",
                "A past forecast is computed again, hour by hour, from the rows of the log up to its moment, "
                "with the present limit and rating. Later rows do not enter it.",
                "Alarms follow the life cycle of IEC 62682: an alarm is active from the moment it is raised "
                "until it is cleared or reset.",
            )
        )
        + f"<p>Written by clearwell {text(__version__)} on {moment(units, written_ms)}.</p>\n</footer>\n"
    )
