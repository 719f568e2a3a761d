"""``clearwell forecast``: when the purifier will be exhausted."""

import json
import math
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.commands.shared.log_file import which_log
from bridge.commands.shared.values import typed_values
from bridge.errors import InputError

if TYPE_CHECKING:
    from bridge.commands.forecast.by_hand import OfPurifier, OfShelf
    from bridge.commands.forecast.log import State
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

    FILE.csv has the columns volume_L (litres treated since the cartridge was new), feed_ppm and product_ppm.
    The forecast of each row uses only the rows up to it. It has the median and the 80 % and 95 % intervals.
    The future feed is assumed to be the mean of the feed so far.

    Grams and ppm are on one scale: 1000 L that become 1 ppm purer lose 1 g. A maker's "180 L at 100 ppm" is
    180 x 100 / 1000 = 18 g.

    A forecast does not protect the plants: keep measuring the product until the cartridge is changed.
    """
    drawn = sys.stdout.isatty() and not as_json if plot is None else plot
    if log_file is not None or config is not None:
        if trace is not None or capacity_grams is not None or limit is not None:
            raise InputError(
                "forecast: --trace with its options and the log do not go together; give one of them."
            )
        if as_json and plot:
            raise InputError("forecast: --json and --plot do not go together; leave one of them out.")
        from bridge.commands.shared.configuration import shown_by

        kept = _kept(log_file, config, reservoir)
        _show_kept(*kept, as_json, drawn, shown_by(config if log_file is None else None))
        return
    if trace is None:
        raise InputError(
            "forecast: a source is missing; give --config with the configuration, --log with "
            "the daemon's log, or --trace FILE.csv and with it --capacity-grams and --limit."
        )
    if reservoir is not None:
        raise InputError("forecast: --reservoir belongs to --config or --log; leave it out.")
    from bridge.commands.forecast.trace import read, show

    capacity_g = _above_zero("--capacity-grams", capacity_grams, "the grams that the cartridge is rated for")
    limit_ppm = _above_zero("--limit", limit, "the product's limit in ppm")
    if as_json and plot:
        raise InputError("forecast: --json and --plot do not go together; leave one of them out.")
    prior = _prior(capacity_g, rating_sd, earlier, earlier_unspent)
    show(read(trace), prior, limit_ppm, as_json, drawn)


def _kept(
    log_file: Path | None, config: Path | None, named: str | None
) -> "tuple[list[State], list[OfPurifier | OfShelf]]":
    """Read the forecasts that the daemon keeps, and those of purifiers and shelves kept by hand."""
    from bridge.commands.forecast import by_hand as forecast_by_hand
    from bridge.commands.forecast import log as forecast_log
    from bridge.commands.shared.log_file import chosen

    by_hand = [] if config is None or log_file is not None else forecast_by_hand.states(config, named)
    if named is not None and by_hand:
        return [], by_hand
    try:
        path = chosen(log_file, config)
        return forecast_log.states(path, named), by_hand
    except InputError:
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
    from bridge.commands.forecast import by_hand as forecast_by_hand
    from bridge.commands.forecast import log as forecast_log

    if as_json:
        values = [state.as_values() for state in found] + [forecast_by_hand.values(one) for one in by_hand]
        click.echo(json.dumps(values, indent=1))
        return
    parts = [(forecast_log.lines(state, shown), forecast_log.plot(state, shown)) for state in found]
    parts += [(forecast_by_hand.lines(one, shown), forecast_by_hand.drawn(one, shown)) for one in by_hand]
    for number, (words, drawing) in enumerate(parts):
        if number:
            click.echo()
        for text in (*words, *(drawing if draw else ())):
            click.echo(text)
    click.echo("A forecast does not protect the plants: keep measuring the product.")


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
