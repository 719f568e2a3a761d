"""How long a volume, a reservoir or a purifier lasts: ``clearwell forecast --use`` and ``--until``.

With --use it follows from the daily litres of a notebook or a meter, with --until from the log.
"""

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
from bridge.commands.shared.configuration import configuration_in_use
from bridge.commands.shared.terminal import print_error, print_text, read_columns
from bridge.errors import InputError
from bridge.purifier.forecast import Interval
from bridge.tank.cover import ENDS, Cover, chance_of_enough, days_until_dry, enough_l, litres_until
from bridge.tank.daily_use import FIRST_DAYS, DailyUse, learn
from bridge.tank.use import DrawOff, RunningMean
from bridge.units import DisplayUnits, plain

LONGEST_DAYS = 366
"""A volume that lasts longer is shown as lasting longer than this."""
SURE = 0.95
"""The probability behind the litres that are enough."""
_HALF_LIFE_DAYS = 14.0


@dataclass(frozen=True, slots=True)
class Record:
    """The use that a record shows, and the day after its last row."""

    state: DrawOff
    begins: datetime
    missing: int
    """Days between the first and the last row that have none."""


def read(path: Path) -> Record:
    """Read the daily litres of a record. Rows of one day are added up; their order does not matter.

    Raises:
        InputError: The file cannot be read, a row is wrong, or there are too few days.
    """
    litres: dict[date, float] = {}
    for row in read_columns(path, ("litres",), day="date"):
        assert row.day is not None
        litres[row.day] = litres.get(row.day, 0.0) + row.values[0]
    if len(litres) <= FIRST_DAYS:
        raise InputError(
            f"{path} has {len(litres)} days; a forecast needs at least {FIRST_DAYS + 1}, and weeks make it "
            "better."
        )
    mean, daily = RunningMean(), DailyUse()
    for day in sorted(litres):
        mean = mean.after(litres[day], _HALF_LIFE_DAYS)
        daily = learn(daily, day.toordinal(), litres[day])
    first, last = min(litres), max(litres)
    begins = datetime.combine(last + timedelta(days=1), time(), UTC)
    return Record(DrawOff(day=mean, daily=daily), begins, (last - first).days + 1 - len(litres))


def show(path: Path, volume_l: float, until: date | None, as_json: bool, units: DisplayUnits) -> None:
    """Print how long the volume lasts, and with a day the probability that it lasts through that day."""
    record = read(path)
    cover = days_until_dry(record.state, volume_l, record.begins, horizon_days=LONGEST_DAYS)
    assert cover is not None
    if record.missing:
        print_error(
            f"{path}: {record.missing} days have no row, so their use is not known; write 0 for a day "
            "without use."
        )
    needed: tuple[float, ...] = ()
    if until is not None:
        end = datetime.combine(until + timedelta(days=1), time(), UTC)
        if end <= record.begins:
            raise InputError(
                f"--until {until}: the record ends on {record.begins.date() - timedelta(days=1)}; give a "
                "later day."
            )
        check_horizon(record.begins, end, until)
        needed = litres_until(record.state, record.begins, end) or ()
    if as_json:
        values: dict[str, float | str | None] = dict(zip(KEYS, map(_finite, ends(cover)), strict=True))
        if until is not None:
            values |= {
                "until": until.isoformat(),
                "chance": round(chance_of_enough(needed, volume_l), 4),
                "enough_litres": round(enough_l(needed, SURE), 3),
            }
        click.echo(json.dumps(values, indent=1))
        return
    days, low80, high80, low95, high95 = (
        plain(value) if value < math.inf else f"over {LONGEST_DAYS}" for value in ends(cover)
    )
    print_text(
        f"{units.litres_as(volume_l, '.4g')} last {days} days from {record.begins.date()} on; 80 %: {low80} "
        f"to {high80}, 95 %: {low95} to {high95}."
    )
    if until is not None:
        print_text(
            f"They last through {until} with a probability of {percent(chance_of_enough(needed, volume_l))}."
        )
        print_text(f"{units.litres_as(enough_l(needed, SURE), '.4g')} would be enough with {percent(SURE)}.")


KEYS = ("days", "low80", "high80", "low95", "high95")


def ends(cover: Cover) -> tuple[float, ...]:
    """Return the median and the ends of the intervals, in the order of :data:`KEYS`."""
    return cover.days, cover.low80_days, cover.high80_days, cover.low95_days, cover.high95_days


def percent(chance: float) -> str:
    """Format a probability. Sampled paths know none closer to 0 or 1 than one of a hundred."""
    if chance < 0.01:
        return "under 1 %"
    return "over 99 %" if chance > 0.99 else f"{100.0 * chance:.0f} %"


def check_horizon(begin: datetime, end: datetime, until: date) -> None:
    """Refuse a day that is too far away.

    Raises:
        InputError: The day is further away than :data:`LONGEST_DAYS`.
    """
    if end - begin > timedelta(days=LONGEST_DAYS):
        raise InputError(f"--until {until}: that is more than {LONGEST_DAYS} days away; give an earlier day.")


def _finite(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None


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
    wet_chance: float | None = None
    """The probability that a tray does not run dry if nobody fills it."""
    under_limit_chance: float | None = None
    """The probability that it stays under its limit if it is filled to its mark and not flushed."""


def show_until(
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
    if config is not None and configuration_in_use(config).plan.trays is not None:
        lasting += _of_trays(config, until)
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
    if one.wet_chance is not None and one.under_limit_chance is not None:
        yield line("Water", f"{percent(one.wet_chance)} that it does not run dry if nobody fills it")
        yield line(
            "Solids", f"{percent(one.under_limit_chance)} that it stays under its limit without a flush"
        )
        return
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


def _of_trays(config: Path, until: date) -> Iterator[Lasting]:
    """Yield whether each tray lasts, by its estimate of today."""
    from bridge.commands.shared.configuration import log_path
    from bridge.trays.outlook import chance_after
    from bridge.watering.gather import gather
    from bridge.watering.weather import day_of, zone_of

    plan = configuration_in_use(config).plan
    now = datetime.now(UTC)
    _, days = _end(now, until)
    found = gather(plan, log_path(config), day_of(int(now.timestamp() * 1000), zone_of(plan)))
    for item in found.round.items:
        yield Lasting(
            f"Tray {item.ident}: {item.name}",
            str(until),
            days,
            wet_chance=chance_after(item.dry, days),
            under_limit_chance=chance_after(item.limit, days),
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
