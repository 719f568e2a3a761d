"""The weather day by day: from a file, from what the hub published, and from a cell; and frost. Shell.

The hub's values are accepted commands in the log, such as ``weather temperature 21.5 °C``. A day has the
lowest and the highest temperature, the means of humidity, radiation and wind, and its largest rain so far.
"""

import csv
import math
import re
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from bridge.config.plan import BridgePlan
from bridge.errors import InputError, OutOfRangeError
from bridge.guard.commands import WeatherQuantity
from bridge.history.reader import Reader
from bridge.history.records import CommandRow, Kind, Series
from bridge.history.rollup import HOUR_MS
from bridge.trays.course import Weather
from bridge.trays.seasons import Frost, frost, lowest_ahead_c

LEAST_TEMPERATURES = 4
"""Fewer values do not show a day's lowest and highest temperature."""
DAYS_BACK = 400
_W_TO_MJ = 0.0864
"""MJ/m² a day for each W/m² of the day's mean."""
_WORDS = re.compile(r"weather ([a-z]+) (-?[0-9.e+-]+) \S+")
_BY_WORD = {quantity.word: quantity for quantity in WeatherQuantity}


def zone_of(plan: BridgePlan) -> tzinfo | None:
    """Return the zone of the garden; None for that of the machine."""
    return None if plan.display.zone is None else ZoneInfo(plan.display.zone)


def day_of(utc_ms: int, zone: tzinfo | None) -> date:
    """Return the local day of a moment."""
    return datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(zone).date()


def start_ms(day: date, zone: tzinfo | None) -> int:
    """Return the start of a local day."""
    naive = datetime.combine(day, time())
    return int((naive.astimezone() if zone is None else naive.replace(tzinfo=zone)).timestamp() * 1000)


_REQUIRED = ("date", "highest_c", "lowest_c")
_OPTIONAL = ("rain_mm", "humidity_percent", "solar_mj_m2", "wind_m_s")


def read_weather(path: Path) -> dict[date, Weather]:
    """Read the days of a weather file.

    Raises:
        InputError: The file cannot be read, a column is missing, or a row is wrong.
    """
    days: dict[date, Weather] = {}
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = csv.DictReader(file, skipinitialspace=True)
            missing = [name for name in _REQUIRED if name not in (rows.fieldnames or ())]
            if missing:
                raise InputError(
                    f"{path}: the column {missing[0]} is missing; the first line names the columns "
                    f"{', '.join(_REQUIRED)}, and {', '.join(_OPTIONAL)} if they are known"
                )
            for row in rows:
                place = f"{path}, line {rows.line_num}"
                days[_day(place, row["date"])] = _weather(place, row)
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}; give a CSV file.") from None
    except (UnicodeDecodeError, csv.Error):
        raise InputError(f"{path} is not a CSV file in UTF-8.") from None
    return days


def _day(place: str, text: str | None) -> date:
    try:
        return date.fromisoformat((text or "").strip())
    except ValueError:
        raise InputError(f"{place}: {text!r} is not a date; write it as 2026-07-01") from None


def _weather(place: str, row: Mapping[str, str | None]) -> Weather:
    values: dict[str, float] = {}
    for name in (*_REQUIRED[1:], *_OPTIONAL):
        text = (row.get(name) or "").strip()
        if not text:
            continue
        try:
            values[name] = float(text)
        except ValueError:
            values[name] = math.nan
        if not math.isfinite(values[name]):
            raise InputError(f"{place}: {name} is {text!r}; it must be a number with a decimal point")
    try:
        return Weather(**values)
    except OutOfRangeError as error:
        raise InputError(f"{place}: {error}") from None


def from_hub(reader: Reader, zone: tzinfo | None, today: date) -> dict[date, Weather]:
    """Return the days of which the hub published enough.

    Args:
        reader: The open log.
        zone: The zone of the garden; None for that of the machine.
        today: The last day.
    """
    found: dict[date, dict[WeatherQuantity, list[float]]] = {}
    first_ms = start_ms(today - timedelta(days=DAYS_BACK), zone)
    for row in reader.events(first_ms, reader.span_ms()[1] + 1, kinds=(Kind.COMMAND,)):
        if not isinstance(row, CommandRow) or not row.accepted:
            continue
        words = _WORDS.fullmatch(row.what)
        if words is None or words[1] not in _BY_WORD:
            continue
        day = day_of(row.stamp.utc_ms, zone)
        if day <= today:
            found.setdefault(day, {}).setdefault(_BY_WORD[words[1]], []).append(float(words[2]))
    return {day: weather for day, values in found.items() if (weather := _of_day(values)) is not None}


