"""The pieces of a page: texts made safe, figures that a program can read too, tables. Core.

Every figure stands as ``<data value="...">`` with the number as it is shown, before rounding, and
``data-figure`` with its name; every moment stands as ``<time datetime="...">`` in UTC.

The charts of one reservoir as the page takes them: SVG texts, empty where nothing is drawn. Values.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape

from bridge.display.text import printable
from bridge.units import DisplayUnits, Quantity


@dataclass(frozen=True, slots=True)
class Drawn:
    """One reservoir's charts."""

    water: str = ""
    purity: str = ""
    cartridges: tuple[str, ...] = ()
    """One for each cartridge of the season, in its order."""


NONE = "–"


def text(words: str) -> str:
    """Words for a page; whatever a stranger wrote is shown and not obeyed."""
    return escape(printable(words))


def figure(name: str, number: float, shown: str) -> str:
    """A number that is shown, with its name."""
    return f'<data data-figure="{escape(name)}" value="{number:.9g}">{text(shown)}</data>'


def quantity(name: str, value: Quantity | None) -> str:
    """A number with its unit, or the sign for nothing."""
    return NONE if value is None else figure(name, value.number, value.text)


def moment(units: DisplayUnits, utc_ms: int, *, day: bool = False) -> str:
    """A local time, or its day, that carries its UTC."""
    local = units.local(utc_ms / 1000.0)
    utc = datetime.fromtimestamp(utc_ms / 1000.0, UTC)
    shown = f"{local:%Y-%m-%d}" if day else f"{local:%Y-%m-%d %H:%M}"
    return f'<time datetime="{utc:%Y-%m-%dT%H:%M:%SZ}">{shown}</time>'


def lasting(ms: float) -> str:
    """A length of time as people say it."""
    minutes = ms / 60_000.0
    if minutes < 1.0:
        return f"{ms / 1000.0:.0f} s"
    if minutes < 90.0:
        return f"{minutes:.0f} min"
    hours = minutes / 60.0
    return f"{hours:.1f} h" if hours < 48.0 else f"{hours / 24.0:.1f} days"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its heading, and whether numbers stand in it, flush right."""

    heading: str
    number: bool = False


def table(caption: str, columns: Sequence[Column], rows: Iterable[Sequence[str]], *, kind: str = "") -> str:
    """A table; its cells are pieces of a page already. The first cell of each row is its heading.

    :param kind: a class for the style sheet.
    """
    kinds = [' class="number"' if one.number else "" for one in columns]
    head = "".join(
        f'<th scope="col"{kind}>{text(one.heading)}</th>' for one, kind in zip(columns, kinds, strict=True)
    )
    body = []
    for row in rows:
        first, *rest = zip(row, kinds, strict=True)
        cells = f'<th scope="row"{first[1]}>{first[0]}</th>'
        cells += "".join(f"<td{kind}>{cell}</td>" for cell, kind in rest)
        body.append(f"<tr>{cells}</tr>\n")
    named = f' class="{kind}"' if kind else ""
    return (
        f"<table{named}><caption>{text(caption)}</caption><thead><tr>{head}</tr></thead>\n"
        f"<tbody>{''.join(body)}</tbody></table>\n"
    )


def listed(points: Iterable[str]) -> str:
    """Pieces of a page as a list; nothing when there are none."""
    items = "".join(f"<li>{one}</li>" for one in points)
    return f"<ul>{items}</ul>\n" if items else ""


def drawing(svg: str, caption: str) -> str:
    """A chart with the words under it; empty without a chart."""
    return f"<figure>{svg}<figcaption>{text(caption)}</figcaption></figure>\n" if svg else ""
