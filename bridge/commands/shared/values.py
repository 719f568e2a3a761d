"""Values that people type: quantities with their unit (``--litres "1 us-gal"``), times and ranges of time.

A number without a unit counts in the unit that the option names, whatever units the configuration shows, so
that one command line means the same to everybody. The times of a range are UTC, as in the log and its
exports, unless an offset is given.
"""

import math
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import click

from bridge.errors import InputError, OutOfRangeError
from bridge.units import CONCENTRATION, CONDUCTIVITY, FAHRENHEIT, TEMPERATURE, VOLUME, Dimension

T = TypeVar("T")
F = TypeVar("F", bound=Callable[..., Any])

_SOLIDS = Dimension("concentration or conductivity", (*CONCENTRATION.units, *CONDUCTIVITY.units))


@dataclass(frozen=True, slots=True)
class Solids:
    """Dissolved solids as a person gave them: in ppm, or as the conductivity behind them."""

    number: float
    is_us_cm: bool = False

    def ppm(self, factor: float) -> float:
        """Convert to ppm on the scale ``factor``, ppm for each µS/cm at 25 °C."""
        return self.number * factor if self.is_us_cm else self.number


class BareCelsius(float):
    """A temperature that a person typed without a unit."""


@contextmanager
def typed_values() -> Iterator[None]:
    """Turn a quantity out of range into the mistake of the person who typed it. Also works as a decorator.

    A temperature without a unit that would be a usual one in °F gets a question about that.

    Raises:
        InputError: A quantity is out of range.
    """
    try:
        yield
    except OutOfRangeError as error:
        raise InputError(f"{error}{_perhaps_fahrenheit(str(error))}") from error


def _perhaps_fahrenheit(sentence: str) -> str:
    context = click.get_current_context(silent=True)
    for value in () if context is None else context.params.values():
        for one in value if isinstance(value, tuple) else (value,):
            if isinstance(one, BareCelsius) and "°C" in sentence and 0.0 < FAHRENHEIT.to_base(one) < 45.0:
                return f"; did you mean Fahrenheit? Then write '{one:g} F'"
    return ""


def in_litres(low: float = 0.0, high: float = math.inf, *, above: bool = True) -> Callable[[str], float]:
    """Make a parser for the volume of an option.

    Args:
        low: The least volume in litres.
        high: The greatest volume in litres.
        above: Whether the volume must be more than ``low``.
    """

    def parse(text: str) -> float:
        return _in_range(_option(lambda: VOLUME.read(text)), low, high, above)

    return parse


def in_celsius() -> Callable[[str], float]:
    """Make a parser for the temperature of an option; whoever uses it checks whether water can have it."""

    def parse(text: str) -> float:
        number, unit = _option(lambda: TEMPERATURE.parse(text))
        has_unit = any(letter.isalpha() for letter in text)
        return unit.to_base(number) if has_unit else BareCelsius(number)

    return parse


def in_base(dimension: Dimension) -> Callable[[str], float]:
    """Make a parser for a quantity of an option, in the base unit of its dimension."""
    return lambda text: _option(lambda: dimension.read(text))


def as_solids(high: float = math.inf, *, above: bool = False) -> Callable[[str], Solids]:
    """Make a parser for the dissolved solids of an option.

    Args:
        high: The greatest number, in whatever unit it is given.
        above: Whether the number must be more than 0.
    """

    def parse(text: str) -> Solids:
        number, unit = _option(lambda: _SOLIDS.parse(text))
        number = _in_range(number, 0.0, high, above)
        return Solids(unit.to_base(number), is_us_cm=unit in CONDUCTIVITY.units)

    return parse


def renamed_option(old: str, new: str) -> Callable[[F], F]:
    """Make a hidden option that refuses an old name and gives the new one."""

    def refuse(context: click.Context, parameter: click.Parameter, value: str | None) -> None:
        if value is not None:
            raise InputError(f"{old} is now called {new}; use that name")

    return click.option(old, hidden=True, expose_value=False, callback=refuse)


def _option(parse: Callable[[], T]) -> T:
    """Let click name the option in front of the mistake."""
    try:
        return parse()
    except InputError as error:
        raise click.BadParameter(f"{error}.") from None


def _in_range(number: float, low: float, high: float, above: bool) -> float:
    most = None if high == math.inf else high
    checked: float = click.FloatRange(low, most, min_open=above).convert(number, None, None)
    return checked


_FIRST_YEAR, _LAST_YEAR = 1971, 9998
"""One year inside what datetime can hold, so that no offset leads out of it."""
_FORM = "give day and time, such as 2026-07-04T08:00 or 2026-07-04T08:00+02:00"


