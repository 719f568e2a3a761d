"""The trays of a day from the plan, the log and the weather, and what was done to them. Shell."""

import math
import time as clock
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, tzinfo
from pathlib import Path

from bridge.config.plan import BridgePlan, TraysPlan
from bridge.errors import InputError
from bridge.history.reader import Reader
from bridge.history.records import (
    EventRow,
    Kind,
    Litres,
    LitresRow,
    SampleRow,
    when_ms,
)
from bridge.history.rollup import HOUR_MS
from bridge.history.writer import add
from bridge.trays import course as courses
from bridge.trays.ahead import RoundDue, due_of, rounds_ahead
from bridge.trays.course import Act, Course, Entry, Weather
from bridge.trays.outlook import HORIZON_DAYS, Days, Fed
from bridge.trays.round import (
    Item,
    Round,
    RoundSettings,
    Source,
    Unexplained,
    as_values,
    plan_round,
)
from bridge.trays.seasons import FROST_SENTENCES, ROOF_CAUTION, Absence, Frost, absence_ahead, frost
from bridge.units import DisplayUnits
from bridge.watering.absence import read_absences
from bridge.watering.waters import ACTS, Waters, entries_of, litres_between, span_of_days
from bridge.watering.weather import (
    DAYS_BACK,
    day_of,
    days_measured,
    from_hub,
    frost_of,
    lowest_air_c,
    read_weather,
    start_ms,
    zone_of,
)

LITRES_OVER_DAYS = 7
CAUTION = "No reading shows that water is safe to drink."


@dataclass(frozen=True, slots=True)
class Found:
    """A round and what it rests on."""

    round: Round
    courses: tuple[Course, ...]
    fed: Mapping[str, Fed]
    assumed: tuple[str, ...]
    """The waters that nobody has measured."""
    weather_days: int
    """The days with weather in the last four weeks."""
    frost: Frost
    unexplained: Mapping[str, Unexplained]
    """For each reservoir with a level, the litres of the last week."""
    away: Absence | None
    log: Path
    settings: RoundSettings = RoundSettings()
    """How the round is walked on this day."""


def trays_of(plan: BridgePlan) -> TraysPlan:
    """Return the trays of a plan.

    Raises:
        InputError: There are none.
    """
    if plan.trays is None:
        raise InputError("there is no tray; add a table [tray.<id>] for each, in the order of the round")
    return plan.trays


def gather(plan: BridgePlan, path: Path, today: date) -> Found:
    """Plan the round of a day.

    Args:
        plan: The plan of the configuration.
        path: The log, which need not exist yet.
        today: The day.

    Raises:
        InputError: There are no trays, or the weather file is wrong.
        LogError: The log cannot be read.
    """
    trays, zone = trays_of(plan), zone_of(plan)
    weather = {} if trays.weather_file is None else read_weather(trays.weather_file)
    if path.exists():
        with Reader(path) as reader:
            if trays.temperature_of is not None:
                weather = {**days_measured(reader, trays.temperature_of, zone, today, DAYS_BACK), **weather}
            weather = {**weather, **from_hub(reader, zone, today)}
            air_c, reservoirs = lowest_air_c(weather, today), reader.reservoirs()
            dangers = [frost_of(reader, one, zone, today, air_c) for one in reservoirs]
            absences = read_absences(reader)
    else:
        absences, dangers = [], []
    danger = max([frost(lowest_air_c(weather, today), None), *dangers], key=list(Frost).index)
    waters = Waters(plan, path, zone, today, weather)
    following = []
    for tray in trays.trays:
        entries = tray_entries(path, tray.ident, zone, today)
        fed_on = waters.history(tray.fed_from)
        following.append(courses.followed(tray, trays.site, entries, weather, fed_on, today))
    sources = {one.fed_from: waters.source(one.fed_from) for one in trays.trays}
    away = absence_ahead(absences, today, trays.settings.every_days)
    settings = replace(trays.settings, away_days=0 if away is None else away.days)
    made = plan_round(following, sources, settings)
    return Found(
        made,
        tuple(following),
        {ident: source.fed for ident, source in sources.items()},
        tuple(ident for ident in sources if ident in waters.assumed),
        sum(1 for day in weather if 0 < (today - day).days <= 28),
        danger,
        {
            ident: found
            for ident in sources
            if (found := litres_between(path, ident, trays, *span_of_days(today, zone, LITRES_OVER_DAYS)))
            is not None
        },
        away,
        path,
        settings,
    )


