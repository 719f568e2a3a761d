"""The waters that trays are fed from: by day, with the tank that a roof fills and its blending. Shell."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta, tzinfo
from pathlib import Path

from bridge.config.plan import BridgePlan, TraysPlan
from bridge.errors import InputError
from bridge.forecast.by_hand import HandPlan, ShelfPlan, purifier_after, shelf_after
from bridge.history.reader import Reader
from bridge.history.records import (
    Cell,
    EntryRow,
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
from bridge.trays.course import Act, Weather
from bridge.trays.outlook import Fed
from bridge.trays.round import Source, Unexplained, unexplained
from bridge.trays.seasons import Blending, RainStore, after_rain, rain_into_purified
from bridge.watering.weather import (
    DAYS_BACK,
    day_of,
    from_hub,
    read_weather,
    start_ms,
    zone_of,
)

ACTS = {
    Litres.GIVEN: Act.GIVEN,
    Litres.FILLED: Act.FILLED,
    Litres.FLUSHED: Act.FLUSHED,
    Litres.EXCHANGED: Act.EXCHANGED,
}
RAIN_SHARE_SD = 0.5
"""Relative standard uncertainty of the ppm of unmeasured roof water (common practice, no source)."""
TAKEN = (Litres.TAKEN, Litres.GIVEN, Litres.FILLED, Litres.FLUSHED, Litres.EXCHANGED)


def rain_stores(
    plan: ShelfPlan,
    rows: Iterable[EntryRow],
    of_trays: Iterable[EntryRow],
    weather: Mapping[date, Weather],
    zone: tzinfo | None,
    today: date,
) -> dict[date, RainStore]:
    """Return the estimate of a rain tank at the end of each day up to today.

    It is empty before its first entry or the first day of the weather. On a day the rain falls first; the
    entries follow in their order. Today's rain may still fall, so only that so far is known.

    Args:
        plan: The tank, with its roof.
        rows: Its entries.
        of_trays: The entries of the trays that are fed from it.
        weather: The weather by day.
        zone: The zone of the garden; None for that of the machine.
        today: The last day.

    Raises:
        InputError: The plan has no roof.
    """
    if plan.roof is None:
        raise InputError(f"{plan.ident}: it has no roof; give roof_m2 and tank_l")
    by_day: dict[date, list[EntryRow]] = {}
    for row in sorted((*rows, *of_trays), key=when_ms):
        by_day.setdefault(day_of(when_ms(row), zone), []).append(row)
    rain = Fed(plan.rain_ppm, RAIN_SHARE_SD * plan.rain_ppm)
    store = RainStore(0.0, rain.ppm, rain.ppm_sd)
    day = min((one for one in (*by_day, *weather) if one <= today), default=today)
    made = {}
    while day <= today:
        store = after_rain(store, plan.roof, weather[day].rain_mm if day in weather else 0.0, rain)
        for row in by_day.get(day, ()):
            store = _after(store, row, plan)
        made[day] = store
        day += timedelta(days=1)
    return made


def _after(store: RainStore, row: EntryRow, plan: ShelfPlan) -> RainStore:
    match row:
        case LitresRow(what=Litres.LEFT, litres=litres):
            return replace(store, litres=litres)
        case LitresRow(what=Litres.PUT, litres=litres):
            return replace(store, litres=store.litres + litres)
        case LitresRow(what=what, litres=litres) if what in TAKEN:
            return replace(store, litres=max(store.litres - litres, 0.0))
        case SampleRow(of=of) if of not in ("tray", "feed"):
            scale = plan.factor / row.factor
            ppm = row.conductivity_25_us_cm * plan.factor
            return replace(store, ppm=ppm, ppm_sd=0.5 * row.uncertainty_ppm * scale)
    return store


UNCERTAIN_SHARE = 0.1
"""Relative standard uncertainty of the ppm that the log has for a reservoir (common practice, no source)."""
UNKNOWN_SHARE = 0.5
"""The same if nobody measured that water: its target is assumed."""


def entries_of(path: Path, ident: str) -> list[EntryRow]:
    """Read the entries of a tray, a purifier or a shelf; there are none if there is no log yet.

    Raises:
        LogError: The log cannot be read.
    """
    if not path.exists():
        return []
    with Reader(path) as reader:
        return reader.entries_by_hand(ident)


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
    return Waters(plan, path, zone, today, weather).source(ident)


class Waters:
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
            start, end = span_of_days(self._today, self._zone, DAYS_BACK)
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


def span_of_days(today: date, zone: tzinfo | None, days: int) -> tuple[int, int]:
    """Return the start of the day so many days ago, and the end of today, UTC milliseconds."""
    return start_ms(today - timedelta(days=days), zone), start_ms(today + timedelta(days=1), zone)


@dataclass(frozen=True, slots=True)
class Blend:
    """The blend of a day.

    Attributes:
        rain: The rain tank's estimate.
        held: The water of the reservoir.
        held_l: Its litres.
        target_ppm: The target that the blend keeps with its uncertainty.
        made: The litres to blend, and what they save.
        is_feed_known: Whether the purifier's feed is configured, so that the grams saved are known.
    """

    rain: RainStore
    held: Fed
    held_l: float
    target_ppm: float
    made: Blending
    is_feed_known: bool
    is_rise_expected: bool
    """Whether the reservoir has ``rain_ppm``; without it the guard takes the rise for a valve that leaks."""


def blend(plan: BridgePlan, path: Path, rain: str, into: str, today: date) -> Blend:
    """Return the most rain that may be poured into a reservoir.

    Args:
        plan: The plan of the configuration.
        path: The log.
        rain: The id of a shelf that a roof fills.
        into: The id of a reservoir with a controller.
        today: The day.

    Raises:
        InputError: There is no such water, or the litres of one are not known.
        LogError: The log cannot be read.
    """
    kept = plan.kept_by_hand.get(rain)
    if not isinstance(kept, ShelfPlan) or kept.roof is None:
        raise InputError(f"{rain}: no roof fills it; give the id of a [shelf.<id>] with roof_m2 and tank_l")
    station = next((one for one in plan.stations if one.identity.reservoir == into), None)
    if station is None:
        there = ", ".join(one.identity.reservoir for one in plan.stations) or "none"
        raise InputError(f"{into}: there is no such reservoir with a controller; there are {there}")
    source, store = source_of(plan, path, into, today), source_of(plan, path, rain, today)
    if source.available_l is None or store.available_l is None:
        missing = into if source.available_l is None else rain
        raise InputError(f"{missing}: its litres are not known yet; the daemon or a count has to record them")
    # Both are put on the scale of the reservoir.
    scale = station.identity.factor / kept.factor
    tank = RainStore(store.available_l, store.fed.ppm * scale, store.fed.ppm_sd * scale)
    target_ppm = station.limits.target_ppm
    room_l = max(station.identity.capacity_l * station.level.fill_fraction - source.available_l, 0.0)
    made = rain_into_purified(
        source.available_l, source.fed, room_l, tank, target_ppm, station.feed_ppm or 0.0
    )
    return Blend(
        tank,
        source.fed,
        source.available_l,
        target_ppm,
        made,
        station.feed_ppm is not None,
        station.rain_ppm is not None,
    )


def enter_blend(path: Path, rain: str, into: str, litres: float) -> None:
    """Write into the log that rain was poured into a reservoir.

    The level of the reservoir rises without a fill, which its estimate takes as rain by itself.

    Raises:
        LogError: The log cannot be written.
    """
    add(path, lambda stamp: LitresRow(stamp, rain, Litres.TAKEN, litres, f"blended into {into}"))


def levels_and_fills(
    reader: Reader, ident: str, start: int, end: int
) -> tuple[list[Cell], list[float | None]]:
    """Return the volume of a reservoir in each hour of a span, and the litres of each of its fills.

    Args:
        reader: The open log.
        ident: The reservoir.
        start: The start of the span, UTC milliseconds.
        end: Its end.
    """
    volumes = [
        cell
        for bucket in reader.buckets(ident, HOUR_MS, start, end)
        if (cell := bucket.cells[Series.VOLUME]) is not None
    ]
    fills = [
        row.volume_l
        for row in reader.events(start, end, kinds=(Kind.FILL,), reservoir=ident)
        if isinstance(row, FillRow)
    ]
    return volumes, fills


def litres_between(path: Path, ident: str, trays: TraysPlan, start: int, end: int) -> Unexplained | None:
    """Compare the litres that left a reservoir in a span with those entered; None without level or entries.

    Args:
        path: The log.
        ident: The reservoir.
        trays: The trays.
        start: The start of the span, UTC milliseconds.
        end: Its end.
    """
    if not path.exists():
        return None
    with Reader(path) as reader:
        if ident not in reader.reservoirs():
            return None
        volumes, fills = levels_and_fills(reader, ident, start, end)
    given = [
        row.litres
        for tray in trays.trays
        if tray.fed_from == ident
        for row in entries_of(path, tray.ident)
        if isinstance(row, LitresRow) and row.what in ACTS and start <= when_ms(row) < end
    ]
    if len(volumes) < 2 or not given or any(volume is None for volume in fills):
        return None
    left_l = volumes[0].mean - volumes[-1].mean + math.fsum(one for one in fills if one is not None)
    return unexplained(max(left_l, 0.0), given, 0.01 * max(cell.mean for cell in volumes))


def first_given_ms(path: Path, ident: str, trays: TraysPlan) -> int | None:
    """Return when litres of a reservoir were first entered for a tray; None if never."""
    given = [
        when_ms(row)
        for tray in trays.trays
        if tray.fed_from == ident
        for row in entries_of(path, tray.ident)
        if isinstance(row, LitresRow) and row.what in ACTS
    ]
    return min(given, default=None)
