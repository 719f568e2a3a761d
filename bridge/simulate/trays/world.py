"""The world of a garden of trays: what water and solids truly do, hour by hour.

It is built by other means than the estimates that it judges. A tray has two bodies of water, the free water
and that in the pots, which exchange their solids in days; the estimate has one. The air takes water by the
equation of Priestley and Taylor (Mon. Weather Rev. 100 (1972) 81) from radiation under clouds (Kasten and
Czeplak, Solar Energy 24 (1980) 177; both constants from memory), the estimate uses the temperatures alone.
Each tray has hidden factors: its shade, its draught, the growth of its plants. All numbers of the garden are
invented.
"""

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from bridge.tank.evapotranspiration import (
    daylight_hours,
    extraterrestrial_mj_m2,
    psychrometric_kpa_c,
    slope_kpa_c,
)
from bridge.trays.tray import TrayPlan

LATITUDE_DEG = 47.6
EXCHANGE_DAYS = 1.5
"""Time constant of the exchange of solids between the pots and the free water."""
RAIN_PPM = 4.0
POT_M2 = 0.01
"""The area of a pot of 11 cm."""


@dataclass(frozen=True, slots=True)
class TrueDay:
    """The weather of a day."""

    day: date
    highest_c: float
    lowest_c: float
    rain_mm: float
    clouds: float
    """From 0 for a clear sky to 1."""


def drawn_weather(first: date, days: int, seed: int) -> list[TrueDay]:
    """Draw the weather of a temperate place with dry summers: the season, and spells of warmth and rain."""
    rng = random.Random(f"{seed} weather")
    made = []
    spell = clouds = 0.0
    for number in range(days):
        day = first + timedelta(days=number)
        season = -math.cos(2.0 * math.pi * (day.timetuple().tm_yday - 20) / 365.0)
        spell = 0.75 * spell + rng.gauss(0.0, 2.0)
        clouds = 0.6 * clouds + rng.gauss(0.0, 0.8)
        share = min(max(0.55 - 0.2 * season + 0.3 * clouds, 0.0), 1.0)
        wet = share > 0.75 and rng.random() < 0.65
        width = 4.0 + (6.0 + 3.0 * season) * (1.0 - share) + abs(rng.gauss(0.0, 1.0))
        middle = 12.0 + 8.0 * season + spell
        rain_mm = rng.expovariate(1.0 / 6.0) if wet else 0.0
        made.append(TrueDay(day, middle + 0.5 * width, middle - 0.5 * width, rain_mm, share))
    return made


def hourly_mm(weather: TrueDay) -> list[float]:
    """Return the evaporation of an open surface in each hour of a day, mm."""
    number = weather.day.timetuple().tm_yday
    above = extraterrestrial_mj_m2(LATITUDE_DEG, number)
    ground = 0.72 * above * (1.0 - 0.75 * weather.clouds**3.4)
    daylight_h = daylight_hours(LATITUDE_DEG, number)
    shape = [
        max(math.sin(math.pi * (hour + 0.5 - 12.0 + 0.5 * daylight_h) / daylight_h), 0.0)
        for hour in range(24)
    ]
    shape = [value if abs(hour + 0.5 - 12.0) < 0.5 * daylight_h else 0.0 for hour, value in enumerate(shape)]
    total = sum(shape) or 1.0
    # The sky takes about 6 MJ/m² in a clear day and night; 23 % of the light are reflected (FAO-56).
    net = max(0.77 * ground - 6.0 * (1.0 - 0.8 * weather.clouds), 0.0)
    middle = 0.5 * (weather.highest_c + weather.lowest_c)
    half = 0.5 * (weather.highest_c - weather.lowest_c)
    made = []
    for hour, part in enumerate(shape):
        slope = slope_kpa_c(middle - half * math.cos(2.0 * math.pi * (hour - 3.0) / 24.0))
        made.append(1.26 * slope / (slope + psychrometric_kpa_c(0.0)) * net * part / total / 2.45)
    return made


@dataclass(slots=True)
class Body:
    """Water in litres and solids in milligrams."""

    litres: float
    mg: float

    @property
    def ppm(self) -> float:
        """Dissolved solids in mg/L."""
        return self.mg / self.litres if self.litres > 1e-6 else 0.0

    def take(self, litres: float) -> float:
        """Take water with its solids out, and return the milligrams."""
        share = min(litres / self.litres, 1.0) if self.litres > 0.0 else 0.0
        mg = share * self.mg
        self.litres -= share * self.litres
        self.mg -= mg
        return mg


