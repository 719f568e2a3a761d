"""Draws the charts of one reservoir with matplotlib, as SVG to embed in a page. Shell.

Text in a chart stays text, a chart refers to nothing outside the page, and the same numbers give the same
bytes. Each colour has a shape or a word beside it, and each chart a table with its figures.
"""

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from bridge.errors import InputError
from bridge.report.backtest import Backtest, PastForecast, Status
from bridge.report.curves import CartridgeHistory, joined, thinned
from bridge.report.markup import Charts
from bridge.report.season import Season
from bridge.report.water import Grain
from bridge.units import DisplayUnits

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, WATER, MOSS, RUST, STONE = "#26302d", "#2f6f8f", "#5d7f3a", "#a4432a", "#8a9490"
_SETTINGS: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "clearwell",
    "font.family": "sans-serif",
    "font.size": 8.5,
    "axes.edgecolor": STONE,
    "axes.labelcolor": INK,
    # On a phone the page enlarges the text of a chart, and a number grows towards the label of its axis.
    "axes.labelpad": 8.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "hatch.linewidth": 0.6,
    "path.simplify": True,
}
_WIDTH_IN = 6.9
"""Fits the text width of A4 and of US Letter."""


@dataclass(frozen=True, slots=True)
class Description:
    """The title and the summary of a chart, for readers who cannot see it."""

    ident: str
    title: str
    summary: str


@dataclass(frozen=True, slots=True)
class Range:
    """A past forecast: litres treated at that moment, and the interval of the litres at the end."""

    at: float
    median: float
    low80: float
    high80: float
    low95: float
    high95: float


def water(description: Description, labels: Sequence[str], volumes: Sequence[float | None], unit: str) -> str:
    """Draw the water made, a bar for each period; a period without a record is labelled as such."""
    with _figure(1.85) as (figure, svg_text):
        axes = figure.add_subplot()
        places = range(len(labels))
        axes.bar(places, [volume or 0.0 for volume in volumes], 0.72, color=WATER)
        for place, volume in zip(places, volumes, strict=True):
            if volume is None:
                axes.annotate(
                    "no record", (place, 0), (0, 3), textcoords="offset points", rotation=90, ha="center",
                    va="bottom", color=INK,
                )  # fmt: skip
        _periods(axes, labels)
        axes.set_ylabel(f"water made, {unit}")
        axes.set_ylim(bottom=0)
        axes.grid(axis="y", color=STONE, alpha=0.3, linewidth=0.5)
    return _inline(svg_text, description)


def purity(
    description: Description,
    labels: Sequence[str],
    medians: Sequence[float | None],
    high: Sequence[float | None],
    worst: Sequence[float | None],
    target: float,
    limit: float,
    unit: str,
) -> str:
    """Draw median, 95 % and worst minute of each period, with target and limit."""
    with _figure(2.2) as (figure, svg_text):
        axes = figure.add_subplot()
        rows = (("median", medians, "o", WATER), ("95 %", high, "_", INK), ("worst minute", worst, "^", RUST))
        for label, values, marker, colour in rows:
            there = [(place, value) for place, value in enumerate(values) if value is not None]
            axes.plot(
                [place for place, _ in there], [value for _, value in there], marker, color=colour,
                markersize=8 if marker == "_" else 5, markeredgewidth=1.6 if marker == "_" else 1.0,
                label=label,
            )  # fmt: skip
        for place, (low, top) in enumerate(zip(medians, high, strict=True)):
            if low is not None and top is not None:
                axes.plot([place, place], [low, top], "-", color=STONE, linewidth=1.0, zorder=1)
        axes.axhline(limit, color=RUST, linewidth=1.2)
        axes.axhline(target, color=MOSS, linewidth=1.0, linestyle=(0, (5, 3)))
        for value, text in ((limit, "limit"), (target, "target")):
            axes.annotate(
                text, (1.0, value), (3, 0), xycoords=("axes fraction", "data"), textcoords="offset points",
                va="center",
            )  # fmt: skip
        _periods(axes, labels)
        axes.set_ylim(0, 1.12 * max([limit, *(value for value in worst if value is not None)]))
        axes.set_ylabel(f"product, {unit}")
        axes.grid(axis="y", color=STONE, alpha=0.3, linewidth=0.5)
        axes.legend(ncols=3, loc="lower left", bbox_to_anchor=(0, 1.0), frameon=False, handletextpad=0.3)
    return _inline(svg_text, description)


