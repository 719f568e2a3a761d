"""Charts in plain characters, readable at 80 columns and without colour. Core: numbers in, lines out."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from bridge.units import plain

_MARGIN = 8
"""Characters for the figures of the vertical axis."""


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: its ends, its title, and whether its scale is logarithmic."""

    low: float
    high: float
    title: str
    logarithmic: bool = False

    def share(self, value: float) -> float:
        """Return the position of a value on the axis: 0 at its low end, 1 at its high end."""
        if self.logarithmic:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def value(self, share: float) -> float:
        """Return the value at a position on the axis."""
        if self.logarithmic:
            return self.low * math.pow(self.high / self.low, share)
        return self.low + share * (self.high - self.low)

    def ticks(self, about: int) -> list[float]:
        """Return about so many round values along the axis."""
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
    """Return the smallest of 1, 2 or 5 times a power of ten that is at least ``about`` (above zero)."""
    power = 10.0 ** math.floor(math.log10(about))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= about * (1.0 - 1e-9))


def around(values: Iterable[float], title: str, from_zero: bool = False) -> Axis:
    """Make a linear axis that covers all values, with a margin at its ends.

    Args:
        values: at least one value.
        title: the axis's title.
        from_zero: start the axis at 0.
    """
    known = list(values)
    low, high = (0.0 if from_zero else min(known)), max(known)
    if high <= low:
        room = 0.1 * abs(high) or 1.0
        return Axis(low if from_zero else low - room, high + room, title)
    room = 0.04 * (high - low)
    return Axis(low if from_zero else low - room, high + room, title)


@dataclass(slots=True)
class Canvas:
    """A field of characters with two axes; later marks replace earlier ones."""

    x: Axis
    y: Axis
    width: int = 66
    height: int = 18
    _cells: list[list[str]] = field(init=False)

    def __post_init__(self) -> None:
        """Start with an empty field."""
        self._cells = [[" "] * self.width for _ in range(self.height)]

    def column(self, x: float) -> int:
        """Return the column of a value; below 0 or from ``width`` on if it is outside."""
        return round(self.x.share(x) * (self.width - 1))

    def centre(self, column: int) -> float:
        """Return the value in the middle of a column."""
        return self.x.value(column / (self.width - 1))

    def upright(self, column: int, low: float, high: float, mark: str) -> None:
        """Fill a column between two values."""
        first, last = (round(self.y.share(value) * (self.height - 1)) for value in (low, high))
        for row in range(max(first, 0), min(last, self.height - 1) + 1):
            self._cells[self.height - 1 - row][column] = mark

    def point(self, x: float, y: float, mark: str) -> None:
        """Draw one mark, if it is inside the field."""
        column = self.column(x)
        if 0 <= column < self.width:
            self.upright(column, y, y, mark)

    def lines(self) -> list[str]:
        """Return the field with its axes as lines."""
        labels: dict[int, str] = {}
        for value in self.y.ticks(5):
            labels.setdefault(round(self.y.share(value) * (self.height - 1)), plain(value, ".4g"))
        made = [self.y.title]
        for row, cells in enumerate(self._cells):
            label = labels.get(self.height - 1 - row, "")
            made.append(f"{label:>{_MARGIN - 1}} {'+' if label else '|'}{''.join(cells)}".rstrip())
        ticks = ((self.column(value), plain(value, ".4g")) for value in self.x.ticks(6))
        rule, figures = _axis_lines(ticks, self.width, self.width + 6)
        made.append(" " * _MARGIN + "+" + rule)
        made.append((" " * (_MARGIN + 1) + figures).rstrip())
        made.append(f"{self.x.title:>{_MARGIN + 1 + self.width}}")
        return made


@dataclass(frozen=True, slots=True)
class Bar:
    """One line of a bar chart: a value with its interval."""

    label: str
    value: float
    low: float
    high: float


def bars(rows: Sequence[Bar], title: str, width: int = 52) -> list[str]:
    """Return a bar chart: ``#`` up to each value, and ``|---|`` over its interval; the axis starts at 0."""
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
    ticks = ((round(axis.share(tick) * (width - 1)), plain(tick)) for tick in axis.ticks(4))
    rule, figures = _axis_lines(ticks, width, width + 4)
    made.append(" " * (label_width + 1) + rule)
    made.append((" " * (label_width + 1) + figures).rstrip())
    made.append(f"{title:>{label_width + 1 + width}}")
    return made


def _axis_lines(ticks: Iterable[tuple[int, str]], width: int, room: int) -> tuple[str, str]:
    """Return an axis with its ticks, and the line of figures below it; a figure without room is left out."""
    rule, figures, free = ["-"] * width, [" "] * room, 0
    for column, text in ticks:
        rule[column] = "+"
        start = max(column - len(text) // 2, 0)
        if start >= free and start + len(text) <= room:
            figures[start : start + len(text)] = text
            free = start + len(text) + 1
    return "".join(rule), "".join(figures)