class TrueTray:
    """One tray of the world.

    Args:
        plan: Its table, as a grower measured it.
        seed: The seed of its hidden factors.
        ppm: The concentration of its water at first.
    """

    def __init__(self, plan: TrayPlan, seed: int, ppm: float) -> None:
        rng = random.Random(f"{seed} {plan.ident}")
        self.plan = plan
        self.exposure = math.exp(rng.gauss(-0.3 if plan.covered else 0.0, 0.25))
        self.growth = math.exp(rng.gauss(0.0, 0.3))
        self.area_m2 = plan.area_m2 * math.exp(rng.gauss(0.0, 0.03))
        self.pots_l = plan.held_l * math.exp(rng.gauss(0.0, 0.2))
        litres = self.area_m2 * plan.mark_mm(3)
        self.free = Body(litres, litres * ppm)
        self.pots = Body(self.pots_l, self.pots_l * ppm)
        self.pots_m2 = min(plan.pots * POT_M2, 0.7 * self.area_m2)
        self.is_plugged = False
        """Whether the drain of a drained tray is closed."""

    @property
    def spill_l(self) -> float:
        """The volume of free water above which the mixture runs off."""
        drains = self.plan.drained and not self.is_plugged
        return self.area_m2 * (self.plan.kept_mm if drains else self.plan.rim_mm)

    @property
    def depth_mm(self) -> float:
        """The depth of the free water."""
        return self.free.litres / self.area_m2

    @property
    def is_dry(self) -> bool:
        """Whether less than half a millimetre stands in it."""
        return self.depth_mm < 0.5

    @property
    def ppm(self) -> float:
        """Dissolved solids of the free water, or of that in the pots if it is dry."""
        return self.pots.ppm if self.is_dry else self.free.ppm

    def live(self, weather: TrueDay, shade: float, *, rain: bool = True) -> None:
        """Let a day pass.

        Args:
            weather: Its weather.
            shade: A factor of this day alone.
            rain: False leaves the rain out.
        """
        phase = (weather.day.timetuple().tm_yday - 80) / 200.0
        leaves = 0.4 + 0.9 * math.sin(math.pi * phase) if 0.0 < phase < 1.0 else 0.3
        rain_mm = 0.0 if self.plan.covered or not rain else weather.rain_mm
        for hour, mm in enumerate(hourly_mm(weather)):
            air_mm = mm * self.exposure * shade
            surface_l = air_mm * (self.area_m2 - self.pots_m2)
            drawn_l = air_mm * (self.pots_m2 + self.plan.pots * 0.006 * self.growth * leaves)
            self.free.litres -= min(surface_l, 0.999 * self.free.litres)
            self.pots.litres -= min(drawn_l, 0.9 * self.pots.litres)
            if rain_mm and 6 <= hour < 18:
                self._rain(rain_mm / 12.0)
            self._soak()
            self._exchange(1.0 / 24.0)
            if self.free.litres > self.spill_l:
                self.free.take(self.free.litres - self.spill_l)

    def _rain(self, mm: float) -> None:
        for body, area_m2 in ((self.free, self.area_m2 - self.pots_m2), (self.pots, self.pots_m2)):
            body.litres += mm * area_m2
            body.mg += mm * area_m2 * RAIN_PPM
        over_l = self.pots.litres - self.pots_l
        if over_l > 0.0:
            self.free.mg += self.pots.take(over_l)
            self.free.litres += over_l

    def _soak(self) -> None:
        want_l = min(self.pots_l - self.pots.litres, 0.999 * self.free.litres)
        if want_l > 0.0:
            self.pots.mg += self.free.take(want_l)
            self.pots.litres += want_l

    def _exchange(self, days: float) -> None:
        if self.free.litres < 1e-3 or self.pots.litres < 1e-3:
            return
        both_l = self.free.litres * self.pots.litres / (self.free.litres + self.pots.litres)
        moved = (self.pots.ppm - self.free.ppm) * both_l * -math.expm1(-days / EXCHANGE_DAYS)
        self.free.mg += moved
        self.pots.mg -= moved

    def pour(self, litres: float, ppm: float) -> None:
        """Pour water in while the mixture runs off above the spill level."""
        steps = 50
        for _ in range(steps):
            self.free.litres += litres / steps
            self.free.mg += ppm * litres / steps
            if self.free.litres > self.spill_l:
                self.free.take(self.free.litres - self.spill_l)

    def exchange(self, litres: float, ppm: float) -> float:
        """Tip water out and replace it; return the litres that were there to tip."""
        tipped = min(litres, self.free.litres)
        self.free.take(tipped)
        self.pour(tipped, ppm)
        return tipped

    def needed_l(self, depth_mm: float) -> float:
        """Return the litres up to a depth."""
        return max(self.area_m2 * depth_mm - self.free.litres, 0.0)


BENCHES = (
    TrayPlan(
        "south",
        "South bench, under glass",
        0.9,
        30.0,
        70.0,
        "barrel",
        24,
        covered=True,
        dormant_months=(11, 12, 1, 2),
    ),
    TrayPlan(
        "north",
        "North bench, under glass",
        0.7,
        35.0,
        70.0,
        "barrel",
        16,
        covered=True,
        dormant_months=(11, 12, 1, 2),
    ),
    TrayPlan("bog", "Bog trough in the open", 1.2, 40.0, 80.0, "barrel", 20, dormant_months=(11, 12, 1, 2)),
    TrayPlan(
        "drained",
        "Drained bench in the open",
        0.8,
        30.0,
        60.0,
        "barrel",
        20,
        drained=True,
        dormant_months=(11, 12, 1, 2),
    ),
)
"""Invented: four benches, two under cover, one drained."""


def shades(seed: int, days: int, benches: Sequence[TrayPlan] = BENCHES) -> list[list[float]]:
    """Draw the factor of each day for each bench: draughts, opened vents, passing shade."""
    rng = random.Random(f"{seed} shade")
    return [[math.exp(rng.gauss(0.0, 0.12)) for _ in benches] for _ in range(days)]
