"""The forecast that the daemon keeps in its log, told and drawn: one reservoir after the other."""

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from bridge.commands.chart import Axis, Canvas
from bridge.commands.logfile import reading
from bridge.errors import InputError
from bridge.history.records import Series
from bridge.history.recovery import look_only
from bridge.history.rollup import HOUR_MS, Bucket
from bridge.prospect import book
from bridge.prospect import saved as prospect_saved
from bridge.prospect.ahead import Ahead
from bridge.prospect.learned import Kept, forecast_of, worth_keeping
from bridge.purifier.cartridge import Kind
from bridge.purifier.forecast import Forecast, Interval
from bridge.purifier.membrane import rejection_percent
from bridge.tank.cover import HORIZON_DAYS, Cover, days_until_dry

_KEY = "prospect."
_WIDTH = 66


@dataclass(frozen=True, slots=True)
class State:
    """One reservoir's forecast as it stood when the log was last written."""

    reservoir: str
    kept: Kept
    ahead: Forecast | Ahead | None
    cover: Cover | None
    earlier: int
    points: tuple[tuple[float, float], ...]
    """Litres treated and product in ppm, hour by hour, of the running cartridge."""


def states(path: Path, spill: Path | None, named: str | None) -> list[State]:
    """What the log knows, without the daemon.

    :raises InputError: the log keeps no forecast, or none of the reservoir named.
    :raises LogError: it cannot be read.
    """
    with reading(path) as reader:
        found = look_only(path, spill)
        names = [key.removeprefix(_KEY) for key in found.state if key.startswith(_KEY)]
        if named is not None and named not in names:
            there = ", ".join(names) or "none"
            raise InputError(f"--reservoir {named}: {path} keeps no forecast of it; it has {there}")
        if not names:
            raise InputError(
                f"{path}: no forecast is kept there yet; the daemon keeps one after its first fill, or "
                "within an hour"
            )
        read = book.read(path)
        made = []
        for name in names if named is None else [named]:
            earlier = read.earlier.get(name, ())
            kept = prospect_saved.read(found.state[_KEY + name], earlier)
            kept = prospect_saved.read(found.state[_KEY + name], worth_keeping(kept.fitted, earlier))
            when = datetime.fromtimestamp(found.last_utc_ms / 1000.0, UTC).astimezone()
            day = when.timestamp() / 86400.0
            ahead = forecast_of(kept.fitted, kept.limit_ppm, kept.learned, kept.feed_ppm, kept.load, day)
            cover = None
            if kept.volume_l is not None:
                cover = days_until_dry(kept.learned.draw, kept.volume_l, when)
            points: list[tuple[float, float]] = []
            if name in reader.reservoirs():
                start, end = reader.span_ms()
                for bucket in reader.buckets(name, HOUR_MS, start, end + 1):
                    point = _point(bucket)
                    if point is None:
                        continue
                    if points and point[0] < points[-1][0]:
                        # The volume treated began anew: another cartridge.
                        points.clear()
                    points.append(point)
            made.append(
                State(name, kept, ahead, cover, len(worth_keeping(kept.fitted, earlier)), tuple(points))
            )
        return made


def show(found: list[State], as_json: bool, plot: bool) -> None:
    """Print it all."""
    if as_json:
        click.echo(json.dumps([_values(state) for state in found], indent=1))
        return
    for number, state in enumerate(found):
        if number:
            click.echo()
        for line in _lines(state):
            click.echo(line)
        if plot:
            for line in _plot(state):
                click.echo(line)
    click.echo("A forecast is no guard: the product is measured all the same.")


def _point(bucket: Bucket) -> tuple[float, float] | None:
    """Litres treated at the end of the hour, and its best product, for the mean holds water that stood; None
    for an hour without a fill."""
    treated, product = bucket.cells[Series.THROUGHPUT], bucket.cells[Series.PRODUCT_PPM]
    if treated is None or product is None or treated.greatest <= treated.least:
        return None
    return treated.greatest, product.least


