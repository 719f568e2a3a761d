"""The whole page: its head with the cautions, a part for each reservoir, how the figures were made. Core."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from bridge import __version__
from bridge.report.drawn import Drawn
from bridge.report.marks import listed, moment, text
from bridge.report.part_alarms import alarms, record
from bridge.report.part_cartridges import cartridges, money
from bridge.report.part_water import glance, holes, purity, water
from bridge.report.season import Season
from bridge.report.style import STYLE
from bridge.units import DisplayUnits

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
    drawn: Drawn


def page(parts: Sequence[Part], units: DisplayUnits, written_ms: int) -> str:
    """The report as one HTML document that needs nothing else.

    :param parts: at least one.
    :param written_ms: now, in UTC milliseconds.
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
    zone = units.zone or "the time zone of the machine that wrote this"
    utc = [datetime.fromtimestamp(at / 1000.0, UTC) for at in (start_ms, end_ms)]
    return (
        f"Times are local ({text(zone)}, {' and '.join(sorted(offsets))}). In UTC, as the log keeps them: "
        f"{utc[0]:%Y-%m-%dT%H:%MZ} to {utc[1]:%Y-%m-%dT%H:%MZ}."
    )


def _part(part: Part, units: DisplayUnits) -> str:
    season, drawn = part.season, part.drawn
    facts = season.facts
    scale = units.scale(facts.factor)
    limit, advice = (units.ppm(ppm, facts.factor).text for ppm in (facts.limit_ppm, facts.advice_ppm))
    said = f"The limit is {limit}, the advice {advice} (dissolved solids, {scale})."
    return (
        f'<section class="reservoir" data-reservoir="{text(facts.reservoir)}">\n<h2>{text(facts.name)}</h2>\n'
        f"<p>{text(said)}</p>\n{listed(map(text, facts.assumed))}"
        f"{glance(season, units)}{holes(season, units)}{water(season, units, drawn)}"
        f"{purity(season, units, drawn)}{cartridges(season, units, drawn)}{money(season, units)}"
        f"{alarms(season, units)}{record(season, units)}</section>\n"
    )


def _foot(units: DisplayUnits, written_ms: int) -> str:
    return (
        "<footer>\n<h2>How the figures were made</h2>\n"
        + listed(
            (
                "Water made is the rise of the purifier's account from one roll-up of the log to the next; "
                "an hour counts to the day in which it begins.",
                "The product is that of the minutes in which water was made or a fill was under way, each "
                "with its mean. A percentile is the smallest value that so much of the water was at or "
                "under; the worst is that of the worst minute. Between fills nothing is counted.",
                "Hours over advice or limit are such minutes with a mean at or over it.",
                "A forecast as it stood is worked out anew from what the log had up to that moment, hour "
                "by hour, with today's limit and rating; nothing from after that moment enters it.",
                "Alarms follow the life cycle of IEC 62682: an alarm stands from when it is raised until it "
                "is cleared or reset.",
            )
        )
        + f"<p>Written by clearwell {text(__version__)} on {moment(units, written_ms)}.</p>\n</footer>\n"
    )
