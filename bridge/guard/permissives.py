"""The permissives, a line for each: what it asks. The valve is open only while every one holds."""

from bridge.guard.moment import Moment
from bridge.guard.state import FillRecord, GuardState
from bridge.guard.words import FILL, PAUSE, RINSE, Permissive, Phase
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
