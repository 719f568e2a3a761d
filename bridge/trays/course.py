"""The course of a tray from its entries and the weather to its estimate today, and its usual days to come.

The draw-off follows the reference evapotranspiration of the day (FAO-56), by the best equation for what was
measured: Penman-Monteith with radiation, humidity and wind, Hargreaves with the day's two temperatures. A day
without weather counts as a usual one: the learned share of the radiation above the atmosphere, which falls
and rises with the season. So the forecast goes on without any weather, from what it learned.

What people enter on a day happens in its morning, before the day's draw-off.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from bridge.errors import OutOfRangeError
from bridge.tank.evapotranspiration import (
    MM_PER_MJ_M2,
    DayOfWeather,
    Site,
    extraterrestrial_mj_m2,
    hargreaves_mm,
    mean_saturation_kpa,
    penman_monteith_mm,
)
from bridge.tank.use import RunningMean
from bridge.trays.outlook import Fed
from bridge.trays.tray import (
    Tray,
    TrayPlan,
    after_day,
    after_exchange,
    after_filling,
    after_giving,
    after_sample,
    begin,
)

USUAL_SHARE = 0.3
"""The usual ratio of the reference evapotranspiration to the water that the radiation above the atmosphere
could evaporate, before any weather is known: Hargreaves at 15 °C with a range of 8 K gives 0.21, at 25 °C
with 12 K 0.34 (computed)."""
WITHOUT_LATITUDE_MM = 3.0
"""The usual reference evapotranspiration of a day if not even the latitude is known (common practice, no
source)."""
HALF_LIFE_DAYS = 10.0
UNSEEN_DAY = 0.35
"""Relative uncertainty of the draw-off of a day without weather (common practice, no source)."""
DAYS_TO_COME = 28


@dataclass(frozen=True, slots=True)
class Weather:
    """The weather of a day, as far as it was measured.

    Raises:
        OutOfRangeError: If a value is outside its range.
    """

    highest_c: float | None = None
    lowest_c: float | None = None
    rain_mm: float = 0.0
    humidity_percent: float | None = None
    """The mean of the day."""
    solar_mj_m2: float | None = None
    wind_m_s: float | None = None

    def __post_init__(self) -> None:
        highest_c, lowest_c = self.highest_c, self.lowest_c
        if highest_c is not None and lowest_c is not None and not -60.0 <= lowest_c <= highest_c <= 60.0:
            raise OutOfRangeError(
                f"Weather: the temperatures are {lowest_c:g} to {highest_c:g} °C; give the lowest and the "
                "highest of the day, from -60 to 60 °C."
            )
        if not 0.0 <= self.rain_mm < 2000.0:
            raise OutOfRangeError(f"Weather: {self.rain_mm:g} mm of rain in a day; give 0 to 2000.")
        if self.humidity_percent is not None and not 0.0 < self.humidity_percent <= 100.0:
            raise OutOfRangeError(
                f"Weather: a humidity of {self.humidity_percent:g} %; give more than 0 and at most 100."
            )
        if self.solar_mj_m2 is not None and not 0.0 <= self.solar_mj_m2 <= 50.0:
            raise OutOfRangeError(f"Weather: {self.solar_mj_m2:g} MJ/m² of radiation in a day; give 0 to 50.")


def reference_mm(site: Site | None, day: date, weather: Weather | None) -> float | None:
    """Return the reference evapotranspiration of a day by the best equation for what was measured.

    None: the latitude or the temperatures are not known.
    """
    if site is None or weather is None or weather.highest_c is None or weather.lowest_c is None:
        return None
    number = day.timetuple().tm_yday
    highest_c, lowest_c = weather.highest_c, weather.lowest_c
    humidity, wind, solar = weather.humidity_percent, weather.wind_m_s, weather.solar_mj_m2
    if humidity is None or wind is None or solar is None:
        return hargreaves_mm(site.latitude_deg, number, highest_c, lowest_c)
    vapour_kpa = mean_saturation_kpa(highest_c, lowest_c) * humidity / 100.0
    return penman_monteith_mm(site, DayOfWeather(number, highest_c, lowest_c, vapour_kpa, wind, solar))


@dataclass(frozen=True, slots=True)
class Usual:
    """The usual evapotranspiration, learned as the logarithm of a share of the day's radiation."""

    site: Site | None
    share: RunningMean = RunningMean()

    def after(self, day: date, mm: float) -> "Usual":
        """Return it with one more day."""
        value = math.log(max(mm, 0.05) / self._possible_mm(day))
        return Usual(self.site, self.share.after(value, HALF_LIFE_DAYS))

    def mm(self, day: date) -> float:
        """Return the usual evapotranspiration of a day."""
        first = 1.0 if self.site is None else USUAL_SHARE
        # The first guess counts as two days.
        weight = self.share.weight
        value = (2.0 * math.log(first) + weight * self.share.mean) / (2.0 + weight)
        # The mean of days whose logarithms scatter is above the value of their mean logarithm.
        return math.exp(value + 0.5 * self.share.variance) * self._possible_mm(day)

    def _possible_mm(self, day: date) -> float:
        if self.site is None:
            return WITHOUT_LATITUDE_MM
        number = day.timetuple().tm_yday
        return max(MM_PER_MJ_M2 * extraterrestrial_mj_m2(self.site.latitude_deg, number), 0.2)


