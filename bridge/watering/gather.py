"""The trays of a day from the plan, the log and the weather, and what was done to them. Shell."""

import math
import time as clock
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from bridge.config.plan import BridgePlan, TraysPlan
from bridge.errors import InputError
from bridge.forecast.by_hand import HandPlan, ShelfPlan, purifier_after, shelf_after
from bridge.history.reader import Reader
from bridge.history.records import (
    EntryRow,
    EventRow,
    FillRow,
    Kind,
    Litres,
    LitresRow,
    SampleRow,
    Series,
    when_ms,
)
from bridge.history.rollup import HOUR_MS
from bridge.history.writer import add
from bridge.trays import course as courses
from bridge.trays.course import Act, Course, Entry, Weather
from bridge.trays.outlook import Fed
from bridge.trays.round import Round, Source, Unexplained, as_values, plan_round, unexplained
from bridge.trays.seasons import AWAY, Absence, Frost, absence_ahead, absence_from, frost
from bridge.watering.rain import rain_stores
from bridge.watering.weather import day_of, from_hub, read_weather, start_ms

ACTS = {
    Litres.GIVEN: Act.GIVEN,
    Litres.FILLED: Act.FILLED,
    Litres.FLUSHED: Act.FLUSHED,
    Litres.EXCHANGED: Act.EXCHANGED,
}
UNCERTAIN_SHARE = 0.1
"""Relative standard uncertainty of the ppm that the log has for a reservoir (common practice, no source)."""
UNKNOWN_SHARE = 0.5
"""The same if nobody measured that water: its target is assumed."""
LITRES_OVER_DAYS = 7
DAYS_BACK = 400
"""How far back entries and weather count."""


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


def trays_of(plan: BridgePlan) -> TraysPlan:
    """Return the trays of a plan.

    Raises:
        InputError: There are none.
    """
    if plan.trays is None:
        raise InputError("there is no tray; add a table [tray.<id>] for each, in the order of the round")
    return plan.trays


def entries_of(path: Path, ident: str) -> list[EntryRow]:
    """Read the entries of a tray, a purifier or a shelf; there are none if there is no log yet.

    Raises:
        LogError: The log cannot be read.
    """
    if not path.exists():
        return []
    with Reader(path) as reader:
        kinds = (Kind.LITRES, Kind.SAMPLE, Kind.CARTRIDGE)
        return list(reader.events(0, reader.span_ms()[1] + 1, kinds=kinds, reservoir=ident))


def zone_of(plan: BridgePlan) -> tzinfo | None:
    """Return the zone of the garden; None for that of the machine."""
    return None if plan.display.zone is None else ZoneInfo(plan.display.zone)


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
    coldest = water_c = None
    if path.exists():
        with Reader(path) as reader:
            if trays.temperature_of is not None:
                measured = _temperatures(reader, trays.temperature_of, zone, today)
                weather = {**measured, **weather}
                coldest = None if today not in measured else measured[today].lowest_c
            weather = {**weather, **from_hub(reader, zone, today)}
            water_c = _water_c(reader, trays.temperature_of, zone, today)
            absences = _absences(reader)
    else:
        absences = []
    if (known := weather.get(today)) is not None:
        coldest = known.lowest_c
    waters = _Waters(plan, path, zone, today, weather)
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
        frost(coldest, water_c),
        {
            ident: found
            for ident in sources
            if (found := _unexplained(path, ident, trays, zone, today)) is not None
        },
        away,
        path,
    )


def source_of(plan: BridgePlan, path: Path, ident: str, today: date) -> Source:
    """Return a reservoir, a purifier or a shelf as a source, with its estimated water and its litres.

    Raises:
        InputError: There is no such water.
    """
    known = [*(one.identity.reservoir for one in plan.stations), *plan.kept_by_hand]
    if ident not in known:
        raise InputError(
            f"{ident}: there is no such reservoir, purifier or shelf; there are {', '.join(known)}"
        )
    zone = zone_of(plan)
    file = None if plan.trays is None else plan.trays.weather_file
    weather = {} if file is None else read_weather(file)
    if path.exists():
        with Reader(path) as reader:
            weather |= from_hub(reader, zone, today)
    return _Waters(plan, path, zone, today, weather).source(ident)


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


