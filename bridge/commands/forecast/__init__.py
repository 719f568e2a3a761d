"""``clearwell forecast``: computes when the purifier will be exhausted, from the log or from a trace."""

import json
import math
import sys
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.configuration import which_log
from bridge.commands.shared.terminal import print_error, print_text, read_columns
from bridge.commands.shared.values import in_litres, typed_values
from bridge.errors import InputError
from bridge.purifier.trace import SWAPPED, TraceForecast, TraceRow, crossings, swapped
from bridge.units import plain

if TYPE_CHECKING:
    from bridge.commands.forecast.log import OfPurifier, OfShelf, State
    from bridge.commands.shared.configuration import Shown
    from bridge.purifier.cartridge import Capacity


@click.command("forecast")
@click.option(
    "--trace",
    type=click.Path(path_type=Path),
    metavar="FILE.csv",
    help="Readings of one cartridge since it was new.",
)
@click.option(
    "--capacity-grams", type=float, metavar="G", help="The rated capacity of the cartridge, in grams."
)
@click.option("--limit", type=float, metavar="PPM", help="The product's limit, on the scale of the trace.")
@click.option(
    "--rating-sd",
    type=float,
    metavar="SHARE",
    help="Standard deviation of the rating, as a share of it.  [default: 0.2]",
)
@click.option(
    "--earlier",
    type=float,
    multiple=True,
    metavar="GRAMS",
    help="The load of an earlier cartridge of this kind when it was exhausted; again for each one.",
)
@click.option(
    "--earlier-unspent",
    type=float,
    multiple=True,
    metavar="GRAMS",
    help="The load of an earlier cartridge that was changed before it was exhausted; again for each one.",
)
@click.option(
    "--use",
    "use_file",
    type=click.Path(path_type=Path),
    metavar="FILE.csv",
    help="The litres used on each day, from a notebook or a meter.",
)
@click.option("--volume", type=in_litres(above=False), metavar="L", help="With --use: the water in stock.")
@click.option(
    "--until",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="Whether water and purifier last through this day, and what would help.",
)
@which_log
@click.option("--reservoir", metavar="ID", help="Only this reservoir, purifier or shelf.")
@click.option("--plot/--no-plot", default=None, help="Add a plot after the table.  [default: on a terminal]")
@click.option("--json", "as_json", is_flag=True, help="Print a list of JSON objects.")
@typed_values()
def command(
    trace: Path | None,
    capacity_grams: float | None,
    limit: float | None,
    rating_sd: float | None,
    earlier: tuple[float, ...],
    earlier_unspent: tuple[float, ...],
    use_file: Path | None,
    volume: float | None,
    until: datetime | None,
    log_file: Path | None,
    config: Path | None,
    reservoir: str | None,
    plot: bool | None,
    as_json: bool,
) -> None:
    """Forecast when the purifier is exhausted, that is, when its product reaches the limit.

    With --config or --log: the forecast that the daemon keeps, with the days left, whether to order, and the
    days that the water in the reservoir lasts. With --config also the forecast of purifiers and shelves kept
    by hand, and the cost of a litre. With --trace: the forecast of an exchange cartridge from its readings.
    With --use: how long a volume lasts, from a record of the daily use.

    With --until DATE: the probability that the water lasts through that day if nothing is filled in, the
    probability that the purifier lasts, and what would help: a fill now, an order now, a jug of so many
    litres.

    FILE.csv has the columns volume_L (litres treated since the cartridge was new), feed_ppm and product_ppm.
    The forecast of each row uses only the rows up to it. It has the median and the 80 % and 95 % intervals.
    The future feed is assumed to be the mean of the feed so far.

    With --use, FILE.csv has the columns date (such as 2026-07-04) and litres. A day without a row is not
    known; a day without use has a row with 0.

    Grams and ppm are on one scale: 1000 L that become 1 ppm purer lose 1 g. A maker's "180 L at 100 ppm" is
    180 x 100 / 1000 = 18 g.

    A forecast does not protect the plants: keep measuring the product until the cartridge is changed.
    """
    last_day = None if until is None else until.date()
    if use_file is not None or volume is not None:
        others = (trace, capacity_grams, limit, log_file, reservoir)
        if use_file is None or volume is None or any(other is not None for other in others):
            raise InputError(
                "forecast: --use FILE.csv and --volume go together, with --until if wanted, and no other "
                "source."
            )
        from bridge.commands.forecast import use
        from bridge.commands.shared.configuration import shown_by

        use.show(use_file, volume, last_day, as_json, shown_by(config).units)
        return
    if as_json and plot:
        raise InputError("forecast: --json and --plot do not go together; leave one of them out.")
    drawn = sys.stdout.isatty() and not as_json if plot is None else plot
    if log_file is not None or config is not None:
        if trace is not None or capacity_grams is not None or limit is not None:
            raise InputError(
                "forecast: --trace with its options and the log do not go together; give one of them."
            )
        from bridge.commands.shared.configuration import shown_by

        kept = _kept(log_file, config, reservoir)
        if last_day is not None:
            from bridge.commands.forecast.use import show_until

            named = config if log_file is None else None
            show_until(*kept, named, last_day, as_json, shown_by(named).units)
            return
        _show_kept(*kept, as_json, drawn, shown_by(config if log_file is None else None))
        return
    if trace is None:
        raise InputError(
            "forecast: a source is missing; give --config with the configuration, --log with "
            "the daemon's log, --trace FILE.csv and with it --capacity-grams and --limit, or --use FILE.csv "
            "with --volume."
        )
    if last_day is not None:
        raise InputError("forecast: --until belongs to --config, --log or --use; leave it out.")
    if reservoir is not None:
        raise InputError("forecast: --reservoir belongs to --config or --log; leave it out.")

    capacity_g = _above_zero("--capacity-grams", capacity_grams, "the grams that the cartridge is rated for")
    limit_ppm = _above_zero("--limit", limit, "the product's limit in ppm")
    prior = _prior(capacity_g, rating_sd, earlier, earlier_unspent)
    show(read(trace), prior, limit_ppm, as_json, drawn)


