"""Months, weeks or days of local time, whichever suits the length of a report. Core."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum

from bridge.history.rollup import HOUR_MS

Local = Callable[[float], datetime]
"""From seconds of UTC to local time."""

_DAY_H = 24.0


class Grain(Enum):
    """The width of a period; the value is its word."""

    DAY = "day"
    WEEK = "week"
    MONTH = "month"


@dataclass(frozen=True, slots=True)
class Period:
    """One month, week or day, as far as it lies in the report."""

    key: str
    """``2026-06``, ``2026-W23`` or ``2026-06-01`` (ISO 8601)."""
    label: str


def grain_for(start_ms: int, end_ms: int) -> Grain:
    """Days up to three weeks, weeks up to a quarter, months beyond."""
    days = (end_ms - start_ms) / HOUR_MS / _DAY_H
    return Grain.DAY if days <= 22.0 else Grain.WEEK if days <= 95.0 else Grain.MONTH


def period_of(moment: datetime, grain: Grain) -> Period:
    """The period that a local moment lies in."""
    if grain is Grain.MONTH:
        return Period(f"{moment:%Y-%m}", f"{moment:%b %Y}")
    if grain is Grain.WEEK:
        year, week, _ = moment.isocalendar()
        monday = moment.date() - timedelta(days=moment.weekday())
        return Period(f"{year}-W{week:02d}", f"week of {monday:%d %b}")
    return Period(f"{moment:%Y-%m-%d}", f"{moment:%d %b}")


def periods(start_ms: int, end_ms: int, grain: Grain, local: Local) -> list[Period]:
    """Every period that the report touches, in order, those without a record too."""
    found = {}
    for at_ms in [*range(start_ms, end_ms, 6 * HOUR_MS), end_ms - 1]:
        period = period_of(local(at_ms / 1000.0), grain)
        found[period.key] = period
    return list(found.values())
