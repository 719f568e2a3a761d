"""Charts in plain characters, readable at 80 columns and without colour. Core: numbers in, lines out.

Text in columns of a terminal: how wide it is, and how it is brought to a width. Core.

Letters of East Asian scripts and most pictures take two columns, combining marks none (Unicode Standard
Annex 11, East Asian Width). Where terminals differ the wider reading is taken, so that no line is too long.
"""

import math
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

_EMOJI_SIGN = "\ufe0f"
"""After a sign of one column, asks for its picture, which takes two."""


_FIRST_PICTURE = "\u2600"


def printable(text: str) -> str:
    """The text with everything that is not a printable character written out, ``\\x1b`` for the escape.

    Some words come from strangers: whoever may publish on the broker, or send a command. None of them may
    move a terminal's cursor or make one line look like another.
    """
    return text if text.isprintable() else "".join(map(_printable, text))


def width(text: str) -> int:
    """How many columns a printable text takes at most."""
    return len(text) if text.isascii() else sum(map(_width, text))


def cut(text: str, columns: int) -> str:
    """The text, printable and at most so many columns wide; where it is cut, dots say so."""
    text = printable(text)
    if width(text) <= columns:
        return text
    return f"{next(_pieces(text, max(columns - 3, 0)), '')}{'...'[: max(columns, 0)]}"


def wrapped(text: str, columns: int) -> list[str]:
    """The text, printable, in lines of at most so many columns, at least two; at least one line."""
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


def padded(text: str, columns: int) -> str:
    """The text, cut or filled up with blanks to just so many columns."""
    text = cut(text, columns)
    return text + " " * (columns - width(text))


def _printable(one: str) -> str:
    return one if one.isprintable() else ascii(one)[1:-1]


def _width(one: str) -> int:
    if one == _EMOJI_SIGN:
        return 1
    category = unicodedata.category(one)
    if unicodedata.combining(one) or category in ("Mn", "Me"):
        return 0
    if one >= _FIRST_PICTURE and category in ("So", "No"):
        # Newer versions of Unicode make more of them wide than the table that Python has.
        return 2
    return 2 if unicodedata.east_asian_width(one) in ("W", "F") else 1


def _pieces(text: str, columns: int) -> Iterator[str]:
    """The text in pieces of at most so many columns; no piece where there is no room."""
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


