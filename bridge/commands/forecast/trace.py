"""The trace of one cartridge: reads it whole, forecasts each row, prints a table, JSON and a plot."""

import json
import math
import sys
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.files import read_columns
from bridge.errors import InputError
from bridge.purifier.trace import TraceForecast, TraceRow, crossings

if TYPE_CHECKING:
    from bridge.purifier.cartridge import Capacity

COLUMNS = ("volume_L", "feed_ppm", "product_ppm")
KEYS = ("volume_L", "median_L", "low80_L", "high80_L", "low95_L", "high95_L")
LONG_TRACE = 5_000
"""Rows from which a terminal shows a progress bar."""


@dataclass(slots=True)
class Readings:
    """A valid trace as bare numbers, 24 bytes a row."""

    volume_l: "array[float]"
    feed_ppm: "array[float]"
    product_ppm: "array[float]"

    def __len__(self) -> int:
        return len(self.volume_l)

    def rows(self) -> Iterator[TraceRow]:
        """Iterate over the rows."""
        return map(TraceRow, self.volume_l, self.feed_ppm, self.product_ppm)


def read(path: Path) -> Readings:
    """Read the whole trace first, so that a mistake anywhere prevents half a table.

    Raises:
        InputError: The file cannot be read, or a row is wrong.
    """
    readings = Readings(array("d"), array("d"), array("d"))
    last_l = 0.0
    for row in read_columns(path, COLUMNS):
        volume_l, feed_ppm, product_ppm = row.values
        if volume_l < last_l:
            raise InputError(f"{row.place}: volume_L is {volume_l:g} after {last_l:g}; it must not decrease.")
        if feed_ppm < product_ppm:
            raise InputError(
                f"{row.place}: feed_ppm {feed_ppm:g} is below product_ppm {product_ppm:g}; check whether the "
                "two are swapped."
            )
        readings.volume_l.append(volume_l)
        readings.feed_ppm.append(feed_ppm)
        readings.product_ppm.append(product_ppm)
        last_l = volume_l
    return readings


def show(readings: Readings, prior: "Capacity", limit_ppm: float, as_json: bool, plot: bool) -> None:
    """Forecast every row and print a table or JSON, and a plot after it if one is wanted."""
    if max(readings.feed_ppm) <= limit_ppm:
        click.echo(
            f"The feed is never over the limit of {limit_ppm:g} ppm, so the product cannot reach it; the "
            "litres are those at which nearly the whole feed passes through.",
            err=True,
        )
    forecasts = crossings(readings.rows(), prior, limit_ppm)
    shown = Shown(readings.volume_l[-1])
    made = shown.remember(forecasts) if plot else forecasts
    lines = _json_lines(made) if as_json else _table(made, readings, prior)
    if len(readings) >= LONG_TRACE and sys.stderr.isatty():
        with click.progressbar(
            lines, length=len(readings), label="Forecasting", file=sys.stderr, width=30
        ) as bar:
            # The bar and the rows would mix on one screen.
            for line in list(bar) if sys.stdout.isatty() else bar:
                click.echo(line)
    else:
        for line in lines:
            click.echo(line)
    if plot:
        for line in _plot(shown, readings, prior, limit_ppm):
            click.echo(line)


def _figures(forecast: TraceForecast) -> tuple[float, ...]:
    x = forecast.crossing_l
    return forecast.volume_l, x.median, x.low80, x.high80, x.low95, x.high95


def _json_lines(forecasts: Iterable[TraceForecast]) -> Iterator[str]:
    start = "["
    for said in forecasts:
        yield start + json.dumps(dict(zip(KEYS, (round(x, 6) for x in _figures(said)), strict=True)))
        start = ","
    yield "]"


def _table(forecasts: Iterable[TraceForecast], readings: Readings, prior: "Capacity") -> Iterator[str]:
    """Align the columns and separate them with commas, for people and programs."""
    typical_l = 1000.0 * prior.median_g / max(readings.feed_ppm[0], 1e-6)
    decimals = min(max(3 - math.floor(math.log10(max(typical_l, readings.volume_l[-1], 1e-6))), 0), 6)
    finest_l = min(
        (b - a for a, b in zip(readings.volume_l, readings.volume_l[1:], strict=False) if b > a), default=1.0
    )
    finer = min(max(decimals, math.ceil(-math.log10(finest_l))), 6)
    yield ", ".join(f"{key:>10}" for key in KEYS)
    for said in forecasts:
        volume_l, *rest = _figures(said)
        yield ", ".join([f"{volume_l:>10.{finer}f}", *(f"{value:>10.{decimals}f}" for value in rest)])


@dataclass(slots=True)
class Shown:
    """The forecasts that a plot needs: the newest of each column, and the last of all."""

    last_l: float
    width: int = 66
    by_column: dict[int, TraceForecast] | None = None
    newest: TraceForecast | None = None

    def remember(self, forecasts: Iterable[TraceForecast]) -> Iterator[TraceForecast]:
        """Pass the forecasts on, and remember those that the plot needs."""
        kept: dict[int, TraceForecast] = {}
        for said in forecasts:
            share = said.volume_l / self.last_l if self.last_l > 0.0 else 1.0
            kept[math.floor(share * (self.width - 1))] = said
            self.newest = said
            yield said
        self.by_column = kept


def _plot(shown: Shown, readings: Readings, prior: "Capacity", limit_ppm: float) -> Iterator[str]:
    """Plot median and intervals against the volume treated, and where the trace reached the limit."""
    from bridge.display.charts import Axis, Canvas, around

    newest, by_column = shown.newest, shown.by_column or {}
    if newest is None:
        return
    x = newest.crossing_l
    crossed = x.median if max(readings.product_ppm) >= limit_ppm else None
    values = [v for said in by_column.values() for v in (said.crossing_l.low95, said.crossing_l.high95)]
    y_axis = around(values, "litres at the crossing, as forecast")
    canvas = Canvas(Axis(0.0, shown.last_l or 1.0, "litres treated"), y_axis, shown.width)
    said = by_column[min(by_column)]
    for column in range(min(by_column), shown.width):
        said = by_column.get(column, said)
        canvas.upright(column, said.crossing_l.low95, said.crossing_l.high95, ".")
        canvas.upright(column, said.crossing_l.low80, said.crossing_l.high80, ":")
    for column in range(shown.width):
        canvas.point(canvas.centre(column), canvas.centre(column), "/")
        if crossed is not None:
            canvas.point(canvas.centre(column), crossed, "-")
    for column in range(min(by_column), shown.width):
        said = by_column.get(column, said)
        canvas.upright(column, said.crossing_l.median, said.crossing_l.median, "#")
    yield ""
    yield from canvas.lines()
    yield "# median   : 80 % interval   . 95 % interval   / litres treated so far"
    if crossed is not None:
        yield f"- the product of the trace reached {limit_ppm:g} ppm here, at {crossed:.4g} L"
    else:
        left = [value - newest.volume_l for value in (x.median, x.low80, x.high80, x.low95, x.high95)]
        yield (
            f"At {newest.volume_l:.4g} L treated: the product reaches {limit_ppm:g} ppm at {x.median:.4g} L "
            f"(median),"
        )
        yield (
            f"{left[0]:.3g} L from now; 80 %: {left[1]:.3g} to {left[2]:.3g} L, 95 %: {left[3]:.3g} to "
            f"{left[4]:.3g} L."
        )
    yield f"It rests on: {prior.rests_on}; the future feed is the mean of the feed so far."