def cartridge(
    description: Description,
    curve: Sequence[tuple[float, float]],
    forecasts: Sequence[Range],
    end: tuple[float, str] | None,
    limit: float,
    volume_unit: str,
    unit: str,
) -> str:
    """Draw one cartridge: above the product over the litres treated, below each forecast of its end."""
    with _figure(3.3 if forecasts else 2.2) as (figure, svg_text):
        if forecasts:
            above, below = figure.subplots(2, sharex=True, height_ratios=(1.2, 1.0))
        else:
            above, below = figure.add_subplot(), None
        above.plot(
            [x for x, _ in curve], [min(y, 1.4 * limit) for _, y in curve], "-", color=WATER, linewidth=1.4,
            marker=".", markersize=3,
        )  # fmt: skip
        above.axhline(limit, color=RUST, linewidth=1.2)
        above.annotate(
            "limit", (1.0, limit), (3, 0), xycoords=("axes fraction", "data"), textcoords="offset points",
            va="center",
        )  # fmt: skip
        above.set_ylim(0, 1.25 * max([limit, *(min(y, 1.4 * limit) for _, y in curve)]) / 1.1)
        above.set_ylabel(f"product, {unit}")
        above.grid(color=STONE, alpha=0.3, linewidth=0.5)
        last = above
        if below is not None:
            _forecasts(below, forecasts, volume_unit)
            last = below
        if end is not None:
            for axes in (above, below):
                if axes is not None:
                    axes.axvline(end[0], color=INK, linewidth=1.1, linestyle=(0, (1, 1.5)))
            above.annotate(
                end[1], (end[0], 1.0), (0, 3), xycoords=("data", "axes fraction"), textcoords="offset points",
                ha="center", va="bottom",
            )  # fmt: skip
        last.set_xlabel(f"treated since new, {volume_unit}")
        farthest = [x for x, _ in curve] + [one.high80 for one in forecasts] + ([end[0]] if end else [])
        last.set_xlim(0, 1.04 * max([*farthest, 1.0]))
        if below is not None:
            figure.align_ylabels([above, below])
    return _inline(svg_text, description)


def _forecasts(axes: "Axes", forecasts: Sequence[Range], volume_unit: str) -> None:
    places = list(range(len(forecasts)))
    for place, one in zip(places, forecasts, strict=True):
        axes.plot([one.low95, one.high95], [place, place], "-", color=STONE, linewidth=1.4, zorder=1)
        axes.plot(
            [one.low80, one.high80], [place, place], "-", color=MOSS, linewidth=5, alpha=0.55,
            solid_capstyle="butt", zorder=2,
        )  # fmt: skip
        axes.plot([one.median], [place], "|", color=INK, markersize=9, markeredgewidth=1.6, zorder=3)
        axes.plot([one.at], [place], "o", color=WATER, markersize=3.5, zorder=3)
    axes.set_yticks(places, [f"{one.at:.0f} {volume_unit}" for one in forecasts])
    axes.set_ylim(len(forecasts) - 0.4, -0.6)
    axes.set_ylabel("forecast made at", labelpad=12.0)
    axes.grid(axis="x", color=STONE, alpha=0.3, linewidth=0.5)


