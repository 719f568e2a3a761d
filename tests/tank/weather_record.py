"""A published daily weather record, and the use of gardens that follow it, to judge forecasts.

Seattle, 2012 to 2015: the file ``seattle-weather.csv`` of the package vega_datasets (MIT), which its makers
took from the daily summaries of the National Oceanic and Atmospheric Administration, a work of the United
States government without copyright (the origin from memory). No part of the forecast was chosen with it.
"""

import csv
import random
from datetime import date
from importlib.resources import files

from bridge.simulate.weather import Habits, Weather, daily_use
from bridge.tank.evapotranspiration import DayOfWeather, Site, penman_monteith_mm

SEATTLE = Site(47.6, 50.0)
GARDENS = {
    "under cover": Habits(can_scatter=0.0),
    "under cover, by hand": Habits(),
    "outdoors": Habits(outdoors=True, can_scatter=0.0),
    "outdoors, by hand": Habits(outdoors=True),
    "weekends": Habits(week=(0.5, 0.5, 0.5, 0.5, 1.0, 2.0, 2.0)),
    "school": Habits(week=(1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0)),
    "holidays": Habits(holidays_a_year=4.0),
    "heat": Habits(heat_factor=1.5),
}


def seattle() -> list[tuple[date, Weather]]:
    """Return every day of the record with its reference evapotranspiration by Penman-Monteith."""
    text = (files("vega_datasets") / "_data" / "seattle-weather.csv").read_text()
    record = []
    for row in csv.DictReader(text.splitlines()):
        day = date.fromisoformat(row["date"].replace("/", "-"))
        high_c, low_c = float(row["temp_max"]), float(row["temp_min"])
        weather = DayOfWeather(day.timetuple().tm_yday, high_c, low_c, wind_m_s=float(row["wind"]))
        taken_mm = penman_monteith_mm(SEATTLE, weather)
        record.append((day, Weather(taken_mm, float(row["precipitation"]), high_c)))
    return record


def use_at_seattle(garden: str, seed: int) -> tuple[date, list[float]]:
    """Return the first day and the daily use of a garden from some day of the first year on."""
    chance = random.Random(f"{garden}/{seed}")
    record = seattle()[chance.randrange(360) :]
    return record[0][0], list(daily_use([weather for _, weather in record], GARDENS[garden], chance))