def _values(state: State) -> dict[str, Any]:
    ahead, kept = state.ahead, state.kept
    litres, days = (None, None) if ahead is None else (ahead.litres_left, ahead.days_left)
    learned = kept.learned
    return {
        "reservoir": state.reservoir,
        "kind": None if kept.fitted is None else kept.fitted.kind.value,
        "limit_ppm": kept.limit_ppm,
        "treated_l": kept.load.treated_l,
        "taken_up_g": kept.load.taken_up_g,
        "earlier_cartridges": state.earlier,
        "litres_left": None if litres is None else asdict(litres),
        "days_left": None if days is None else asdict(days),
        "order_now": None if ahead is None or ahead.days_left is None else learned.order,
        "rests_on": "" if ahead is None else ahead.rests_on,
        "days_of_cover": None if state.cover is None else _cover_values(state.cover),
    }


def _cover_values(cover: Cover) -> dict[str, float | None]:
    return {name: value if value < HORIZON_DAYS else None for name, value in asdict(cover).items()}


def _lines(state: State) -> Iterator[str]:
    kept, ahead = state.kept, state.ahead
    fitted, learned = kept.fitted, kept.learned
    what = "no cartridge is configured" if fitted is None else fitted.kind.value
    yield f"Reservoir {state.reservoir}: {what}"
    if fitted is not None:
        yield _line("Treated", f"{kept.load.treated_l:.4g} L, {kept.load.taken_up_g:.3g} g taken up")
        if learned.membrane is not None:
            yield _line("Rejection", f"{rejection_percent(learned.membrane):.1f} % at 25 °C")
        elif fitted.rated_g is not None:
            of = "scale that may gather" if fitted.kind is Kind.DISTILLER else "rated to take up"
            yield _line("Rating", f"{fitted.rated_g:.3g} g {of}; {state.earlier} earlier in the book")
        if fitted.price is not None and kept.load.treated_l > 0.0:
            yield _line("Cost so far", f"{fitted.price / kept.load.treated_l:.3g} per litre, if changed now")
    if ahead is None and fitted is not None:
        yield _line("Forecast", "none yet: feed, product or use are not known")
    if ahead is not None and ahead.litres_left is not None:
        yield _line("Litres left", _interval(ahead.litres_left, "L"))
    if ahead is not None and ahead.days_left is not None:
        yield _line("Days left", _interval(ahead.days_left, "days"))
        said = "order now" if learned.order else "not yet"
        lead = 0.0 if fitted is None else fitted.lead_days
        yield _line("Order", f"{said}; a new one is taken to need {lead:g} days")
    if ahead is not None:
        yield _line("It rests on", ahead.rests_on)
    if state.cover is not None:
        cover = state.cover
        days, low, high = (
            f"{x:.3g}" if x < HORIZON_DAYS else f"over {HORIZON_DAYS}"
            for x in (cover.days, cover.low80_days, cover.high80_days)
        )
        yield _line("Days of cover", f"{days} (80 %: {low} to {high}) at {cover.daily_l:.3g} L a day")


def _line(label: str, text: str) -> str:
    return f"{label:<15}{text}"


def _interval(x: Interval, unit: str) -> str:
    return (
        f"{x.median:.3g} {unit}; 80 %: {x.low80:.3g} to {x.high80:.3g}, 95 %: {x.low95:.3g} to {x.high95:.3g}"
    )


def _plot(state: State) -> Iterator[str]:
    """Product against litres treated, and where along the litres it is forecast to cross the limit."""
    if state.ahead is None or state.ahead.litres_left is None:
        return
    treated_l, limit_ppm = state.kept.load.treated_l, state.kept.limit_ppm
    x = state.ahead.litres_left.shifted(treated_l)
    canvas = Canvas(
        Axis(0.0, 1.05 * max(x.high95, treated_l, 1.0), "litres treated"),
        Axis(0.0, 1.15 * limit_ppm, "product, ppm"),
        _WIDTH,
    )
    for column in range(_WIDTH):
        at_l = canvas.centre(column)
        if x.low95 <= at_l <= x.high95:
            canvas.upright(column, 0.0, limit_ppm, ":" if x.low80 <= at_l <= x.high80 else ".")
        canvas.point(at_l, limit_ppm, "-")
    canvas.upright(min(canvas.column(x.median), _WIDTH - 1), 0.0, limit_ppm, "#")
    for at_l, ppm in state.points:
        canvas.point(at_l, min(ppm, 1.15 * limit_ppm), "o")
    canvas.upright(canvas.column(treated_l), 0.0, 0.0, "^")
    yield ""
    yield from canvas.lines()
    yield "o product, best of an hour   - limit   ^ now   # crossing, median   : 80 %   . 95 %"