def _periods(axes: "Axes", labels: Sequence[str]) -> None:
    step = max(1, -(-len(labels) // 16))
    places = range(0, len(labels), step)
    steep = len(labels) > 8
    axes.set_xticks(
        places, [labels[place] for place in places], rotation=35 if steep else 0,
        ha="right" if steep else "center", rotation_mode="anchor",
    )  # fmt: skip
    axes.set_xlim(-0.7, len(labels) - 0.3)


@contextmanager
def _figure(height_in: float) -> "Iterator[tuple[Figure, io.StringIO]]":
    """Open a figure; the end of the block writes it as SVG into the second value.

    Raises:
        InputError: matplotlib is not installed.
    """
    try:
        from matplotlib import rc_context
        from matplotlib.backends.backend_svg import FigureCanvasSVG
        from matplotlib.figure import Figure
    except ImportError as error:
        raise InputError(
            "report: charts need the library matplotlib, which is not installed; pip install "
            "'clearwell-bridge[report]' brings it"
        ) from error
    out = io.StringIO()
    with rc_context(_SETTINGS):
        figure = Figure(figsize=(_WIDTH_IN, height_in), layout="constrained")
        FigureCanvasSVG(figure)
        yield figure, out
        no_metadata = {"Date": None, "Creator": None, "Format": None, "Type": None}
        figure.savefig(out, format="svg", transparent=True, metadata=no_metadata)


_HEAD = re.compile(r"^.*?<svg\b", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_NAMESPACES = re.compile(r'\sxmlns(?::\w+)?="[^"]*"')
_IDS = re.compile(r'\bid="([^"]+)"')
_STYLE = re.compile(r"\s*<style.*?</style>", re.DOTALL)
_FONT = re.compile(r'font-family: [^;"]*;? ?')


def _inline(svg_text: io.StringIO, description: Description) -> str:
    """Make the SVG fit for a page: no prologue, no addresses, unique ids, and its description."""
    svg = _NAMESPACES.sub("", _METADATA.sub("", _HEAD.sub("<svg", svg_text.getvalue())))
    svg = svg.replace("xlink:href", "href")
    # An id must be unique within the page.
    own = f"{description.ident}-"
    svg = _IDS.sub(lambda found: f'id="{own}{found[1]}"', svg)
    svg = svg.replace("url(#", f"url(#{own}").replace('href="#', f'href="#{own}')
    # The page sets the font.
    svg = _FONT.sub("", _STYLE.sub("", svg))
    label = f"<title>{escape(description.title)}</title><desc>{escape(description.summary)}</desc>"
    head, rest = svg.split(">", 1)
    return f'{head} role="img" aria-label="{escape(description.title)}">{label}{rest}'.strip()


def draw(season: Season, units: DisplayUnits, ident: str) -> Charts:
    """Draw the charts of one reservoir.

    Args:
        season: The report of the reservoir.
        units: Display units.
        ident: Prefix that makes the ids of these charts unique.

    Returns:
        The charts, as SVG text.

    Raises:
        InputError: matplotlib is not installed.
    """
    return Charts(
        _water(season, units, ident),
        _purity(season, units, ident),
        tuple(
            _cartridge(season, history, backtest, units, f"{ident}-cartridge-{number}")
            for number, (history, backtest) in enumerate(
                zip(season.cartridges, season.backtests, strict=True), start=1
            )
        ),
    )


def _water(season: Season, units: DisplayUnits, ident: str) -> str:
    name = season.facts.name
    volumes = [units.litres(one.litres).number if one.covered_h else None for one in season.rows]
    known = [(one, volume) for one, volume in zip(season.rows, volumes, strict=True) if volume is not None]
    most = max(known, key=lambda pair: pair[1], default=None)
    summary = f"{units.litres(season.litres).text} in all."
    if most is not None:
        of = "the week of " if season.grain is Grain.WEEK else ""
        summary += f" The most in {of}{most[0].period.label}: {units.litres(most[0].litres).text}."
    description = Description(f"{ident}-water", f"{name}: water made by {season.grain.value}", summary)
    return water(description, [one.period.label for one in season.rows], volumes, units.litres(0.0).unit)


def _purity(season: Season, units: DisplayUnits, ident: str) -> str:
    facts, whole = season.facts, season.quality
    if whole is None:
        return ""

    def shown(ppm: float) -> float:
        return units.ppm(ppm, facts.factor).number

    summary = (
        f"Median {units.ppm(whole.median_ppm, facts.factor).text}, 95 % at or under "
        f"{units.ppm(whole.p95_ppm, facts.factor).text}, worst minute "
        f"{units.ppm(whole.worst_ppm, facts.factor).text}; the limit is "
        f"{units.ppm(facts.limit_ppm, facts.factor).text}."
    )
    description = Description(f"{ident}-purity", f"{facts.name}: product by {season.grain.value}", summary)
    found = [one.quality for one in season.rows]
    return purity(
        description,
        [one.period.label for one in season.rows],
        [None if one is None else shown(one.median_ppm) for one in found],
        [None if one is None else shown(one.p95_ppm) for one in found],
        [None if one is None else shown(one.worst_ppm) for one in found],
        shown(facts.target_ppm),
        shown(facts.limit_ppm),
        units.ppm(0.0, facts.factor).unit,
    )


def _cartridge(
    season: Season, history: CartridgeHistory, backtest: Backtest, units: DisplayUnits, ident: str
) -> str:
    facts = season.facts
    curve = [
        (units.litres(one.treated_l).number, units.ppm(one.product_ppm, facts.factor).number)
        for one in thinned(joined(history))
    ]
    if not curve:
        return ""
    outcome = backtest.outcome
    end = None
    if outcome.status is not Status.IN_USE:
        at = units.litres(outcome.treated_l)
        end = (at.number, f"{outcome.status.value} at {at.text}")
    summary = f"{len(curve)} values from {curve[0][0]:.0f} to {curve[-1][0]:.0f} {units.litres(0.0).unit}; "
    summary += "it is in use." if end is None else f"it was {end[1]}."
    number = ident.rpartition("-")[2]
    description = Description(ident, f"{facts.name}: product and forecasts of cartridge {number}", summary)
    return cartridge(
        description,
        curve,
        [_range(one, units) for one in backtest.forecasts],
        end,
        units.ppm(facts.limit_ppm, facts.factor).number,
        units.litres(0.0).unit,
        units.ppm(0.0, facts.factor).unit,
    )


def _range(one: PastForecast, units: DisplayUnits) -> Range:
    at = one.crossing_l
    values = (one.treated_l, at.median, at.low80, at.high80, at.low95, at.high95)
    return Range(*(units.litres(value).number for value in values))
