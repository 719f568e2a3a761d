"""``clearwell forecast --until``: whether water and purifier last until a day, and what would help."""

import json
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import NormalDist

import click

from bridge.commands.forecast.log import OfPurifier, OfShelf, State, line
from bridge.commands.forecast.use import SURE, check_horizon, ends, percent
from bridge.commands.shared.configuration import configuration_in_use
from bridge.commands.shared.terminal import print_text
from bridge.errors import InputError
from bridge.purifier.forecast import Interval
from bridge.tank.cover import ENDS, chance_of_enough, enough_l, litres_until
from bridge.units import DisplayUnits, plain


@dataclass(frozen=True, slots=True)
class Lasting:
    """Whether one reservoir, purifier or shelf lasts until a day."""

    name: str
    until: str
    days: float
    volume_l: float | None = None
    water_chance: float | None = None
    """The probability that the water lasts if nothing is filled in."""
    enough_l: float | None = None
    """The volume that is enough with a probability of 95 %."""
    jug_l: float | None = None
    """What is missing to that volume."""
    filled_l: float | None = None
    """The volume after a fill now; None if no configuration gives it or it is no more."""
    filled_chance: float | None = None
    purifier_chance: float | None = None
    """The probability that the purifier lasts at the present use."""
    lead_days: float | None = None
    """How long an order takes; None if the purifier needs none."""


def show(
    found: list[State],
    by_hand: list[OfPurifier | OfShelf],
    config: Path | None,
    until: date,
    as_json: bool,
    units: DisplayUnits,
) -> None:
    """Print for each reservoir, purifier and shelf whether it lasts.

    Raises:
        InputError: The day is not ahead, or too far away.
    """
    full_l: dict[str, float] = {}
    if config is not None:
        full_l = {
            one.identity.reservoir: one.level.shape.capacity_l * one.level.fill_fraction
            for one in configuration_in_use(config).plan.stations
        }
    lasting = [_of_reservoir(state, full_l.get(state.reservoir), until) for state in found]
    lasting += [_of_hand(one, until) for one in by_hand]
    if as_json:
        click.echo(json.dumps([asdict(one) for one in lasting], indent=1))
        return
    for number, one in enumerate(lasting):
        if number:
            click.echo()
        for text in lines(one, units):
            print_text(text)


def lines(one: Lasting, units: DisplayUnits) -> Iterator[str]:
    """Put the result into words, one subject a line."""
    yield f"{one.name}: through {one.until}, {plain(one.days)} days"
    helps = False
    if one.water_chance is not None and one.volume_l is not None:
        yield line(
            "Water",
            f"{percent(one.water_chance)} that {units.litres_as(one.volume_l, '.4g')} last if nothing is "
            "filled in",
        )
    elif one.water_chance is not None:
        yield line("Water", f"{percent(one.water_chance)} that the stock lasts")
    elif one.purifier_chance is None:
        yield line("Water", "its use is not known yet, so nothing can be forecast")
    if one.filled_chance is not None and one.filled_l is not None and (one.water_chance or 0.0) < SURE:
        helps = True
        yield line(
            "Fill now", f"{units.litres_as(one.filled_l, '.4g')} last with {percent(one.filled_chance)}"
        )
    if one.jug_l:
        helps = True
        yield line(
            "A jug", f"{units.litres_as(one.jug_l, '.3g')} more beside the reservoir make it {percent(SURE)}"
        )
    if one.purifier_chance is not None:
        yield line("Purifier", f"{percent(one.purifier_chance)} that its product stays under the limit")
        if one.purifier_chance < SURE and one.lead_days is not None:
            helps = True
            yield line("Order now", f"a new one is assumed to take {one.lead_days:g} days; change it before")
    if not helps:
        yield line("What helps", "nothing is needed" if _sure(one) else "nothing that is known here")


def _sure(one: Lasting) -> bool:
    known = [chance for chance in (one.water_chance, one.purifier_chance) if chance is not None]
    return bool(known) and min(known) >= SURE


def _of_reservoir(state: State, full_l: float | None, until: date) -> Lasting:
    kept, outlook = state.kept, state.outlook
    now = state.when or datetime.now().astimezone()
    end, days = _end(now, until)
    chance = enough = jug = filled = None
    if kept.volume_l is not None:
        needed = litres_until(kept.learned.draw, now, end)
        if needed is not None:
            chance, enough = chance_of_enough(needed, kept.volume_l), enough_l(needed, SURE)
            have_l = max(kept.volume_l, full_l or 0.0)
            # A jug beside the reservoir is needed only for what a fill cannot hold.
            jug = max(enough - have_l, 0.0)
            if full_l is not None and full_l > kept.volume_l:
                filled = chance_of_enough(needed, full_l)
    left = None if outlook is None else outlook.days_left
    fitted = kept.fitted
    return Lasting(
        f"Reservoir {state.reservoir}",
        until.isoformat(),
        days,
        kept.volume_l,
        chance,
        enough,
        jug,
        None if filled is None else full_l,
        filled,
        None if left is None else chance_over(_ends(left), days),
        None if fitted is None else fitted.lead_days,
    )


def _of_hand(one: OfPurifier | OfShelf, until: date) -> Lasting:
    entered_ms = one.state.entered_ms
    if entered_ms is None:
        return Lasting(one.plan.ident, until.isoformat(), math.nan)
    _, days = _end(datetime.fromtimestamp(entered_ms / 1000.0, UTC).astimezone(), until)
    if isinstance(one, OfShelf):
        cover = one.state.cover
        chance = None if cover is None else chance_over(ends(cover), days)
        return Lasting(f"Shelf {one.plan.ident}", until.isoformat(), days, one.state.stock_l, chance)
    outlook = one.state.outlook
    left = None if outlook is None else outlook.days_left
    return Lasting(
        f"Purifier {one.plan.ident}",
        until.isoformat(),
        days,
        purifier_chance=None if left is None else chance_over(_ends(left), days),
        lead_days=one.plan.cartridge.lead_days,
    )


def _end(now: datetime, until: date) -> tuple[datetime, float]:
    """Return the end of the day in local time, and the days until then."""
    end = datetime.combine(until + timedelta(days=1), time()).astimezone()
    if end <= now:
        raise InputError(f"--until {until}: the log ends on {now.date()}; give a later day.")
    check_horizon(now, end, until)
    return end, (end - now).total_seconds() / 86_400.0


def _ends(left: Interval) -> tuple[float, ...]:
    return left.median, left.low80, left.high80, left.low95, left.high95


def chance_over(five: tuple[float, ...], days: float) -> float:
    """Return the probability that a quantity is more than ``days``.

    Between the ends of its intervals the quantity is taken to be normal.

    Args:
        five: the median, and the lower and the upper end of the 80 % and the 95 % interval.
        days: the value to compare with.
    """
    median, low80, high80, low95, high95 = five
    normal = NormalDist()
    points = [
        (value, normal.inv_cdf(share))
        for value, share in zip((low95, low80, median, high80, high95), ENDS, strict=True)
        if math.isfinite(value)
    ]
    if not points:
        return 1.0
    if days < points[0][0]:
        # Somewhere in the tail: between its end and certainty.
        return 1.0 - 0.5 * normal.cdf(points[0][1])
    for (below, low), (above, high) in pairwise(points):
        if days <= above:
            part = (days - below) / (above - below) if above > below else 1.0
            return 1.0 - normal.cdf(low + part * (high - low))
    beyond = 1.0 - normal.cdf(points[-1][1])
    return 0.5 * beyond if math.isfinite(high95) else beyond