def tray_entries(path: Path, ident: str, zone: tzinfo | None, today: date) -> list[Entry]:
    """Return the entries of a tray up to a day, in order of their time."""
    rows = entries_of(path, ident)
    made = []
    for row in sorted(rows, key=when_ms):
        day = day_of(when_ms(row), zone)
        if not 0 <= (today - day).days <= DAYS_BACK:
            continue
        if isinstance(row, LitresRow) and row.what in ACTS:
            made.append(Entry(day, ACTS[row.what], row.litres))
        elif isinstance(row, SampleRow):
            made.append(
                Entry(day, Act.SAMPLED, ppm=row.dissolved_solids_ppm, expanded_ppm=row.uncertainty_ppm)
            )
    return made


ROUND = "round"
"""The event that says once a day what is due."""


@dataclass(frozen=True, slots=True)
class Garden:
    """Frost and round of a day, by reservoir."""

    day: date
    frost: Mapping[str, Frost]
    due: Mapping[str, RoundDue]
    """Only for the reservoirs that show trays."""
    announced: frozenset[str]
    """The reservoirs whose round of this day is in the log already."""


def garden_on(plan: BridgePlan, path: Path, today: date) -> Garden:
    """Read frost and round.

    Raises:
        InputError: The weather file is wrong.
        LogError: The log cannot be read.
    """
    names = [one.identity.reservoir for one in plan.stations]
    due: dict[str, RoundDue] = {}
    if plan.trays is not None:
        found = gather(plan, path, today)
        sources = {
            need.source: Source(need.source, found.fed[need.source], need.available_l)
            for need in found.round.needs
        }
        rounds = rounds_ahead(found.courses, sources, found.settings)
        for name in names:
            shown = plan.trays.shown_with(name, names)
            if shown:
                due[name] = due_of(rounds, shown)
    return Garden(today, _frost(plan, path, today), due, _announced(plan, path, today))


def _frost(plan: BridgePlan, path: Path, today: date) -> dict[str, Frost]:
    names, trays, zone = [one.identity.reservoir for one in plan.stations], plan.trays, zone_of(plan)
    if not path.exists():
        return dict.fromkeys(names, Frost.NONE)
    with Reader(path) as reader:
        weather: dict[date, Weather] = {}
        if trays is not None:
            if trays.temperature_of is not None:
                weather |= days_measured(reader, trays.temperature_of, zone, today, 0)
            if trays.weather_file is not None:
                weather |= read_weather(trays.weather_file)
            weather |= from_hub(reader, zone, today)
        air_c = lowest_air_c(weather, today)
        return {name: frost_of(reader, name, zone, today, air_c) for name in names}


def _announced(plan: BridgePlan, path: Path, today: date) -> frozenset[str]:
    if not path.exists():
        return frozenset()
    with Reader(path) as reader:
        rows = reader.events(start_ms(today, zone_of(plan)), reader.span_ms()[1] + 1, kinds=(Kind.EVENT,))
        return frozenset(row.reservoir for row in rows if isinstance(row, EventRow) and row.event == ROUND)


@dataclass(frozen=True, slots=True)
class Entered:
    """An entry about a tray that is in the log."""

    tray: str
    what: Litres
    litres: float
    day: date
    is_new: bool
    """False if the same tick was entered before."""


def enter(
    plan: BridgePlan,
    found: Found,
    tray: str,
    *,
    litres: float | None = None,
    flushed: bool = False,
    tick: str = "",
) -> Entered:
    """Write into the log what a tray of a round got.

    Args:
        plan: The plan of the configuration.
        found: The round; its day is the day of the entry.
        tray: The id of the tray.
        litres: The litres that filled it to its mark, or of its flush. None: those of the list, poured in.
        flushed: Whether its flush was done.
        tick: A word of the sender that identifies the tick, so that one that is sent twice counts once.

    Raises:
        InputError: There is no such tray, the day is in the future, or there are no litres.
        LogError: The log cannot be written.
    """
    items = {item.ident: item for item in found.round.items}
    if tray not in items:
        raise InputError(f"{tray}: there is no such tray; there are {', '.join(items)}")
    item, day = items[tray], found.round.day
    note = f"tick {tick}" if tick else ""
    if note:
        for row in entries_of(found.log, tray):
            if isinstance(row, LitresRow) and row.note == note:
                return Entered(tray, row.what, row.litres, day_of(when_ms(row), zone_of(plan)), False)
    if flushed:
        what = Litres.EXCHANGED if item.exchange else Litres.FLUSHED
        amount = item.flush_l if litres is None else litres
    else:
        what = Litres.GIVEN if litres is None else Litres.FILLED
        amount = item.give_l if litres is None else litres
    if amount <= 0.0:
        missing = "flush" if flushed else "litres"
        raise InputError(f"{tray}: the list has no {missing} for it; state the litres")
    zone, now_ms = zone_of(plan), int(clock.time() * 1000)
    real_today = day_of(now_ms, zone)
    if day > real_today:
        raise InputError(f"{day}: this day is in the future, so nothing can be entered for it")
    # Noon of an earlier day, because its hour is not known.
    at_ms = None if day == real_today else start_ms(day, zone) + 12 * HOUR_MS
    add(found.log, lambda stamp: LitresRow(stamp, tray, what, amount, note, at_ms))
    return Entered(tray, what, amount, day, True)


