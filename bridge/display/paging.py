"""The terminal view in a window of a few rows: a line for each reservoir, one whole reservoir, pages.

Core: a key changes the place, and the place and the facts give the lines. One reservoir is shown whole at
once. The last lines of every window are the keys, and the caution.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

from bridge.display.terminal import (
    CAUTION,
    HEADINGS,
    WIDTH,
    Selection,
    cells,
    lines,
    screen,
    troubles,
    unknown,
)
from bridge.display.text import cut, padded, printable, width, wrapped
from bridge.display.topics import RemoteBridge, RemoteReservoir

_NUMBERED = 9
"""Reservoirs that a digit opens; TAB reaches the others."""
_LEAST_ROWS = 8
"""A window lower than this has no caution."""
_LEAST_NAME = 10
"""The columns that a name keeps; in a narrower window other columns are left out."""
_LEFT_OUT = (
    HEADINGS.index("Lasts"),
    HEADINGS.index("Alarms"),
    HEADINGS.index("Valve"),
    HEADINGS.index("Water"),
)
"""The columns that a narrow window leaves out, the first one first."""


class Key(Enum):
    """What a key does."""

    NEXT_PAGE = "next page"
    PREVIOUS_PAGE = "previous page"
    NEXT_RESERVOIR = "next reservoir"
    ALL = "all reservoirs"
    EXACT = "exact figures"
    END = "end"


_KEYS = {
    " ": Key.NEXT_PAGE,
    "\x1b[B": Key.NEXT_PAGE,
    "\x1b[6~": Key.NEXT_PAGE,
    "b": Key.PREVIOUS_PAGE,
    "\x1b[A": Key.PREVIOUS_PAGE,
    "\x1b[5~": Key.PREVIOUS_PAGE,
    "\t": Key.NEXT_RESERVOIR,
    "0": Key.ALL,
    "\x1b": Key.ALL,
    "f": Key.EXACT,
    "q": Key.END,
}
"""The sequences of arrows and of the page keys are those of ECMA-48 terminals (CSI A, B, 5~ and 6~)."""


@dataclass(frozen=True, slots=True)
class Place:
    """What the window shows."""

    number: int = 0
    """The reservoir, from 1; 0 for all of them."""
    page: int = 0
    exact: bool = False
    """Whether dissolved solids have all their digits and their uncertainty."""
    ended: bool = False


def after_key(place: Place, typed: str, reservoirs: int) -> Place:
    """Return the place after a key; an unknown key changes nothing.

    Args:
        place: The present place.
        typed: The characters of one key.
        reservoirs: How many reservoirs are shown.
    """
    if len(typed) == 1 and typed in "123456789":
        return replace(place, number=int(typed), page=0) if int(typed) <= reservoirs else place
    match _KEYS.get(typed):
        case Key.NEXT_PAGE:
            return replace(place, page=place.page + 1)
        case Key.PREVIOUS_PAGE:
            return replace(place, page=max(place.page - 1, 0))
        case Key.NEXT_RESERVOIR:
            return replace(place, number=place.number % max(reservoirs, 1) + 1, page=0)
        case Key.ALL:
            return replace(place, number=0, page=0)
        case Key.EXACT:
            return replace(place, exact=not place.exact)
        case Key.END:
            return replace(place, ended=True)
        case None:
            return place


def window(
    selection: Selection,
    found: Sequence[RemoteBridge],
    trouble: str | None,
    place: Place,
    rows: int,
    columns: int = WIDTH,
) -> tuple[list[str], Place]:
    """Return the lines of a window, at most ``rows``, and the place with a page that exists.

    Args:
        selection: The bridges and reservoirs to show.
        found: The bridges on the broker.
        trouble: Why the broker cannot be used, as sentences; then no value is shown as live.
        place: The reservoir and the page.
        rows: The rows of the window.
        columns: Its columns.
    """
    shown = selection.reservoirs(found)
    number = 1 if len(shown) == 1 else min(place.number, len(shown))
    if not shown or (trouble is not None and not number):
        body = screen(selection, found, trouble, columns)[: -1 - len(wrapped(CAUTION, columns))]
        blocks = [body]
    elif number:
        blocks = [[line] for line in _one(shown[number - 1], trouble, columns, place.exact)]
    else:
        blocks = _every(shown, _room(rows, columns), columns)
    return _paged(
        blocks, replace(place, number=place.number if shown else 0), number, len(shown), rows, columns
    )


def _one(reservoir: RemoteReservoir, trouble: str | None, columns: int, exact: bool) -> list[str]:
    if reservoir.facts is None or trouble is not None:
        reason = trouble or reservoir.reason or "The broker does not answer."
        return unknown(reservoir.name, reservoir.id, reason, columns)
    return lines(reservoir.facts, columns, exact=exact)


def _every(shown: Sequence[RemoteReservoir], room: int, columns: int) -> list[list[str]]:
    """Return a line for each reservoir, each with its troubles under it as far as there is room."""
    head, *rows = _table([HEADINGS, *(_cells(one) for one in shown)], columns)
    said = [_troubles(one) for one in shown]
    indent, wide = "   ", columns - 3
    whole = [[f"{indent}{line}" for text in texts for line in wrapped(text, wide)] for texts in said]
    short = [[f"{indent}{cut(texts[0], wide)}"] if texts else [] for texts in said]
    for below in (whole, short):
        if 1 + len(rows) + sum(map(len, below)) <= room:
            break
    else:
        below = [[] for _ in said]
    blocks = [[row, *under] for row, under in zip(rows, below, strict=True)]
    return [[head, *blocks[0]], *blocks[1:]]


def _cells(one: RemoteReservoir) -> tuple[str, ...]:
    return (one.name, "Not known", *[""] * (len(HEADINGS) - 2)) if one.facts is None else cells(one.facts)


def _troubles(one: RemoteReservoir) -> list[str]:
    return [one.reason or "Nothing is known of it."] if one.facts is None else list(troubles(one.facts))


def _table(rows: Sequence[Sequence[str]], columns: int) -> list[str]:
    """Align the cells; the name gets the columns that are left, and the digit that opens it."""
    widths = [max(width(printable(row[at])) for row in rows) for at in range(len(HEADINGS))]
    kept = list(range(1, len(HEADINGS)))
    for at in (*_LEFT_OUT, None):
        left = columns - 3 - sum(2 + widths[one] for one in kept)
        if left >= _LEAST_NAME or at is None:
            break
        kept.remove(at)
    name = max(min(left, widths[0]), 1)
    made = []
    for number, row in enumerate(rows):
        mark = f"{number}  " if 0 < number <= _NUMBERED else "   "
        line = mark + padded(row[0], name) + "".join(f"  {padded(row[at], widths[at])}" for at in kept)
        made.append(cut(line.rstrip(), columns))
    return made


def _room(rows: int, columns: int) -> int:
    """Return the rows above the caution and the keys."""
    return max(rows - (len(wrapped(CAUTION, columns)) if rows >= _LEAST_ROWS else 0) - 1, 1)


def _paged(
    blocks: Sequence[Sequence[str]], place: Place, number: int, reservoirs: int, rows: int, columns: int
) -> tuple[list[str], Place]:
    """Put blocks of lines on pages, and return the lines of one page with the keys."""
    caution = wrapped(CAUTION, columns) if rows >= _LEAST_ROWS else []
    room = _room(rows, columns)
    # A block is not cut, unless it is higher than the window.
    pages: list[list[str]] = [[]]
    for block in blocks:
        # The empty line after a block may fall off the page.
        needed = len(block) - (block[-1] == "")
        if pages[-1] and len(pages[-1]) + needed > room:
            pages.append([])
        pages[-1] += block
    pages = [page[:room] for page in pages]
    at = min(place.page, len(pages) - 1)
    shown = [*pages[at], *[""] * (room - len(pages[at]))]
    keys = _keys(at, len(pages), number, reservoirs, place.exact)
    return [*shown, *caution, cut(keys, columns)], replace(place, page=at)


def _keys(at: int, pages: int, number: int, reservoirs: int, exact: bool) -> str:
    parts = []
    if pages > 1:
        parts.append(f"page {at + 1} of {pages}")
        parts.append("SPACE next" if at + 1 < pages else "B back")
    if reservoirs > 1:
        last = min(reservoirs, _NUMBERED)
        parts.append("0 all reservoirs" if number else f"1-{last} one reservoir")
    if number:
        parts.append("F short figures" if exact else "F full figures")
    parts.append("Q end")
    return "   ".join(parts)
