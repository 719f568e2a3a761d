"""The charts, drawn by matplotlib as SVG that stands inside a page. Shell.

Texts stay texts, nothing refers to anything outside, and the same numbers give the same bytes. What a colour
says, a shape or a word says too; beside each chart stands a table with its figures.

Draws the charts of one reservoir. Shell: it calls matplotlib.
"""

import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from bridge.errors import InputError
from bridge.report.curves import Life, joined, thinned
from bridge.report.hindsight import Fate, Hindsight, Stood
from bridge.report.markup import Drawn
from bridge.report.season import Season
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
class Words:
    """What a chart is called, and what it shows, for those who do not see it."""

    ident: str
    title: str
    told: str


@dataclass(frozen=True, slots=True)
class Range:
    """A forecast at one moment: litres treated then, and the interval of the litres at the end."""

    at: float
    median: float
    low80: float
    high80: float
    low95: float
    high95: float


def water(words: Words, labels: Sequence[str], volumes: Sequence[float | None], unit: str) -> str:
    """Water made, a bar for each period; a period without a record is marked by a word."""
    with _figure(2.3) as (figure, made):
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
    return _inline(made, words)


def purity(
    words: Words,
    labels: Sequence[str],
    medians: Sequence[float | None],
    high: Sequence[float | None],
    worst: Sequence[float | None],
    target: float,
    limit: float,
    unit: str,
) -> str:
    """Median, 95 % and worst of each period, with target and limit."""
    with _figure(2.6) as (figure, made):
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
    return _inline(made, words)


def cartridge(
    words: Words,
    curve: Sequence[tuple[float, float]],
    stood: Sequence[Range],
    end: tuple[float, str] | None,
    limit: float,
    volume_unit: str,
    unit: str,
) -> str:
    """Above: the product over the litres treated. Below: where each forecast put the end, and the end."""
    with _figure(3.9 if stood else 2.4) as (figure, made):
        if stood:
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
            _forecasts(below, stood, volume_unit)
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
        farthest = [x for x, _ in curve] + [one.high80 for one in stood] + ([end[0]] if end else [])
        last.set_xlim(0, 1.04 * max([*farthest, 1.0]))
        if below is not None:
            figure.align_ylabels([above, below])
    return _inline(made, words)


