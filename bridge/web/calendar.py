"""The dates that a grower must not miss, as a calendar (RFC 5545) that other programs subscribe to. Core.

Each date is one event of a whole day. Its UID stays the same while its date moves, so a calendar program
moves the event and makes no second one.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from icalendar import Calendar, Event

from bridge import __version__
from bridge.daemon.page_lines import Fittings
from bridge.station.plan import CALIBRATION_DAYS, StationIdentity
from bridge.tank.daily_use import HORIZON_DAYS
from bridge.trays.ahead import RoundDay
from bridge.units import DisplayUnits

PROOF_DAYS = 366
"""The overflow float is lifted by hand once a season (common practice, no source)."""
FIRST_PROOF_DAYS = 7
"""A float that has never tripped is tested soon after the log began."""


@dataclass(frozen=True, slots=True)
class Prospect:
    """Everything that the dates of one reservoir follow from. None where nothing is known."""

    identity: StationIdentity
    fittings: Fittings
    at_s: float
    """When the forecast was made, UTC seconds."""
    left_low_days: float | None = None
    """How long the purifier lasts at least, from then: the lower end of the 80 % interval."""
    cover_low_days: float | None = None
    """How long the water lasts at least."""
    overflow_ms: int | None = None
    """When the overflow float last tripped, UTC."""
    log_began_ms: int | None = None
    rounds: tuple[RoundDay, ...] = ()
    """The watering rounds of the days to come; empty without trays."""
    flush_days: int | None = None
    """The days from the first of these rounds to the next flush."""


@dataclass(frozen=True, slots=True)
class Due:
    """One date."""

    kind: str
    day: date
    summary: str
    description: str


def dates_of(prospect: Prospect, units: DisplayUnits, today: date) -> Iterator[Due]:
    """Yield the dates of one reservoir.

    Args:
        prospect: what is known.
        units: for the time zone.
        today: a date that has passed moves to this day, because it is still due.
    """
    name, fittings = prospect.identity.name, prospect.fittings

    def after(days: float, since_s: float = prospect.at_s) -> date:
        return max(today, (units.local(since_s) + timedelta(days=max(0.0, days))).date())

    left, cover, lead = prospect.left_low_days, prospect.cover_low_days, fittings.lead_days
    if _is_near(left) and lead is not None and left is not None:
        yield Due(
            "order",
            after(left - lead),
            f"Order the next cartridge: {name}",
            f"The purifier lasts at least until {after(left)}, and the delivery takes {lead:g} days.",
        )
    if _is_near(cover) and cover is not None:
        yield Due(
            "dry",
            after(cover),
            f"The water may run out: {name}",
            "Without a fill the water lasts at least until this day, by the forecast of its use.",
        )
    for cell, made_ms in fittings.calibrated_ms:
        day = today if made_ms is None else after(CALIBRATION_DAYS, made_ms / 1000.0)
        last = (
            "It was never calibrated."
            if made_ms is None
            else f"Last: {units.local(made_ms / 1000.0).date()}."
        )
        yield Due(
            f"calibration-{cell}",
            day,
            f"Calibrate the {cell} cell: {name}",
            f"{last} Use a fresh standard solution: clearwell calibrate.",
        )
    proof = _proof(prospect)
    if fittings.has_overflow_float and proof is not None:
        since_ms, days, last = proof
        yield Due(
            "proof-test",
            after(days, since_ms / 1000.0),
            f"Test the overflow float: {name}",
            f"{last} Lift the float by hand during a fill. The valve must shut, and a trip must show.",
        )

    yield from _rounds(prospect, units, today)


def _rounds(prospect: Prospect, units: DisplayUnits, today: date) -> Iterator[Due]:
    """Yield an event for each day with a round, and one for the next flush."""
    name = prospect.identity.name
    for one in prospect.rounds:
        day = date.fromisoformat(one.day)
        if day < today or not one.trays:
            continue
        trays = "1 tray" if len(one.trays) == 1 else f"{len(one.trays)} trays"
        flush = f", flush {', '.join(one.flushes)}" if one.flushes else ""
        yield Due(
            f"round-{one.day}",
            day,
            f"Watering round: {trays}, {units.litres_as(one.litres, '.1f')}{flush}: {name}",
            f"{', '.join(one.trays)}. The list with litres: clearwell round. Later days are a forecast for "
            "usual weather without rain, with every round done.",
        )
    if prospect.rounds and prospect.flush_days is not None:
        first = date.fromisoformat(prospect.rounds[0].day)
        yield Due(
            "flush",
            max(today, first + timedelta(days=prospect.flush_days)),
            f"Flush a tray: {name}",
            "About then a tray comes near its limit. The list with litres: clearwell round.",
        )


def _proof(prospect: Prospect) -> tuple[int, float, str] | None:
    if prospect.overflow_ms is not None:
        return prospect.overflow_ms, PROOF_DAYS, "The float was last seen to trip a year before."
    if prospect.log_began_ms is not None:
        return prospect.log_began_ms, FIRST_PROOF_DAYS, "The log has no trip of this float."
    return None


def _is_near(days: float | None) -> bool:
    return days is not None and math.isfinite(days) and days < HORIZON_DAYS


def calendar_of(
    prospects: Iterable[Prospect], bridge_id: str, name: str, units: DisplayUnits, now_s: float
) -> bytes:
    """Return the calendar of a bridge.

    Args:
        prospects: what is known of each reservoir.
        bridge_id: the id of the bridge.
        name: its name.
        units: for the time zone.
        now_s: the present time, UTC seconds.
    """
    calendar = Calendar()
    calendar.add("prodid", f"-//clearwell-bridge//{__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("name", f"{name}: pure water")
    stamp, today = datetime.fromtimestamp(int(now_s), UTC), units.local(now_s).date()
    for prospect in prospects:
        for due in dates_of(prospect, units, today):
            event = Event()
            event.add("uid", f"{due.kind}-{prospect.identity.reservoir}@{bridge_id}.clearwell")
            event.add("dtstamp", stamp)
            event.add("dtstart", due.day)
            event.add("summary", due.summary)
            event.add("description", due.description)
            event.add("transp", "TRANSPARENT")
            calendar.add_component(event)
    return bytes(calendar.to_ical())