_MARGIN = 8
"""Characters for the figures of the upright axis."""


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: where it starts and ends, what it is called, and whether it goes by powers of ten."""

    low: float
    high: float
    title: str
    logarithmic: bool = False

    def share(self, value: float) -> float:
        """How far along the axis a value lies: 0 at its low end, 1 at its high end."""
        if self.logarithmic:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def value(self, share: float) -> float:
        """The value so far along the axis."""
        if self.logarithmic:
            return self.low * math.pow(self.high / self.low, share)
        return self.low + share * (self.high - self.low)

    def ticks(self, about: int) -> list[float]:
        """Round values along the axis, about so many of them."""
        if self.logarithmic:
            decades = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
            fine = [step * 10.0**decade for decade in decades for step in (1, 2, 5)]
            inside = [value for value in fine if self.low * 0.999 <= value <= self.high * 1.001]
            return inside if len(inside) <= 2 * about else inside[:: math.ceil(len(inside) / about)]
        step = round_step((self.high - self.low) / about)
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return [k * step for k in range(first, last + 1)]


def round_step(about: float) -> float:
    """The nearest of 1, 2 or 5 times a power of ten that is not below ``about``, which is above zero."""
    power = 10.0 ** math.floor(math.log10(about))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= about * (1.0 - 1e-9))


def around(values: Iterable[float], title: str, from_zero: bool = False) -> Axis:
    """A straight axis that holds all the values, with a little room at its ends."""
    known = list(values)
    low, high = (0.0 if from_zero else min(known)), max(known)
    if high <= low:
        room = 0.1 * abs(high) or 1.0
        return Axis(low if from_zero else low - room, high + room, title)
    room = 0.04 * (high - low)
    return Axis(low if from_zero else low - room, high + room, title)


@dataclass(slots=True)
class Canvas:
    """A field of characters over two axes; what is drawn later stands over what was drawn before."""

    x: Axis
    y: Axis
    width: int = 66
    height: int = 18
    _cells: list[list[str]] = field(init=False)

    def __post_init__(self) -> None:
        self._cells = [[" "] * self.width for _ in range(self.height)]

    def column(self, x: float) -> int:
        """The column of a value; below 0 or from ``width`` on where it lies outside."""
        return round(self.x.share(x) * (self.width - 1))

    def centre(self, column: int) -> float:
        """The value in the middle of a column."""
        return self.x.value(column / (self.width - 1))

    def upright(self, column: int, low: float, high: float, mark: str) -> None:
        """Fill a column between two values."""
        first, last = (round(self.y.share(value) * (self.height - 1)) for value in (low, high))
        for row in range(max(first, 0), min(last, self.height - 1) + 1):
            self._cells[self.height - 1 - row][column] = mark

    def point(self, x: float, y: float, mark: str) -> None:
        """Draw one mark, if it lies on the field."""
        column = self.column(x)
        if 0 <= column < self.width:
            self.upright(column, y, y, mark)

    def lines(self) -> list[str]:
        """The field with its axes, a line each."""
        labels: dict[int, str] = {}
        for value in self.y.ticks(5):
            labels.setdefault(round(self.y.share(value) * (self.height - 1)), f"{value:.4g}")
        made = [self.y.title]
        for row, cells in enumerate(self._cells):
            label = labels.get(self.height - 1 - row, "")
            made.append(f"{label:>{_MARGIN - 1}} {'+' if label else '|'}{''.join(cells)}".rstrip())
        rule = ["-"] * self.width
        figures = [" "] * (self.width + 6)
        free = 0
        for value in self.x.ticks(6):
            column, text = self.column(value), f"{value:.4g}"
            rule[column] = "+"
            start = max(column - len(text) // 2, 0)
            if start >= free and start + len(text) <= len(figures):
                figures[start : start + len(text)] = text
                free = start + len(text) + 1
        made.append(" " * _MARGIN + "+" + "".join(rule))
        made.append((" " * (_MARGIN + 1) + "".join(figures)).rstrip())
        made.append(f"{self.x.title:>{_MARGIN + 1 + self.width}}")
        return made


@dataclass(frozen=True, slots=True)
class Bar:
    """One line of a bar chart: a value with the interval it is known to."""

    label: str
    value: float
    low: float
    high: float


def bars(rows: Sequence[Bar], title: str, width: int = 52) -> list[str]:
    """A line for each row: ``#`` up to the value, and ``|---|`` over its interval; the axis starts at 0."""
    top = max(max(row.value, row.high) for row in rows) or 1.0
    axis = Axis(0.0, top, title)
    label_width = max(len(row.label) for row in rows)
    made = []
    for row in rows:
        low, value, high = (round(axis.share(x) * (width - 1)) for x in (row.low, row.value, row.high))
        cells = ["#" if k < value else " " for k in range(width)]
        if high > low:
            cells[low : high + 1] = ["-"] * (high + 1 - low)
            cells[low] = cells[high] = "|"
        cells[value] = "#"
        made.append(f"{row.label:<{label_width}} {''.join(cells)}".rstrip())
    rule, figures, free = ["-"] * width, [" "] * (width + 4), 0
    for tick in axis.ticks(4):
        column, text = round(axis.share(tick) * (width - 1)), f"{tick:.3g}"
        rule[column] = "+"
        start = max(column - len(text) // 2, 0)
        if start >= free and start + len(text) <= len(figures):
            figures[start : start + len(text)] = text
            free = start + len(text) + 1
    made.append(" " * (label_width + 1) + "".join(rule))
    made.append((" " * (label_width + 1) + "".join(figures)).rstrip())
    made.append(f"{title:>{label_width + 1 + width}}")
    return made