def _forecasts(axes: "Axes", stood: Sequence[Range], volume_unit: str) -> None:
    places = list(range(len(stood)))
    for place, one in zip(places, stood, strict=True):
        axes.plot([one.low95, one.high95], [place, place], "-", color=STONE, linewidth=1.4, zorder=1)
        axes.plot(
            [one.low80, one.high80], [place, place], "-", color=MOSS, linewidth=5, alpha=0.55,
            solid_capstyle="butt", zorder=2,
        )  # fmt: skip
        axes.plot([one.median], [place], "|", color=INK, markersize=9, markeredgewidth=1.6, zorder=3)
        axes.plot([one.at], [place], "o", color=WATER, markersize=3.5, zorder=3)
    axes.set_yticks(places, [f"{one.at:.0f} {volume_unit}" for one in stood])
    axes.set_ylim(len(stood) - 0.4, -0.6)
    axes.set_ylabel("forecast made at")
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
    """A figure that is written as SVG into the second value when the block ends.

    :raises InputError: matplotlib is not installed.
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
        nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
        figure.savefig(out, format="svg", transparent=True, metadata=nothing)


_HEAD = re.compile(r"^.*?<svg\b", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_NAMESPACES = re.compile(r'\sxmlns(?::\w+)?="[^"]*"')
_IDS = re.compile(r'\bid="([^"]+)"')
_STYLE = re.compile(r"\s*<style.*?</style>", re.DOTALL)
_FONT = re.compile(r'font-family: [^;"]*;? ?')


def _inline(made: io.StringIO, words: Words) -> str:
    """The drawing as part of a page: no prologue, no addresses, ids of its own, and its words."""
    svg = _NAMESPACES.sub("", _METADATA.sub("", _HEAD.sub("<svg", made.getvalue())))
    svg = svg.replace("xlink:href", "href")
    # An id may stand in a page once only.
    own = f"{words.ident}-"
    svg = _IDS.sub(lambda found: f'id="{own}{found[1]}"', svg)
    svg = svg.replace("url(#", f"url(#{own}").replace('href="#', f'href="#{own}')
    # Page and chart share their letters.
    svg = _FONT.sub("", _STYLE.sub("", svg))
    label = f"<title>{escape(words.title)}</title><desc>{escape(words.told)}</desc>"
    head, rest = svg.split(">", 1)
    return f'{head} role="img" aria-label="{escape(words.title)}">{label}{rest}'.strip()


def draw(season: Season, units: DisplayUnits, ident: str) -> Drawn:
    """The charts of one reservoir; ``ident`` keeps their ids apart from those of others.

    :raises InputError: matplotlib is not installed.
    """
    return Drawn(
        _water(season, units, ident),
        _purity(season, units, ident),
        tuple(
            _cartridge(season, life, seen, units, f"{ident}-cartridge-{number}")
            for number, (life, seen) in enumerate(zip(season.lives, season.hindsight, strict=True), start=1)
        ),
    )


def _water(season: Season, units: DisplayUnits, ident: str) -> str:
    name = season.facts.name
    volumes = [units.litres(one.litres).number if one.covered_h else None for one in season.rows]
    known = [(one, volume) for one, volume in zip(season.rows, volumes, strict=True) if volume is not None]
    most = max(known, key=lambda pair: pair[1], default=None)
    told = f"{units.litres(season.litres).text} in all."
    if most is not None:
        told += f" The most in {most[0].period.label}: {units.litres(most[0].litres).text}."
    words = Words(f"{ident}-water", f"{name}: water made by {season.grain.value}", told)
    return water(words, [one.period.label for one in season.rows], volumes, units.litres(0.0).unit)


def _purity(season: Season, units: DisplayUnits, ident: str) -> str:
    facts, whole = season.facts, season.quality
    if whole is None:
        return ""

    def shown(ppm: float) -> float:
        return units.ppm(ppm, facts.factor).number

    told = (
        f"Median {units.ppm(whole.median_ppm, facts.factor).text}, 95 % at or under "
        f"{units.ppm(whole.p95_ppm, facts.factor).text}, worst minute "
        f"{units.ppm(whole.worst_ppm, facts.factor).text}; the limit is "
        f"{units.ppm(facts.limit_ppm, facts.factor).text}."
    )
    words = Words(f"{ident}-purity", f"{facts.name}: product by {season.grain.value}", told)
    found = [one.quality for one in season.rows]
    return purity(
        words,
        [one.period.label for one in season.rows],
        [None if one is None else shown(one.median_ppm) for one in found],
        [None if one is None else shown(one.p95_ppm) for one in found],
        [None if one is None else shown(one.worst_ppm) for one in found],
        shown(facts.target_ppm),
        shown(facts.limit_ppm),
        units.ppm(0.0, facts.factor).unit,
    )


def _cartridge(season: Season, life: Life, seen: Hindsight, units: DisplayUnits, ident: str) -> str:
    facts = season.facts
    curve = [
        (units.litres(one.treated_l).number, units.ppm(one.product_ppm, facts.factor).number)
        for one in thinned(joined(life))
    ]
    if not curve:
        return ""
    outcome = seen.outcome
    end = None
    if outcome.fate is not Fate.RUNNING:
        at = units.litres(outcome.treated_l)
        end = (at.number, f"{outcome.fate.value} at {at.text}")
    told = f"{len(curve)} values from {curve[0][0]:.0f} to {curve[-1][0]:.0f} {units.litres(0.0).unit}; "
    told += "it is still in." if end is None else f"it {end[1]}."
    number = ident.rpartition("-")[2]
    words = Words(ident, f"{facts.name}: product and forecasts of cartridge {number}", told)
    return cartridge(
        words,
        curve,
        [_range(one, units) for one in seen.stood],
        end,
        units.ppm(facts.limit_ppm, facts.factor).number,
        units.litres(0.0).unit,
        units.ppm(0.0, facts.factor).unit,
    )


def _range(one: Stood, units: DisplayUnits) -> Range:
    at = one.crossing_l
    values = (one.treated_l, at.median, at.low80, at.high80, at.low95, at.high95)
    return Range(*(units.litres(value).number for value in values))