class _Waters:
    """The waters that trays are fed from, today and on the days before."""

    def __init__(
        self,
        plan: BridgePlan,
        path: Path,
        zone: tzinfo | None,
        today: date,
        weather: Mapping[date, Weather],
    ) -> None:
        self._plan = plan
        self._weather = weather
        self._sds: dict[str, dict[date, float]] = {}
        self._path = path
        self._zone = zone
        self._today = today
        self._days: dict[str, dict[date, float]] = {}
        self._litres: dict[str, float | None] = {}
        self.assumed: set[str] = set()

    def source(self, ident: str) -> Source:
        """Return a water today."""
        fed = self.history(ident)(self._today)
        return Source(ident, fed, self._litres.get(ident))

    def history(self, ident: str) -> "_History":
        """Return what is known of a water by day."""
        if ident not in self._days:
            self._days[ident] = self._read(ident)
        days = self._days[ident]
        if not days:
            self.assumed.add(ident)
        return _History(days, self._target(ident), self._sds.get(ident, {}))

    def _given(self, ident: str) -> list[EntryRow]:
        """Return the entries of the trays that are fed from this water."""
        trays = () if self._plan.trays is None else self._plan.trays.trays
        return [row for one in trays if one.fed_from == ident for row in entries_of(self._path, one.ident)]

    def _target(self, ident: str) -> float:
        kept = self._plan.kept_by_hand.get(ident)
        if kept is not None:
            return kept.target_ppm
        station = next(one for one in self._plan.stations if one.identity.reservoir == ident)
        return station.limits.target_ppm

    def _read(self, ident: str) -> dict[date, float]:
        kept = self._plan.kept_by_hand.get(ident)
        if kept is not None:
            return self._by_hand(ident, kept)
        if not self._path.exists():
            return {}
        with Reader(self._path) as reader:
            if ident not in reader.reservoirs():
                return {}
            start, end = _span(self._today, self._zone, DAYS_BACK)
            found: dict[date, float] = {}
            for bucket in reader.buckets(ident, HOUR_MS, start, end):
                cell = bucket.cells[Series.RESERVOIR_PPM]
                if cell is not None:
                    found[day_of(bucket.start_ms, self._zone)] = cell.mean
                volume = bucket.cells[Series.VOLUME]
                if volume is not None:
                    self._litres[ident] = volume.mean
        return found

    def _by_hand(self, ident: str, kept: HandPlan | ShelfPlan) -> dict[date, float]:
        rows = [
            row for row in entries_of(self._path, ident) if day_of(when_ms(row), self._zone) <= self._today
        ]
        if isinstance(kept, ShelfPlan) and kept.roof is not None:
            stores = rain_stores(kept, rows, self._given(ident), self._weather, self._zone, self._today)
            self._litres[ident] = stores[self._today].litres
            self._sds[ident] = {day: store.ppm_sd for day, store in stores.items()}
            return {day: store.ppm for day, store in stores.items()}
        if isinstance(kept, ShelfPlan):
            self._litres[ident] = shelf_after(kept, rows).stock_l if rows else None
            ppm = shelf_after(kept, rows).ppm
        else:
            ppm = purifier_after(kept, rows).product_ppm
        days = {
            day_of(when_ms(row), self._zone): row.conductivity_25_us_cm * kept.factor
            for row in sorted(rows, key=when_ms)
            if isinstance(row, SampleRow) and row.of != "feed"
        }
        return days if ppm is not None else {}


