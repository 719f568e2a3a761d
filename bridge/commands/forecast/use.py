"""``clearwell forecast --use``: how long a volume lasts, from the daily litres of a notebook or a meter."""

import json
import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import click

from bridge.commands.shared.files import read_columns
from bridge.commands.shared.terminal import print_error, print_text
from bridge.errors import InputError
from bridge.tank.cover import Cover, chance_of_enough, days_until_dry, enough_l, litres_until
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
