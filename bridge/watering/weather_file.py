"""The file of the weather, day by day. Shell."""

import csv
import math
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from bridge.errors import InputError, OutOfRangeError
from bridge.trays.course import Weather

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