class _History:
    """Returns a water's ppm on a day: the newest up to then, or the oldest after it."""

    def __init__(self, days: Mapping[date, float], assumed_ppm: float, sds: Mapping[date, float]) -> None:
        self._known = sorted(days.items())
        self._sds = sds
        self._assumed_ppm = assumed_ppm

    def __call__(self, day: date) -> Fed:
        if not self._known:
            return Fed(self._assumed_ppm, UNKNOWN_SHARE * self._assumed_ppm)
        before = [ppm for one, ppm in self._known if one <= day]
        ppm = before[-1] if before else self._known[0][1]
        return Fed(ppm, max(UNCERTAIN_SHARE * ppm, 0.2, self._sds.get(day, 0.0)))


def _span(today: date, zone: tzinfo | None, days: int) -> tuple[int, int]:
    return start_ms(today - timedelta(days=days), zone), start_ms(today + timedelta(days=1), zone)


def _temperatures(reader: Reader, reservoir: str, zone: tzinfo | None, today: date) -> dict[date, Weather]:
    """Return the lowest and highest temperature of each day with at least twelve hours of readings."""
    if reservoir not in reader.reservoirs():
        return {}
    hours: dict[date, list[tuple[float, float]]] = {}
    for bucket in reader.buckets(reservoir, HOUR_MS, *_span(today, zone, DAYS_BACK)):
        cell = bucket.cells[Series.TEMPERATURE]
        if cell is not None:
            hours.setdefault(day_of(bucket.start_ms, zone), []).append((cell.least, cell.greatest))
    return {
        day: Weather(max(high for _, high in cells), min(low for low, _ in cells))
        for day, cells in hours.items()
        if len(cells) >= 12
    }


def _water_c(reader: Reader, reservoir: str | None, zone: tzinfo | None, today: date) -> float | None:
    """Return the coldest water of the day, of any reservoir."""
    coldest: float | None = None
    for ident in reader.reservoirs() if reservoir is None else [reservoir]:
        if ident not in reader.reservoirs():
            continue
        for bucket in reader.buckets(ident, HOUR_MS, *_span(today, zone, 0)):
            cell = bucket.cells[Series.TEMPERATURE]
            if cell is not None:
                coldest = cell.least if coldest is None else min(coldest, cell.least)
    return coldest


def _absences(reader: Reader) -> list[Absence]:
    rows = reader.events(0, reader.span_ms()[1] + 1, kinds=(Kind.EVENT,), reservoir="")
    found = [absence_from(row.sentence) for row in rows if isinstance(row, EventRow) and row.event == AWAY]
    return [one for one in found if one is not None]


def absences_in(path: Path) -> list[Absence]:
    """Return all absences of a log, in the order in which they were entered."""
    if not path.exists():
        return []
    with Reader(path) as reader:
        return _absences(reader)


def _unexplained(
    path: Path, ident: str, trays: TraysPlan, zone: tzinfo | None, today: date
) -> Unexplained | None:
    """Compare the litres of the last week; None without a level or without entries."""
    if not path.exists():
        return None
    start, end = _span(today, zone, LITRES_OVER_DAYS)
    with Reader(path) as reader:
        if ident not in reader.reservoirs():
            return None
        volumes = [
            cell.mean
            for bucket in reader.buckets(ident, HOUR_MS, start, end)
            if (cell := bucket.cells[Series.VOLUME]) is not None
        ]
        fills = [
            row.volume_l
            for row in reader.events(start, end, kinds=(Kind.FILL,), reservoir=ident)
            if isinstance(row, FillRow)
        ]
    given = [
        row.litres
        for tray in trays.trays
        if tray.fed_from == ident
        for row in entries_of(path, tray.ident)
        if isinstance(row, LitresRow) and row.what in ACTS and start <= when_ms(row) < end
    ]
    if len(volumes) < 2 or not given or any(volume is None for volume in fills):
        return None
    left_l = volumes[0] - volumes[-1] + math.fsum(volume for volume in fills if volume is not None)
    return unexplained(max(left_l, 0.0), given, 0.01 * max(volumes))


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