def _kept(
    log_file: Path | None, config: Path | None, named: str | None
) -> "tuple[list[State], list[OfPurifier | OfShelf]]":
    """Read the forecasts that the daemon keeps, and those of purifiers and shelves kept by hand."""
    from bridge.commands.forecast import log as forecast_log
    from bridge.commands.shared.configuration import chosen

    by_hand = [] if config is None or log_file is not None else forecast_log.states_by_hand(config, named)
    if named is not None and by_hand:
        return [], by_hand
    try:
        path = chosen(log_file, config)
        return forecast_log.states(path, named), by_hand
    except (InputError, forecast_log.NoForecastYet):
        if not by_hand:
            raise
        return [], by_hand


def _show_kept(
    found: "list[State]",
    by_hand: "list[OfPurifier | OfShelf]",
    as_json: bool,
    draw: bool,
    shown: "Shown",
) -> None:
    """Print all forecasts."""
    from bridge.commands.forecast.log import lines, lines_by_hand, plot, plot_by_hand, values_by_hand

    if as_json:
        values = [state.as_values() for state in found] + [values_by_hand(one) for one in by_hand]
        click.echo(json.dumps(values, indent=1))
        return
    parts = [(lines(state, shown), plot(state, shown)) for state in found]
    parts += [(lines_by_hand(one, shown), plot_by_hand(one, shown)) for one in by_hand]
    for number, (words, drawing) in enumerate(parts):
        if number:
            click.echo()
        for text in (*words, *(drawing if draw else ())):
            print_text(text)
    print_text("A forecast does not protect the plants: keep measuring the product.")


def _above_zero(option: str, value: float | None, what: str) -> float:
    if value is None:
        raise InputError(f"forecast: --trace needs {option}, {what}; give it too.")
    if not (math.isfinite(value) and value > 0.0):
        raise InputError(f"forecast: {option} is {value:g}; it is {what} and must be above zero.")
    return value


def _prior(
    capacity_g: float, rating_sd: float | None, earlier: Iterable[float], unspent: Iterable[float]
) -> "Capacity":
    from bridge.purifier.cartridge import RATING_SD, Evidence, estimate

    book = [Evidence(grams, exhausted=True) for grams in earlier]
    book += [Evidence(grams, exhausted=False) for grams in unspent]
    return estimate(capacity_g, book, RATING_SD if rating_sd is None else rating_sd)


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
        readings.volume_l.append(volume_l)
        readings.feed_ppm.append(feed_ppm)
        readings.product_ppm.append(product_ppm)
        last_l = volume_l
    if swapped(readings.rows()):
        raise InputError(f"{path}: {SWAPPED}")
    return readings


def show(readings: Readings, prior: "Capacity", limit_ppm: float, as_json: bool, plot: bool) -> None:
    """Forecast every row and print a table or JSON, and a plot after it if one is wanted."""
    if max(readings.feed_ppm) <= limit_ppm:
        print_error(
            f"The feed is never over the limit of {limit_ppm:g} ppm, so the product cannot reach it; the "
            "litres are those at which nearly the whole feed passes through."
        )
    forecasts = crossings(readings.rows(), prior, limit_ppm)
    shown = Plotted(readings.volume_l[-1])
    made = shown.remember(forecasts) if plot else forecasts
    lines = _json_lines(made) if as_json else _table(made, readings, prior)
    if len(readings) >= LONG_TRACE and sys.stderr.isatty():
        with click.progressbar(
            lines, length=len(readings), label="Forecasting", file=sys.stderr, width=30
        ) as bar:
            # The bar and the rows would mix on one screen.
            for line in list(bar) if sys.stdout.isatty() else bar:
                print_text(line)
    else:
        for line in lines:
            print_text(line)
    if plot:
        for line in _plot(shown, readings, prior, limit_ppm):
            print_text(line)


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
class Plotted:
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


def _plot(shown: Plotted, readings: Readings, prior: "Capacity", limit_ppm: float) -> Iterator[str]:
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
        yield f"- the product of the trace reached {limit_ppm:g} ppm here, at {plain(crossed, '.4g')} L"
    else:
        left = [plain(value - newest.volume_l) for value in (x.median, x.low80, x.high80, x.low95, x.high95)]
        yield (
            f"At {plain(newest.volume_l, '.4g')} L treated: the product reaches {limit_ppm:g} ppm at "
            f"{plain(x.median, '.4g')} L (median),"
        )
        yield (f"{left[0]} L from now; 80 %: {left[1]} to {left[2]} L, 95 %: {left[3]} to {left[4]} L.")
    yield f"It rests on: {prior.rests_on}; future feed: the mean of the feed so far."
