"""When something that is entered later was so: ISO 8601, in people's own time zone where no offset stands.

Options whose value may carry its unit: ``--litres "1 us-gal"``, ``--temperature "54 F"``.

A bare number counts in the unit that the option names, whatever the configuration shows, so that a line means
the same to everybody.
"""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

import click

from bridge import units
from bridge.errors import InputError

_WRITTEN = re.compile(r"(\S*[0-9.])\s*([a-z°µ\u03bc].*)")
_VOLUMES = ("L", "mL", "m3", "us-gal", "ft3")
_TEMPERATURES = ("C", "F", "°C", "°F")
_CONCENTRATIONS = ("ppm", "mg/L", "gpg")
_CONDUCTIVITIES = ("uS/cm", "µS/cm", "\u03bcS/cm")
"""The micro sign and the Greek letter look the same, and keyboards have either."""


@dataclass(frozen=True, slots=True)
class Solids:
    """Dissolved solids as they were typed: in ppm, or as the conductivity behind them."""

    number: float
    is_us_cm: bool = False

    def ppm(self, factor: float) -> float:
        """On the scale ``factor``, ppm for each µS/cm at 25 °C."""
        return self.number * factor if self.is_us_cm else self.number


def in_litres(low: float = 0.0, high: float = math.inf, *, above: bool = True) -> Callable[[str], float]:
    """Reads a volume.

    :param low: the least, in litres; with ``above`` the volume must be more than that.
    """

    def read(text: str) -> float:
        number, unit = _written(text, "volume", _VOLUMES)
        return _in_range(number * units.litres(1.0, unit), low, high, above)

    return read


def in_celsius() -> Callable[[str], float]:
    """Reads a temperature; one that no water has is refused where it is used."""

    def read(text: str) -> float:
        number, unit = _written(text, "temperature", _TEMPERATURES)
        return (number - 32.0) / 1.8 if unit.endswith("F") else number

    return read


def as_solids(high: float = math.inf, *, above: bool = False) -> Callable[[str], Solids]:
    """Reads dissolved solids, from 0 or above it to ``high`` in whatever unit."""

    def read(text: str) -> Solids:
        number, unit = _written(text, "concentration", (*_CONCENTRATIONS, *_CONDUCTIVITIES))
        number = _in_range(number, 0.0, high, above)
        if unit in _CONDUCTIVITIES:
            return Solids(number, is_us_cm=True)
        return Solids(units.ppm(number, unit))

    return read


def _written(text: str, what: str, known: tuple[str, ...]) -> tuple[float, str]:
    """The number and its unit, which is the first of those known where none was written.

    :raises click.BadParameter: there are no such two.
    """
    written = None
    try:
        number = float(text)
    except ValueError:
        written = _WRITTEN.fullmatch(text.strip().lower())
        number = math.nan if written is None else _number(written[1])
    if not math.isfinite(number):
        raise click.BadParameter(f"{text!r} must be a number, or one with a unit, such as '10 {known[0]}'.")
    if written is None:
        return number, known[0]
    wanted = "-".join(written[2].split())
    unit = next((one for one in known if one.lower() == wanted), None)
    if unit is None:
        raise click.BadParameter(f"{text!r}: the unit of a {what} must be one of {', '.join(known)}.")
    return number, unit


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _in_range(number: float, low: float, high: float, above: bool) -> float:
    most = None if high == math.inf else high
    checked: float = click.FloatRange(low, most, min_open=above).convert(number, None, None)
    return checked


_FIRST_YEAR, _LAST_YEAR = 1971, 9998
"""So that no offset leads out of the years that a computer can count."""
_FORM = "give day and time, such as 2026-07-04T08:00 or 2026-07-04T08:00+02:00"


def moment_ms(text: str, zone: str | None, now_ms: int) -> int:
    """The moment in UTC milliseconds.

    :param text: ISO 8601, with or without an offset.
    :param zone: the IANA time zone of a text without one; None for this machine's own.
    :param now_ms: nothing later than this is taken.
    :raises InputError: it is none, lies in the future or before 1971, or the clocks of that zone skip it or
        show it twice.
    """
    try:
        written = datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(f"--at {text}: that is no time; {_FORM}") from None
    if not any(sign in text.strip() for sign in "T :"):
        raise InputError(f"--at {text}: that is a whole day; {_FORM}")
    if not _FIRST_YEAR <= written.year <= _LAST_YEAR:
        raise InputError(f"--at {text}: the year {written.year} is none of ours; {_FORM}")
    if written.tzinfo is None:
        written = _local(text, written, None if zone is None else ZoneInfo(zone))
    utc_ms = round(written.timestamp() * 1000)
    if utc_ms > now_ms:
        now = datetime.fromtimestamp(now_ms // 1000, UTC).astimezone(written.tzinfo)
        raise InputError(f"--at {text}: that is in the future; it is {now.isoformat()} now")
    return utc_ms


def _local(text: str, naive: datetime, zone: tzinfo | None) -> datetime:
    """The same with its offset, which there must be exactly one of."""
    first, second = (_of_zone(naive.replace(fold=fold), zone) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return first
    # Where the clock is set forward, the wall time that was asked for is not what comes back.
    exists = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) == naive
    why = "comes twice on the day that the clock is set back" if exists else "is skipped by the clock"
    raise InputError(f"--at {text}: this time {why}; give its offset too, such as 2026-10-25T02:30+02:00")


def _of_zone(naive: datetime, zone: tzinfo | None) -> datetime:
    return naive.astimezone() if zone is None else naive.replace(tzinfo=zone)
