"""Time ranges that people type: days, times, and durations such as ``7d``. Core.

Times are UTC, as in the log and its exports, unless an offset is given.
"""

import re
from datetime import UTC, date, datetime, timedelta

from bridge.errors import InputError

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
