"""Invents the weather of years and the daily use of gardens that follow it.

The worlds here are made by other means than the forecast. Temperatures and rain come day after day with their
own memory, the reference evapotranspiration follows from them, and people add their habits: more on some days
of the week, holidays, a can more or less. All numbers are invented and describe no real place.
"""

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from bridge.tank.evapotranspiration import hargreaves_mm


@dataclass(frozen=True, slots=True)
class Weather:
    """What one day does to a garden."""

    evapotranspiration_mm: float
    rain_mm: float
    highest_c: float


@dataclass(frozen=True, slots=True)
class Habits:
    """How people of a garden use water."""

    litres_per_mm: float = 6.0
    outdoors: bool = False
    """Rain waters the plants too."""
    can_scatter: float = 0.15
    """Standard deviation of a day's use, as a share, that no weather explains."""
    week: tuple[float, ...] = (1.0,) * 7
    """Factors from Monday to Sunday."""
    holidays_a_year: float = 0.0
    holiday_days: float = 10.0
    heat_from_c: float = 30.0
    heat_factor: float = 1.0
    """Factor of the use on days that are hotter than that: shade plants are sprayed."""


def invented_weather(chance: random.Random, first_day_of_year: int, days: int) -> list[Weather]:
    """Return the weather of a climate that is drawn first."""
    latitude = chance.uniform(30.0, 58.0)
    mean_c, swing_c = chance.uniform(8.0, 17.0), chance.uniform(5.0, 11.0)
    range_c, memory = chance.uniform(7.0, 12.0), chance.uniform(0.55, 0.85)
    wet_after_dry, wet_after_wet = chance.uniform(0.1, 0.35), chance.uniform(0.4, 0.75)
    rain_season = chance.uniform(-0.6, 0.6)
    anomaly_c = spell = 0.0
    wet = False
    made = []
    for later in range(days):
        day = (first_day_of_year - 1 + later) % 365 + 1
        summer = math.cos(2.0 * math.pi * (day - 200) / 365.0)
        spell = 0.98 * spell + chance.gauss(0.0, 0.3)
        anomaly_c = memory * anomaly_c + chance.gauss(0.0, 3.0 * math.sqrt(1.0 - memory**2))
        odds = (wet_after_wet if wet else wet_after_dry) * (1.0 + rain_season * summer)
        wet = chance.random() < min(max(odds, 0.0), 0.95)
        day_c = max(range_c * (0.6 if wet else 1.1) * chance.uniform(0.7, 1.3), 1.0)
        middle_c = mean_c + swing_c * summer + spell + anomaly_c - (1.5 if wet else 0.0)
        high_c, low_c = middle_c + 0.5 * day_c, middle_c - 0.5 * day_c
        taken_mm = hargreaves_mm(latitude, day, high_c, low_c)
        made.append(Weather(taken_mm, chance.gammavariate(0.7, 8.0) if wet else 0.0, high_c))
    return made


def daily_use(weather: Sequence[Weather], habits: Habits, chance: random.Random) -> Iterator[float]:
    """Iterate over the litres used on each day."""
    owed_mm = 0.0
    away = False
    for number, day in enumerate(weather):
        wanted_mm = day.evapotranspiration_mm
        if habits.outdoors:
            owed_mm = max(owed_mm + wanted_mm - day.rain_mm, -6.0)
            wanted_mm = max(owed_mm, 0.0)
            owed_mm = min(owed_mm, 0.0)
        if away:
            away = chance.random() >= 1.0 / habits.holiday_days
        else:
            away = chance.random() < habits.holidays_a_year / 365.0
        factor = habits.week[number % 7] * max(1.0 + chance.gauss(0.0, habits.can_scatter), 0.0)
        if day.highest_c >= habits.heat_from_c:
            factor *= habits.heat_factor
        yield 0.0 if away else habits.litres_per_mm * wanted_mm * factor
