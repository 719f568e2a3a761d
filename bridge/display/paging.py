"""The terminal view in a window of a few rows: an entry for each reservoir, one whole reservoir, pages.

Core: a key changes the place, and the place and the facts give the lines. One reservoir is shown whole at
once. The last lines of every window are the keys, and the caution.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

from bridge.display.terminal import (
    CAUTION,
    WIDTH,
    Selection,
    brief,
    heading,
    lines,
    screen,
    unknown,
)
from bridge.display.text import cut, wrapped
from bridge.display.topics import RemoteBridge, RemoteReservoir

_NUMBERED = 9
"""Reservoirs that a digit opens; TAB reaches the others."""
_LEAST_ROWS = 8
"""A window lower than this has no caution."""


class Key(Enum):
    """What a key does."""

    NEXT_PAGE = "next page"
    PREVIOUS_PAGE = "previous page"
    NEXT_RESERVOIR = "next reservoir"
    ALL = "all reservoirs"
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
    "q": Key.END,
}
"""The sequences of arrows and of the page keys are those of ECMA-48 terminals (CSI A, B, 5~ and 6~)."""


@dataclass(frozen=True, slots=True)
class Place:
    """What the window shows."""

    number: int = 0
    """The reservoir, from 1; 0 for all of them."""
    page: int = 0
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
        blocks = [[line] for line in _one(shown[number - 1], trouble, columns)]
    else:
        blocks = [_entry(at, one, columns) for at, one in enumerate(shown, 1)]
    return _paged(
        blocks, replace(place, number=place.number if shown else 0), number, len(shown), rows, columns
    )


def _one(reservoir: RemoteReservoir, trouble: str | None, columns: int) -> list[str]:
    if reservoir.facts is None or trouble is not None:
        reason = trouble or reservoir.reason or "The broker does not answer."
        return unknown(reservoir.name, reservoir.id, reason, columns)
    return lines(reservoir.facts, columns)


def _entry(number: int, reservoir: RemoteReservoir, columns: int) -> list[str]:
    """Return a short entry: name and time, the answer with level and valve, and the first alarm."""
    mark = f"{number}  " if number <= _NUMBERED else "   "
    facts = reservoir.facts
    room = columns - len(mark)
    time = "" if facts is None else facts.time
    made = [f"{mark}{heading(reservoir.name, reservoir.id, time, room)}"]
    texts = (reservoir.reason or "Nothing is known of it.",) if facts is None else brief(facts)
    for text in texts:
        made += [f"   {line}" for line in wrapped(text, room)]
    return [*made, ""]


def _paged(
    blocks: Sequence[Sequence[str]], place: Place, number: int, reservoirs: int, rows: int, columns: int
) -> tuple[list[str], Place]:
    """Put blocks of lines on pages, and return the lines of one page with the keys."""
    caution = wrapped(CAUTION, columns) if rows >= _LEAST_ROWS else []
    room = max(rows - len(caution) - 1, 1)
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
    return [*shown, *caution, cut(_keys(at, len(pages), number, reservoirs), columns)], replace(
        place, page=at
    )


def _keys(at: int, pages: int, number: int, reservoirs: int) -> str:
    parts = []
    if pages > 1:
        parts.append(f"page {at + 1} of {pages}")
        parts.append("SPACE next" if at + 1 < pages else "B back")
    if reservoirs > 1:
        last = min(reservoirs, _NUMBERED)
        parts.append("0 all reservoirs" if number else f"1-{last} one reservoir")
    parts.append("Q end")
    return "   ".join(parts)
