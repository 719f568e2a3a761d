"""The elements of a page: escaped text, figures that programs can read, tables, charts. Core.

Every figure is a ``<data value="...">`` element with the number in its displayed unit, before rounding, and
its name in ``data-figure``. Every moment is a ``<time datetime="...">`` element in UTC.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape

from bridge.display.text import printable
from bridge.units import DisplayUnits, Quantity


@dataclass(frozen=True, slots=True)
class Charts:
    """The charts of one reservoir as SVG text; empty where there is nothing to draw."""

    water: str = ""
    purity: str = ""
    cartridges: tuple[str, ...] = ()
    """One for each cartridge of the season, in its order."""


NONE = "–"
SHORT = 14
"""Most rows of a table of figures that stays on one sheet of paper."""


def text(words: str) -> str:
    """Escape text for a page, so that text from outside is shown and never run as markup."""
    return escape(printable(words))


def figure(name: str, number: float, shown: str) -> str:
    """Return a number with its name, as an element."""
    return f'<data data-figure="{escape(name)}" value="{number:.9g}">{text(shown)}</data>'


def quantity(name: str, value: Quantity | None) -> str:
    """Return a number with its unit, or a dash without a value."""
    return NONE if value is None else figure(name, value.number, value.text)


def moment(units: DisplayUnits, utc_ms: int, *, day: bool = False) -> str:
    """Return a local time, or its day, as an element with the UTC time."""
    local = units.local(utc_ms / 1000.0)
    utc = datetime.fromtimestamp(utc_ms / 1000.0, UTC)
    shown = f"{local:%Y-%m-%d}" if day else f"{local:%Y-%m-%d %H:%M}"
    return f'<time datetime="{utc:%Y-%m-%dT%H:%M:%SZ}">{shown}</time>'


def lasting(ms: float) -> str:
    """Return a duration in seconds, minutes, hours or days."""
    minutes = ms / 60_000.0
    if minutes < 1.0:
        return f"{ms / 1000.0:.0f} s"
    if minutes < 90.0:
        return f"{minutes:.0f} min"
    hours = minutes / 60.0
    return f"{hours:.1f} h" if hours < 48.0 else f"{hours / 24.0:.1f} days"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table; numbers are aligned right."""

    heading: str
    number: bool = False


def figures(caption: str, columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> str:
    """Build a table of figures, which is not broken over two sheets if it is short."""
    return table(caption, columns, rows, kind="short" if len(rows) <= SHORT else "")


def table(caption: str, columns: Sequence[Column], rows: Iterable[Sequence[str]], *, kind: str = "") -> str:
    """Build a table. The first cell of each row is its heading; on a narrow screen a row becomes a list.

    Args:
        caption: Text above the table.
        columns: One for each cell of a row.
        rows: Cells that are markup already.
        kind: A class for the style sheet.

    Returns:
        The table as markup.
    """
    kinds = [' class="number"' if one.number else "" for one in columns]
    head = "".join(
        f'<th scope="col"{kind}>{_unbroken(one.heading)}</th>'
        for one, kind in zip(columns, kinds, strict=True)
    )
    body = []
    for row in rows:
        first, *rest = zip(row, kinds, strict=True)
        cells = f'<th scope="row"{first[1]}>{first[0]}</th>'
        cells += "".join(
            f'<td{kind} data-column="{text(column.heading)}">{cell}</td>'
            for (cell, kind), column in zip(rest, columns[1:], strict=True)
        )
        body.append(f"<tr>{cells}</tr>\n")
    if len(columns) == 2:
        kind = f"{kind} pair".lstrip()
    named = f' class="{kind}"' if kind else ""
    return (
        '<div class="scroll">'
        f"<table{named}><caption>{text(caption)}</caption><thead><tr>{head}</tr></thead>\n"
        f"<tbody>{''.join(body)}</tbody></table></div>\n"
    )


def _unbroken(heading: str) -> str:
    """Keep an equation such as ``k = 2`` in one line."""
    return text(heading).replace(" = ", "&nbsp;=&nbsp;")


def listed(points: Iterable[str]) -> str:
    """Return markup as a list; empty without items."""
    items = "".join(f"<li>{one}</li>" for one in points)
    return f"<ul>{items}</ul>\n" if items else ""


def drawing(svg: str, caption: str) -> str:
    """Return a chart with its caption; empty without a chart."""
    return f"<figure>{svg}<figcaption>{text(caption)}</figcaption></figure>\n" if svg else ""
