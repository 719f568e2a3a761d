"""The whole page: its style, its head with the cautions, a section for each reservoir, its notes. Core."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from bridge import __version__
from bridge.report.markup import Charts, listed, moment, text
from bridge.report.page_alarms import alarms, record
from bridge.report.page_cartridges import cartridge_costs, cartridges
from bridge.report.page_water import log_gaps, purity, summary, water
from bridge.report.season import Season
from bridge.units import DisplayUnits

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
  figure, tr, .caution, li, .together { break-inside: avoid; }
  thead { display: table-header-group; }
  .scroll { overflow: visible; }
  p { orphans: 3; widows: 3; }
  a { color: inherit; text-decoration: none; }
}
"""
"""``@page`` sets no size, so that the browser prints on the paper in the printer."""


TITLE = "Report of the water"
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
    """Builds the report as one HTML document without external files.

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
    limit, target = (units.ppm(ppm, facts.factor).text for ppm in (facts.limit_ppm, facts.target_ppm))
    limits = f"The limit is {limit}, the target {target} (dissolved solids, {scale})."
    return (
        f'<section class="reservoir" data-reservoir="{text(facts.reservoir)}">\n<h2>{text(facts.name)}</h2>\n'
        f"<p>{text(limits)}</p>\n{listed(map(text, facts.assumptions))}"
        f"{summary(season, units)}{log_gaps(season, units)}{water(season, units, charts)}"
        f"{purity(season, units, charts)}{cartridges(season, units, charts)}{cartridge_costs(season, units)}"
        f"{alarms(season, units)}{record(season, units)}</section>\n"
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
