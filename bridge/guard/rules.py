"""The trips: what brings each one about, a line for each, and what its reset asks for, as a table.

The permissives, a line for each: what it asks. The valve is open only while every one holds.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from bridge.guard.limits import Moment
from bridge.guard.model import FILL, PAUSE, RINSE, SHUT, Permissive, Phase, Trip
from bridge.guard.state import FillRecord, GuardState, Latch
from bridge.tank.level import Zone

ACTIVE = (RINSE, FILL, PAUSE)
"""The phases in which a fill is under way."""
_FULL = Zone.FULL


def missing(m: Moment, s: GuardState, phase: Phase, fill: FillRecord) -> tuple[Permissive, ...]:
    """The permissives that do not hold.

    Lines of one function, and not a table of functions: with every reading all of them are asked, and so many
    calls take several times as long as what they do.

    Args:
        m: what is known now.
        s: what is remembered.
        phase: the phase in which the valve would be open.
        fill: the account of the fill for which it would be.
    """
    limits, seen = m.limits, m.assessment
    celsius, zone, overflow, ppm = seen.temperature_c, seen.zone, seen.overflow, seen.reservoir_ppm
    day_l = s.day_l + fill.volume_l if phase in ACTIVE else s.day_l
    absent: list[Permissive] = []
    if not m.fresh:
        absent.append(Permissive.LINK_FRESH)
    if not m.probe_sound:
        absent.append(Permissive.PROBE_HEALTHY)
    if m.over and not (phase is RINSE and fill.rinse_s < limits.rinse_max_s):
        absent.append(Permissive.PRODUCT_IN_SPEC)
    if celsius is None or not limits.temperature_low_c <= celsius <= limits.temperature_high_c:
        absent.append(Permissive.TEMPERATURE_IN_RANGE)
    if zone is None:
        absent.append(Permissive.LEVEL_KNOWN)
    if zone is _FULL:
        absent.append(Permissive.BELOW_FILL_MARK)
    if overflow is not False and (overflow or limits.has_overflow_float):
        absent.append(Permissive.OVERFLOW_DOWN)
    if ppm is None or not ppm < limits.reservoir_limit_ppm or (m.spoils and rinses_unseen(m, phase)):
        absent.append(Permissive.RESERVOIR_BUDGET)
    if not fill.open_s < limits.fill_max_s:
        absent.append(Permissive.FILL_TIME)
    if not (fill.volume_l < limits.fill_max_l and day_l < limits.daily_max_l):
        absent.append(Permissive.FILL_VOLUME)
    if seen.controller_fault:
        absent.append(Permissive.CONTROLLER_SOUND)
    if s.latches:
        absent.append(Permissive.NO_TRIP)
    if s.hold:
        absent.append(Permissive.NO_HOLD)
    return tuple(absent)


def rinses_unseen(m: Moment, phase: Phase) -> bool:
    """Product that is not in specification would go to the reservoir."""
    return phase is RINSE and not m.limits.has_drain and m.over


_TRIPS_FULL = Zone.FULL


def lasted(since: float | None, now: float, seconds: float) -> bool:
    """Something that began at ``since`` has gone on for that long."""
    return since is not None and now - since >= seconds


# --- causes -----------------------------------------------------------------------------------


def causes(m: Moment, s: GuardState) -> list[Trip]:
    """The trips whose cause is present, the worst first: of several in one step it is the first-out.

    Lines of one function for the same reason as the permissives.
    """
    limits, seen, now, fill, evidence = m.limits, m.assessment, m.now, s.fill, s.evidence
    active, ppm, frame_at = s.phase in ACTIVE, seen.reservoir_ppm, seen.frame_at
    bad, lost = evidence.probe_bad, evidence.level_bad
    found: list[Trip] = []
    if m.fresh and seen.overflow is True:
        found.append(Trip.OVERFLOW)
    if m.fresh and _rose_while_closed(m, s):
        found.append(Trip.RISE_WHILE_CLOSED)
    if active and _product_over_limit(m, s):
        found.append(Trip.PRODUCT_OVER_LIMIT)
    if (ppm is not None and not ppm < limits.reservoir_limit_ppm) or (
        m.spoils and m.fresh and m.probe_sound and rinses_unseen(m, s.phase)
    ):
        found.append(Trip.RESERVOIR_BUDGET)
    if active:
        base_l = fill.base_volume_l
        if fill.volume_l >= limits.fill_max_l or s.day_l + fill.volume_l >= limits.daily_max_l:
            found.append(Trip.FILL_OVER_VOLUME)
        if fill.open_s >= limits.fill_max_s:
            found.append(Trip.FILL_OVER_TIME)
        if base_l is not None and fill.open_s - fill.base_open_s >= limits.no_rise_after_s:
            found.append(Trip.NO_RISE)
    if bad is not None and now - bad >= limits.probe_failure_after_s:
        found.append(Trip.PROBE_FAILURE)
    if lost is not None and now - lost >= limits.level_failure_after_s:
        found.append(Trip.LEVEL_FAILURE)
    if not m.fresh and now - (s.started_at if frame_at is None else frame_at) >= limits.link_lost_after_s:
        found.append(Trip.LINK_LOST)
    return found


def _rose_while_closed(m: Moment, s: GuardState) -> bool:
    bound_l, volume_l, closed = m.limits.rise_closed_l, m.assessment.volume_l, s.closed
    if bound_l is None:
        return False
    if volume_l is not None:
        return closed.lowest_l is not None and volume_l - closed.lowest_l >= bound_l
    return closed.below_mark and m.assessment.zone is _TRIPS_FULL


def _product_over_limit(m: Moment, s: GuardState) -> bool:
    """While a fill is under way."""
    if s.phase is RINSE:
        return s.fill.rinse_s >= m.limits.rinse_max_s
    if s.fill.excursions >= m.limits.excursions_max:
        return True
    over = s.evidence.over
    return over is not None and (m.gross or m.now - over >= m.limits.persistence_s)


# --- reset rules --------------------------------------------------------------------------------
# Every reset needs the cause gone. What else it needs is the trip's own rule: a product over its limit
# is not cured by pressing a button, and a cable that was pulled and is back needs nobody's visit.


class Needs(Enum):
    """What a reset needs beside the cause being gone."""

    COMMAND = "a reset command"
    REMEDY_AND_COMMAND = "a recorded cartridge change or a passed retest, then a reset command"
    COMMAND_OR_STEADY = "a reset command, or a link that has been steady for a while"


@dataclass(frozen=True, slots=True)
class ResetRule:
    """How one trip is reset."""

    needs: Needs
    gone: Callable[[Moment, GuardState], bool]
    """The cause is gone, as far as it can be seen with the valve shut."""
    until_then: str
    """What is still there while the cause is not gone, as a clause."""


def _seen_shut(m: Moment, s: GuardState) -> bool:
    return m.fresh and m.assessment.seen is SHUT


def _still(m: Moment, s: GuardState) -> bool:
    return m.fresh and lasted(s.closed.since, m.now, m.limits.settle_s) and not _rose_while_closed(m, s)


def _in_budget(m: Moment) -> bool:
    ppm = m.assessment.reservoir_ppm
    return ppm is not None and ppm < m.limits.reservoir_limit_ppm


_NOT_SHUT = "the controller has not reported its valve shut"

RULES: dict[Trip, ResetRule] = {
    Trip.OVERFLOW: ResetRule(
        Needs.COMMAND,
        lambda m, s: m.fresh and m.assessment.overflow is False,
        "the overflow float is still up",
    ),
    Trip.RISE_WHILE_CLOSED: ResetRule(
        Needs.COMMAND, _still, "the level has not yet been steady with the valve shut for the settling time"
    ),
    Trip.PRODUCT_OVER_LIMIT: ResetRule(
        Needs.REMEDY_AND_COMMAND, lambda m, s: True, "product is still over its limit"
    ),
    Trip.RESERVOIR_BUDGET: ResetRule(
        Needs.COMMAND,
        lambda m, s: _in_budget(m),
        "the reservoir is still over its limit by the mixing balance; measure it, and send the sample",
    ),
    Trip.FILL_OVER_VOLUME: ResetRule(
        Needs.COMMAND,
        lambda m, s: _seen_shut(m, s) and s.day_l < m.limits.daily_max_l,
        f"{_NOT_SHUT}, or the day's volume is used up",
    ),
    Trip.FILL_OVER_TIME: ResetRule(Needs.COMMAND, _seen_shut, _NOT_SHUT),
    Trip.NO_RISE: ResetRule(Needs.COMMAND, _seen_shut, _NOT_SHUT),
    Trip.PROBE_FAILURE: ResetRule(
        Needs.COMMAND,
        lambda m, s: m.fresh and m.probe_sound,
        "the product probe still shows no value to be trusted",
    ),
    Trip.LEVEL_FAILURE: ResetRule(
        Needs.COMMAND, lambda m, s: m.fresh and m.assessment.zone is not None, "the level is still not known"
    ),
    Trip.LINK_LOST: ResetRule(
        Needs.COMMAND_OR_STEADY, lambda m, s: m.fresh, "no good frame has arrived for too long"
    ),
}


def obstacle(moment: Moment, state: GuardState, latch: Latch) -> str | None:
    """Why a reset command cannot take this trip back now, as a sentence; None when it can."""
    rule = RULES[latch.trip]
    if not rule.gone(moment, state):
        return f"{latch.trip.value} cannot be reset: {rule.until_then}."
    if rule.needs is Needs.REMEDY_AND_COMMAND and not latch.remedied:
        return (
            f"{latch.trip.value} cannot be reset yet: "
            "first record a cartridge change, or a retest under the limit."
        )
    return None


def resets_itself(moment: Moment, state: GuardState, latch: Latch) -> bool:
    """The trip's rule lets it go without a command, and is met."""
    rule = RULES[latch.trip]
    return (
        rule.needs is Needs.COMMAND_OR_STEADY
        and rule.gone(moment, state)
        and lasted(state.evidence.fresh, moment.now, moment.limits.link_steady_s)
    )