def entered_ms(text: str, zone: str | None, now_ms: int) -> int:
    """Read a time as UTC milliseconds.

    Args:
        text: ISO 8601, with or without an offset.
        zone: The IANA time zone of a text without an offset; None for this machine's zone.
        now_ms: The present; a later time is refused.

    Raises:
        InputError: The text is not a time, the time is in the future or before 1971, or the clocks of that
            zone skip it or show it twice.
    """
    try:
        written = datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(f"--at {text}: this is not a time; {_FORM}") from None
    if not any(sign in text.strip() for sign in "T :"):
        raise InputError(f"--at {text}: this is a whole day; {_FORM}")
    if not _FIRST_YEAR <= written.year <= _LAST_YEAR:
        raise InputError(f"--at {text}: the year {written.year} is not possible; {_FORM}")
    if written.tzinfo is None:
        written = _local(text, written, None if zone is None else ZoneInfo(zone))
    utc_ms = round(written.timestamp() * 1000)
    if utc_ms > now_ms:
        now = datetime.fromtimestamp(now_ms // 1000, UTC).astimezone(written.tzinfo)
        raise InputError(f"--at {text}: this is in the future; it is {now.isoformat()} now")
    return utc_ms


def _local(text: str, naive: datetime, zone: tzinfo | None) -> datetime:
    """Add the offset of the zone, which must be unambiguous."""
    first, second = (_of_zone(naive.replace(fold=fold), zone) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return first
    # A wall time that the clock skips does not survive the way to UTC and back.
    exists = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) == naive
    why = "comes twice on the day that the clock is set back" if exists else "is skipped by the clock"
    raise InputError(f"--at {text}: this time {why}; give its offset too, such as 2026-10-25T02:30+02:00")


def _of_zone(naive: datetime, zone: tzinfo | None) -> datetime:
    return naive.astimezone() if zone is None else naive.replace(tzinfo=zone)


_AGO = re.compile(r"(\d{1,6})([mhdw])", re.ASCII)
_UNIT_S = {"m": 60, "h": 3600, "d": 86_400, "w": 604_800}
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_EARLIEST, _LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC)

FORMS = (
    "a day such as 2026-06-01, a time such as 2026-06-01T14:30 or 2026-06-01T14:30+02:00 (UTC without an "
    "offset), or how long ago: 90m, 12h, 7d, 2w"
)
"""The forms that :func:`moment_ms` accepts, for messages and help."""


def moment_ms(text: str, now_ms: int, *, end: bool = False) -> int:
    """Convert a typed time to UTC milliseconds.

    Args:
        text: one of :data:`FORMS`.
        now_ms: the time from which "ago" counts.
        end: True for the end of a range, which includes a whole day.

    Raises:
        InputError: the text has another form, or is outside the years 1970 to 9999.
    """
    ago = _AGO.fullmatch(text)
    try:
        if ago is not None:
            moment = _datetime(now_ms) - timedelta(seconds=int(ago[1]) * _UNIT_S[ago[2]])
        elif _DAY.fullmatch(text):
            day = datetime.combine(date.fromisoformat(text), datetime.min.time(), UTC)
            moment = day + timedelta(days=1) if end else day
        else:
            moment = datetime.fromisoformat(text)
            moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment
        if not _EARLIEST <= moment <= _LATEST:
            raise ValueError(text)
    except (ValueError, OverflowError) as error:
        raise InputError(f"{text!r} is not a time; give {FORMS}") from error
    return round((moment - _EARLIEST) / timedelta(milliseconds=1))


def span_of(since: str | None, until: str | None, held: tuple[int, int], now_ms: int) -> tuple[int, int]:
    """Return the range from ``--from`` to ``--to``. The start is included, the end is not.

    Args:
        since: the text of ``--from``; None for the start of the log.
        until: the text of ``--to``; None for its end.
        held: the first and the last time in the log.
        now_ms: the time now.

    Raises:
        InputError: a time cannot be read, or the range ends before it begins.
    """
    start = held[0] if since is None else _moment_of("--from", since, now_ms, end=False)
    # After a clock was set back, the log can have rows in the future. They belong to a range without an end.
    finish = max(held[1], now_ms) + 1 if until is None else _moment_of("--to", until, now_ms, end=True)
    if start >= finish and (since is not None or until is not None):
        if until is None:
            raise InputError(f"--from {since}: that is in the future; the log ends at {_text(held[1])}")
        if since is None:
            raise InputError(f"--to {until}: that is before the log begins, at {_text(start)}")
        raise InputError(
            f"--from {since} --to {until}: the range ends before it begins; give the earlier one to --from"
        )
    return start, finish


def _moment_of(option: str, text: str, now_ms: int, *, end: bool) -> int:
    try:
        return moment_ms(text, now_ms, end=end)
    except InputError as error:
        raise InputError(f"{option} {error}") from error


def _datetime(utc_ms: int) -> datetime:
    return _EARLIEST + timedelta(milliseconds=utc_ms)


def _text(utc_ms: int) -> str:
    return f"{_datetime(utc_ms):%Y-%m-%d %H:%M} UTC"
