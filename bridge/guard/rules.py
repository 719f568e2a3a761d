"""The rules of the guard: every permissive, every trip with its cause, and every reset rule.

The valve is open only while every permissive holds. A trip latches when its cause is present. A table gives
the reset rule of each trip.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from bridge.guard.limits import Moment
from bridge.guard.model import Flow, Permissive, Phase, Trip
from bridge.guard.state import FillRecord, GuardState, Latch
from bridge.tank.level import Zone

ACTIVE = (Phase.RINSE, Phase.FILL, Phase.PAUSE)
"""The phases of a running fill."""


def missing(m: Moment, s: GuardState, phase: Phase, fill: FillRecord) -> tuple[Permissive, ...]:
    """Return the permissives that do not hold.

    Args:
        m: the assessment, compared with the limits.
        s: the state of the guard.
        phase: the phase in which the valve would be open.
        fill: the record of the fill for which the valve would be open.
    """
    limits, seen = m.limits, m.assessment
    celsius, zone, overflow, ppm = seen.temperature_c, seen.zone, seen.overflow, seen.reservoir_ppm
    day_l = s.day_l + fill.volume_l if phase in ACTIVE else s.day_l
    absent: list[Permissive] = []
    if not m.fresh:
        absent.append(Permissive.LINK_FRESH)
    if not m.probe_sound:
        absent.append(Permissive.PROBE_HEALTHY)
    if m.over and not (phase is Phase.RINSE and fill.rinse_s < limits.rinse_max_s):
        absent.append(Permissive.PRODUCT_IN_SPEC)
    if celsius is None or not limits.temperature_low_c <= celsius <= limits.temperature_high_c:
        absent.append(Permissive.TEMPERATURE_IN_RANGE)
    if zone is None:
        absent.append(Permissive.LEVEL_KNOWN)
    if zone is Zone.FULL:
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
    if s.phase is Phase.PAUSE and m.now - s.since < limits.pause_s:
        absent.append(Permissive.PAUSE_OVER)
    return tuple(absent)


def rinses_unseen(m: Moment, phase: Phase) -> bool:
    """Return whether a rinse would send product that is not in specification to the reservoir."""
    return phase is Phase.RINSE and not m.limits.has_drain and m.over


def lasted(since: float | None, now: float, seconds: float) -> bool:
    """Return whether a condition that began at ``since`` has lasted for ``seconds``."""
    return since is not None and now - since >= seconds


# --- causes -----------------------------------------------------------------------------------


def causes(m: Moment, s: GuardState) -> list[Trip]:
    """Return the trips whose cause is present, worst first.

    If several trips latch in one step, the first one is the first-out.
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
        if lasted(evidence.disagree, now, limits.persistence_s):
            found.append(Trip.CELLS_DISAGREE)
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
    if seen.restarts_at_opening:
        found.append(Trip.CONTROLLER_RESTARTS)
    return found


def _rose_while_closed(m: Moment, s: GuardState) -> bool:
    bound_l, volume_l, closed = m.limits.rise_closed_l, m.assessment.volume_l, s.closed
    if bound_l is None:
        return False
    if volume_l is not None:
        return closed.lowest_l is not None and volume_l - closed.lowest_l >= bound_l
    return closed.below_mark and m.assessment.zone is Zone.FULL


def _product_over_limit(m: Moment, s: GuardState) -> bool:
    """Return whether the product trips a running fill."""
    if s.phase is Phase.RINSE:
        return s.fill.rinse_s >= m.limits.rinse_max_s
    if s.fill.excursions >= m.limits.excursions_max:
        return True
    over = s.evidence.over
    return over is not None and (m.gross or m.now - over >= m.limits.persistence_s)


# --- reset rules -------------------------------------------------------------------------------- Every reset
# needs that the cause is gone. The trip's own rule may need more: a reset command does not improve a product
# over its limit, and a cable that is plugged in again needs no person.


class Needs(Enum):
    """A condition of a reset, in addition to the absence of the cause."""

    COMMAND = "a reset command"
    REMEDY_AND_COMMAND = "a recorded cartridge change or a passed retest, then a reset command"
    COMMAND_OR_STEADY = "a reset command, or a link that has been steady for a while"


@dataclass(frozen=True, slots=True)
class ResetRule:
    """The reset rule of one trip."""

    needs: Needs
    gone: Callable[[Moment, GuardState], bool]
    """Returns whether the cause is gone, as far as the sensors show with the valve shut."""
    obstacle: str
    """The obstacle while the cause is present, as a clause."""


def _reported_shut(m: Moment, s: GuardState) -> bool:
    return m.fresh and m.assessment.seen is Flow.SHUT


def _steady(m: Moment, s: GuardState) -> bool:
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
        Needs.COMMAND, _steady, "the level has not yet been steady with the valve shut for the settling time"
    ),
    Trip.PRODUCT_OVER_LIMIT: ResetRule(
        Needs.REMEDY_AND_COMMAND, lambda m, s: True, "product is still over its limit"
    ),
    Trip.RESERVOIR_BUDGET: ResetRule(
        Needs.COMMAND,
        lambda m, s: _in_budget(m),
        "the reservoir is still over its limit by its estimate; measure it, and enter the sample",
    ),
    Trip.FILL_OVER_VOLUME: ResetRule(
        Needs.COMMAND,
        lambda m, s: _reported_shut(m, s) and s.day_l < m.limits.daily_max_l,
        f"{_NOT_SHUT}, or the day's volume is used up",
    ),
    Trip.FILL_OVER_TIME: ResetRule(Needs.COMMAND, _reported_shut, _NOT_SHUT),
    Trip.NO_RISE: ResetRule(Needs.COMMAND, _reported_shut, _NOT_SHUT),
    Trip.PROBE_FAILURE: ResetRule(
        Needs.COMMAND,
        lambda m, s: m.fresh and m.probe_sound,
        "the product probe still gives no value that can be trusted",
    ),
    Trip.LEVEL_FAILURE: ResetRule(
        Needs.COMMAND, lambda m, s: m.fresh and m.assessment.zone is not None, "the level is still not known"
    ),
    Trip.LINK_LOST: ResetRule(Needs.COMMAND_OR_STEADY, lambda m, s: m.fresh, "no good frame arrives"),
    Trip.CELLS_DISAGREE: ResetRule(Needs.COMMAND, _reported_shut, _NOT_SHUT),
    Trip.CONTROLLER_RESTARTS: ResetRule(
        Needs.COMMAND, lambda m, s: _reported_shut(m, s) and not m.assessment.restarts_at_opening, _NOT_SHUT
    ),
}


def obstacle(moment: Moment, state: GuardState, latch: Latch) -> str | None:
    """Return the sentence that says why this trip cannot be reset now, or None if it can."""
    rule = RULES[latch.trip]
    if not rule.gone(moment, state):
        return f"{latch.trip.value} cannot be reset: {rule.obstacle}."
    if rule.needs is Needs.REMEDY_AND_COMMAND and not latch.remedied:
        return (
            f"{latch.trip.value} cannot be reset yet: "
            "first record a cartridge change, or a retest under the limit."
        )
    return None


def resets_itself(moment: Moment, state: GuardState, latch: Latch) -> bool:
    """Return whether the trip resets without a command now."""
    rule = RULES[latch.trip]
    return (
        rule.needs is Needs.COMMAND_OR_STEADY
        and rule.gone(moment, state)
        and lasted(state.evidence.fresh, moment.now, moment.limits.link_steady_s)
    )