class Act(StrEnum):
    """What a person did to a tray. The values are the words of the log."""

    GIVEN = "given"
    """So many litres were poured in."""
    FILLED = "filled"
    """So many litres were needed to fill it to its mark."""
    FLUSHED = "flushed"
    """So many litres were poured through."""
    EXCHANGED = "exchanged"
    """So many litres were tipped out and replaced."""
    SAMPLED = "sampled"
    """A sample was measured."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry about a tray."""

    day: date
    act: Act
    litres: float = 0.0
    ppm: float = 0.0
    expanded_ppm: float = 0.0
    """Expanded uncertainty (k = 2) of a sample."""


@dataclass(frozen=True, slots=True)
class Course:
    """A tray today: its estimate in the morning, after the entries of today."""

    plan: TrayPlan
    tray: Tray
    usual: Usual
    day: date
    filled: date | None = None
    """The day of the last filling or giving."""
    today: tuple[Entry, ...] = ()
    """The entries of this day."""

    def to_come(self, days: int = DAYS_TO_COME) -> list[float]:
        """Return the usual draw-off of the days from today, before the learned factor."""
        return [
            self.plan.nominal_l(self.usual.mm(one), one.month)
            for one in (self.day + timedelta(days=number) for number in range(days))
        ]


def start(plan: TrayPlan, site: Site | None, day: date, ppm: float) -> Course:
    """Return the course of a tray that nobody has written about yet.

    Args:
        plan: The tray.
        site: The place; None if the latitude is not configured.
        day: The first day.
        ppm: The concentration to begin with, usually that of the water given.
    """
    return Course(plan, begin(plan, ppm, day.month), Usual(site), day)


def entered(course: Course, entry: Entry, fed: Fed) -> Course:
    """Return the course after an entry of its day."""
    plan, tray, month = course.plan, course.tray, course.day.month
    match entry.act:
        case Act.GIVEN | Act.FLUSHED:
            after = after_giving(tray, plan, entry.litres, fed.ppm, fed.ppm_sd)
        case Act.FILLED:
            after = after_filling(tray, plan, entry.litres, fed.ppm, month, fed.ppm_sd)
        case Act.EXCHANGED:
            after = after_exchange(tray, entry.litres, fed.ppm)
        case Act.SAMPLED:
            after = after_sample(tray, entry.ppm, entry.expanded_ppm, entry.day.toordinal())
    watered = course.filled if entry.act is Act.SAMPLED else course.day
    return Course(plan, after, course.usual, course.day, watered, (*course.today, entry))


def next_day(course: Course, weather: Weather | None) -> Course:
    """Return the course in the next morning.

    Args:
        course: The course in the morning of a day, after its entries.
        weather: The weather of that day; None if it was not measured.
    """
    mm = reference_mm(course.usual.site, course.day, weather)
    usual = course.usual if mm is None else course.usual.after(course.day, mm)
    nominal_l = course.plan.nominal_l(usual.mm(course.day) if mm is None else mm, course.day.month)
    rain_mm = 0.0 if weather is None else weather.rain_mm
    noise = UNSEEN_DAY if mm is None else 0.0
    tray = after_day(course.tray, course.plan, nominal_l, rain_mm, noise=noise)
    return Course(course.plan, tray, usual, course.day + timedelta(days=1), course.filled)


def followed(
    plan: TrayPlan,
    site: Site | None,
    entries: Sequence[Entry],
    weather: Mapping[date, Weather],
    fed_on: Callable[[date], Fed],
    today: date,
) -> Course:
    """Return the course of a tray from its first entry to today.

    Args:
        plan: The tray.
        site: The place; None if the latitude is not configured.
        entries: The entries, in any order; those of the same day count in the given order.
        weather: The weather by day.
        fed_on: Returns the water given on a day.
        today: The day of the result.
    """
    by_day: dict[date, list[Entry]] = {}
    for entry in entries:
        if entry.day <= today:
            by_day.setdefault(entry.day, []).append(entry)
    first = min(by_day, default=today)
    course = start(plan, site, first, fed_on(first).ppm)
    course = Course(plan, course.tray, _usual_before(site, weather, first), first)
    while True:
        for entry in by_day.get(course.day, ()):
            course = entered(course, entry, fed_on(course.day))
        if course.day >= today:
            return course
        course = next_day(course, weather.get(course.day))


def _usual_before(site: Site | None, weather: Mapping[date, Weather], first: date) -> Usual:
    usual = Usual(site)
    earlier: Iterable[date] = sorted(day for day in weather if day < first)[-DAYS_TO_COME:]
    for day in earlier:
        mm = reference_mm(site, day, weather[day])
        usual = usual if mm is None else usual.after(day, mm)
    return usual