def _of_day(values: Mapping[WeatherQuantity, list[float]]) -> Weather | None:
    temperatures = values.get(WeatherQuantity.TEMPERATURE, [])
    rain_mm = max(values.get(WeatherQuantity.RAIN, [0.0]))
    if len(temperatures) < LEAST_TEMPERATURES:
        return Weather(rain_mm=rain_mm) if WeatherQuantity.RAIN in values else None

    def mean(quantity: WeatherQuantity) -> float | None:
        given = values.get(quantity)
        return None if not given else math.fsum(given) / len(given)

    radiation, humidity = mean(WeatherQuantity.RADIATION), mean(WeatherQuantity.HUMIDITY)
    return Weather(
        max(temperatures),
        min(temperatures),
        rain_mm,
        humidity or None,
        None if radiation is None else min(radiation * _W_TO_MJ, 50.0),
        mean(WeatherQuantity.WIND),
    )


LEAST_HOURS = 12
"""A day with fewer hours of readings does not show its lowest and highest temperature."""


def days_measured(
    reader: Reader, reservoir: str, zone: tzinfo | None, today: date, days: int
) -> dict[date, Weather]:
    """Return the lowest and highest temperature of each of the last days that was measured enough.

    Args:
        reader: The open log.
        reservoir: The reservoir whose cell stands in the temperature of the air.
        zone: The zone of the garden; None for that of the machine.
        today: The last day.
        days: The number of days before it.
    """
    if reservoir not in reader.reservoirs():
        return {}
    start, end = start_ms(today - timedelta(days=days), zone), start_ms(today + timedelta(days=1), zone)
    hours: dict[date, list[tuple[float, float]]] = {}
    for bucket in reader.buckets(reservoir, HOUR_MS, start, end):
        cell = bucket.cells[Series.TEMPERATURE]
        if cell is not None:
            hours.setdefault(day_of(bucket.start_ms, zone), []).append((cell.least, cell.greatest))
    return {
        day: Weather(max(high for _, high in cells), min(low for low, _ in cells))
        for day, cells in hours.items()
        if len(cells) >= LEAST_HOURS
    }


def lowest_air_c(weather: Mapping[date, Weather], today: date) -> float | None:
    """Return the lowest temperature of today, and of tomorrow if a file has its forecast."""
    known = [weather[day].lowest_c for day in (today, today + timedelta(days=1)) if day in weather]
    return min((celsius for celsius in known if celsius is not None), default=None)


def frost_of(reader: Reader, reservoir: str, zone: tzinfo | None, today: date, air_c: float | None) -> Frost:
    """Return the danger of frost at a reservoir.

    Args:
        reader: The open log.
        reservoir: The reservoir.
        zone: The zone of the garden; None for that of the machine.
        today: The present day.
        air_c: The lowest temperature of the air, see :func:`lowest_air_c`; None if it is not known.
    """
    if reservoir not in reader.reservoirs():
        return frost(air_c, None)
    start, end = start_ms(today - timedelta(days=1), zone), start_ms(today + timedelta(days=1), zone)
    cells = {
        bucket.start_ms: cell
        for bucket in reader.buckets(reservoir, HOUR_MS, start, end)
        if (cell := bucket.cells[Series.TEMPERATURE]) is not None
    }
    if not cells:
        return frost(air_c, None)
    newest_ms = max(cells)
    ahead_c = lowest_ahead_c({(newest_ms - at_ms) // HOUR_MS: cell.mean for at_ms, cell in cells.items()})
    of_today = [cell.least for at_ms, cell in cells.items() if day_of(at_ms, zone) == today]
    return frost(air_c, min(of_today, default=None), ahead_c)