def values(found: Found) -> dict[str, object]:
    """Return a round as JSON values, for ``--json`` and for the page."""
    return {
        **as_values(found.round),
        "frost": found.frost.value,
        "away": None if found.away is None else [str(found.away.first), str(found.away.last)],
        "assumed": list(found.assumed),
        "weather_days": found.weather_days,
        "done_today": [
            {"id": course.plan.ident, "what": entry.act.value, "litres": entry.litres}
            for course in found.courses
            for entry in course.today
        ],
        "litres_of_the_week": {
            ident: {
                "left_l": round(one.left_l, 1),
                "given_l": round(one.given_l, 1),
                "missing_l": round(one.missing_l, 1) if one.is_missing else None,
            }
            for ident, one in found.unexplained.items()
        },
    }


def in_words(found: Found, units: DisplayUnits) -> Iterator[str]:
    """Put a round into words, tray by tray in the order of the benches."""
    made = found.round
    yield f"Watering round of {made.day}"
    if found.away is not None:
        yield f"Before the absence from {found.away.first} to {found.away.last}: fill towards the rim."
    if found.frost is not Frost.NONE:
        yield f"Frost: {FROST_SENTENCES[found.frost]}"
    for number, item in enumerate(made.items, start=1):
        yield ""
        yield f"{number}. {item.name} ({item.ident})"
        for text in _item(item, units):
            yield f"   {text}"
    yield ""
    for need in made.needs:
        needed = units.litres_as(need.needed_l, ".1f")
        if need.available_l is None:
            yield f"{need.source}: the round needs {needed}; its litres are not known"
        else:
            has = units.litres_as(need.available_l, ".1f")
            covers = "enough" if need.covered else "not enough"
            yield f"{need.source}: the round needs {needed} of {has}: {covers}"
    for ident, compared in found.unexplained.items():
        left, given = (units.litres_as(one, ".1f") for one in (compared.left_l, compared.given_l))
        text = f"{ident}: in a week {left} left it and {given} were given"
        if compared.is_missing:
            missing = units.litres_as(compared.missing_l, ".1f")
            text += f"; {missing} are missing: spilt, not entered, or a leak"
        yield text
    yield from made.notes
    if found.assumed:
        yield f"Nobody has measured {', '.join(found.assumed)}: its target is assumed; enter a sample."
    if found.weather_days == 0:
        yield "No weather is known, so the days are usual ones; see 'clearwell manual trays'."
    yield "Enter what is done: clearwell round --done TRAY, with --litres L if you filled it to its mark."
    yield f"{CAUTION} {ROOF_CAUTION.partition('. ')[0]}."


def _item(item: Item, units: DisplayUnits) -> Iterator[str]:
    if item.flush is not None:
        how = item.flush_in_words(units.litres_as(item.flush_l, ".1f"))
        lasts = "" if item.flush.weeks >= 52.0 else f", which lasts about {item.flush.weeks:.1f} weeks"
        yield f"flush: {how}, with water of {item.flush.water}{lasts}"
    if item.give_l > 0.0:
        cans = f"{item.cans:.1f} can" + ("" if round(item.cans, 1) == 1.0 else "s")
        yield f"give {units.litres_as(item.give_l, '.1f')} ({cans})"
    if item.flush is None and item.give_l == 0.0 and not item.left_out:
        yield "nothing to give"
    if item.left_out:
        words = {"give": "its water", "flush": "its flush"}
        yield f"left out because the water is short: {' and '.join(words[one] for one in item.left_out)}"
    if item.sample_due:
        yield f"measure it: clearwell sample --of tray.{item.ident}"
    water = f"{item.ppm:.3g} ± {item.expanded_ppm:.2g} ppm"
    yield f"about {item.depth_mm:.0f} of {item.mark_mm:g} mm deep, {water}"
    yield f"dry {_days(item.dry)}, over its limit {_days(item.limit)}"
    yield from item.notes


def _days(days: Days) -> str:
    if days.median <= 0.0:
        return "now"
    if not days.within_horizon:
        return f"in more than {HORIZON_DAYS} days"
    late = f"{days.high80:.0f}" if math.isfinite(days.high80) else f"more than {HORIZON_DAYS}"
    return f"in {days.median:.0f} days ({days.low80:.0f} to {late})"
