"""When something that is entered later was so: ISO 8601, in people's own time zone where no offset stands."""

from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

from bridge.errors import InputError

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
