"""The tank that a roof fills: its estimate from rain, samples, counts and draw, and its blending."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, timedelta, tzinfo

from bridge.errors import InputError
from bridge.forecast.by_hand import ShelfPlan
from bridge.history.records import EntryRow, Litres, LitresRow, SampleRow, when_ms
from bridge.trays.course import Weather
from bridge.trays.outlook import Fed
from bridge.trays.seasons import RainStore, after_rain
from bridge.watering.weather import day_of

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
