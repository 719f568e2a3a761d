"""The days of a scenario: air, mains water, feed, rain, evaporation and draw-offs. Core.

Air, mains water, feed and rain are pure functions of seed and time. No function integrates, so the world can
evaluate any moment in any order. The random values of a day depend on the seed and on the number of the day
alone, so a day is the same in every run with that seed.
"""

import math
import random
from dataclasses import dataclass

from bridge.rig.scenario import DAY_S, YEAR_DAYS, Climate, Feed, Watering

_WARMEST_SECOND = 15 * 3600.0
_MAINS_LAG_DAYS = 30.0


@dataclass(frozen=True, slots=True)
class Day:
    """The random values of one day."""

    number: int
    """Days since the world's time 0."""
    offset_c: float
    """Air temperature at the start of the day less that of the season, K."""
    next_offset_c: float
    """The same at its end."""
    rain_start_s: float
    """World time; equal to ``rain_end_s`` on a dry day."""
    rain_end_s: float
    rain_mm: float
    dust: float
    """What dust brings, in standard deviations; 0 on half of the days."""

    def rain_mm_s(self, time_s: float) -> float:
        """Return the rain at a moment of this day, mm/s."""
        if self.rain_start_s <= time_s < self.rain_end_s:
            return self.rain_mm / (self.rain_end_s - self.rain_start_s)
        return 0.0


def day(climate: Climate, seed: int, number: int) -> Day:
    """Draw the random values of day ``number`` (0 is the first) with this seed."""
    chance = random.Random(f"{seed}/day/{number}")
    offset_c = chance.gauss(0.0, climate.air_weather_c)
    start_s = number * DAY_S
    rain_start_s = rain_end_s = start_s
    rain_mm = 0.0
    if chance.random() < climate.rainy_days_fraction:
        rain_mm = chance.expovariate(1.0 / climate.rain_mm_on_rainy_day)
        rain_start_s = start_s + chance.uniform(0.0, 18.0) * 3600.0
        rain_end_s = rain_start_s + chance.uniform(0.5, 5.0) * 3600.0
    next_offset_c = random.Random(f"{seed}/day/{number + 1}").gauss(0.0, climate.air_weather_c)
    dust = max(random.Random(f"{seed}/dust/{number}").gauss(0.0, 1.0), 0.0)
    return Day(number, offset_c, next_offset_c, rain_start_s, rain_end_s, rain_mm, dust)


def season(climate: Climate, day_of_year: float) -> float:
    """Return the season, from -1 (coldest) to 1 (warmest)."""
    return math.cos(2.0 * math.pi * (day_of_year - climate.warmest_day) / YEAR_DAYS)


def air_c(climate: Climate, today: Day, start_day: int, time_s: float) -> float:
    """Return the air temperature in the tunnel, °C. A frost heater keeps it at 2 °C or more."""
    days = time_s / DAY_S
    through = days - today.number
    weather_c = today.offset_c + (today.next_offset_c - today.offset_c) * through
    phase = 2.0 * math.pi * (time_s % DAY_S - _WARMEST_SECOND) / DAY_S
    return max(
        2.0,
        climate.air_mean_c
        + climate.air_year_amplitude_c * season(climate, start_day + days)
        + climate.air_day_amplitude_c * math.cos(phase)
        + weather_c,
    )


def mains_c(climate: Climate, start_day: int, time_s: float) -> float:
    """Return the temperature of the mains water, °C: the ground follows the year about a month late."""
    day_of_year = start_day + time_s / DAY_S - _MAINS_LAG_DAYS
    return climate.mains_mean_c + climate.mains_year_amplitude_c * season(climate, day_of_year)


def feed_ppm(feed: Feed, climate: Climate, start_day: int, time_s: float) -> float:
    """Return the dissolved solids of the tap water, ppm: more in winter, and a little more each night."""
    return (
        feed.mean_ppm
        - feed.year_amplitude_ppm * season(climate, start_day + time_s / DAY_S)
        + feed.day_amplitude_ppm * math.cos(2.0 * math.pi * time_s / DAY_S)
    )


def evaporation_l_s(climate: Climate, surface_m2: float, temperature_c: float) -> float:
    """Return the evaporation from an open surface, L/s; it doubles every 10 K (1 mm on 1 m² is 1 L)."""
    return climate.evaporation_mm_day_at_20_c * surface_m2 * math.exp2((temperature_c - 20.0) / 10.0) / DAY_S


@dataclass(frozen=True, slots=True)
class Draw:
    """One draw-off at a steady flow."""

    start_s: float
    end_s: float
    flow_l_s: float


def draws_of_day(waterings: tuple[Watering, ...], number: int, season: float) -> tuple[Draw, ...]:
    """Return the waterings of day ``number``, with litres between winter (season -1) and summer (1)."""
    warmth = 0.5 * (1.0 + season)
    draws: list[Draw] = []
    for watering in waterings:
        litres = watering.winter_l + (watering.summer_l - watering.winter_l) * warmth
        if litres > 0.0:
            start_s = number * DAY_S + watering.hour * 3600.0
            flow_l_s = watering.flow_l_min / 60.0
            draws.append(Draw(start_s, start_s + litres / flow_l_s, flow_l_s))
    return tuple(draws)


class DrawPlan:
    """The draw-offs that are running or planned; mutable."""

    def __init__(self) -> None:
        """Start without draw-offs."""
        self._draws: list[Draw] = []

    def add(self, *draws: Draw) -> None:
        """Plan draw-offs; the flows of those that overlap add up."""
        self._draws.extend(draws)

    def flow_l_s(self, time_s: float) -> float:
        """Return the flow from ``time_s`` until the next change, L/s; drop draw-offs that have ended."""
        if not self._draws:
            return 0.0
        self._draws = [draw for draw in self._draws if draw.end_s > time_s]
        return sum(draw.flow_l_s for draw in self._draws if draw.start_s <= time_s)

    def next_change_s(self, time_s: float) -> float:
        """Return the first time after ``time_s`` at which the flow changes; infinite if none is planned."""
        moments = [moment for draw in self._draws for moment in (draw.start_s, draw.end_s) if moment > time_s]
        return min(moments, default=float("inf"))
