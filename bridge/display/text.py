"""Plain text for a terminal: the width of columns. Core.

Letters of East Asian scripts and most pictographs take two columns, combining marks none (Unicode Standard
Annex 11, East Asian Width). Where terminals differ, the greater width counts, so that no line is too long.
"""

import re
import textwrap
import unicodedata
from collections.abc import Iterator, Sequence

_EMOJI_SIGN = "\ufe0f"
"""Turns the character before it into an emoji, which takes two columns instead of one."""
_FIRST_PICTURE = "\u2600"


def printable(text: str) -> str:
    r"""Replace every character that is not printable by its escape, such as ``\x1b``.

    Some words come from strangers who may publish on the broker or send a command. Such a word must not move
    the terminal's cursor or make one line look like another.
    """
    return text if text.isprintable() else "".join(map(_printable, text))


def width(text: str) -> int:
    """Return the greatest number of columns that a printable text takes."""
    return len(text) if text.isascii() else sum(map(_width, text))


def cut(text: str, columns: int) -> str:
    """Make a text printable and cut it to a number of columns; three dots mark the cut."""
    text = printable(text)
    if width(text) <= columns:
        return text
    return f"{next(_pieces(text, max(columns - 3, 0)), '')}{'...'[: max(columns, 0)]}"


def wrapped(text: str, columns: int) -> list[str]:
    """Make a text printable and break it into lines, at least one, of a number of columns (two or more)."""
    made: list[str] = []
    line = ""
    for word in printable(text).split():
        joined = f"{line} {word}" if line else word
        if width(joined) <= columns:
            line = joined
            continue
        if line:
            made.append(line)
        *full, line = _pieces(word, columns)
        made += full
    return [*made, line] if line or not made else made


_LABEL = re.compile(r" *\S(?:\S| (?! )){0,28}  +(?=\S)|\[.\] +\S+ +| *(?:[-*]|\d+\.) +| +")
"""The start of a line that its other lines leave free: a label with a column after it, a sign, or blanks."""


def folded(line: str, columns: int) -> str:
    """Wrap one line between its words; later lines stand under its text, beside its label.

    A word that is longer than a line, such as a path, is not broken, so that it can be copied.
    """
    if width(line) <= columns:
        return line
    label = _LABEL.match(line)
    indent = label.end() if label is not None and label.end() <= columns // 2 else 0
    return textwrap.fill(
        line[indent:],
        columns,
        initial_indent=line[:indent],
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def padded(text: str, columns: int) -> str:
    """Cut a text, or fill it up with blanks, to a number of columns."""
    text = cut(text, columns)
    return text + " " * (columns - width(text))


def listed(parts: Sequence[str]) -> str:
    """Join words as in ``a, b and c``."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _printable(one: str) -> str:
    return one if one.isprintable() else ascii(one)[1:-1]


def _width(one: str) -> int:
    if one == _EMOJI_SIGN:
        return 1
    category = unicodedata.category(one)
    if unicodedata.combining(one) or category in ("Mn", "Me"):
        return 0
    if one >= _FIRST_PICTURE and category in ("So", "No"):
        # Newer versions of Unicode make more of them wide than the table in Python does.
        return 2
    return 2 if unicodedata.east_asian_width(one) in ("W", "F") else 1


def _pieces(text: str, columns: int) -> Iterator[str]:
    """Yield a text in pieces of at most so many columns; none if a character is wider than that."""
    piece, taken = "", 0
    for one in text:
        more = _width(one)
        if taken + more > columns and piece:
            yield piece
            piece, taken = "", 0
        if more > columns:
            continue
        piece, taken = piece + one, taken + more
    if piece:
        yield piece
