"""One moment's knowledge held against the limits, worked out once for all rules of a step."""

from dataclasses import dataclass

from bridge.guard.assessment import Assessment
from bridge.guard.limits import Limits
from bridge.water.health import Health

_UNTRUSTED_FROM = Health.FUNCTION_CHECK


@dataclass(frozen=True, slots=True)
class Moment:
    """An assessment, the limits and the time, with the comparisons that several rules share."""

    limits: Limits
    assessment: Assessment
    now: float
    fresh: bool
    """The newest good reading is young enough to act on."""
    probe_sound: bool
    """The product probe shows a value that can be trusted."""
    over: bool
    """Product with its guard band reaches the limit, or is not known."""
    gross: bool
    """A known product reaches the gross limit."""
    spoils: bool
    """What may flow before the guard looks again would bring the reservoir to its limit."""


def look(limits: Limits, assessment: Assessment, now: float) -> Moment:
    """Hold an assessment against the limits."""
    frame_at, ppm = assessment.frame_at, assessment.product_ppm
    fresh = frame_at is not None and 0.0 <= now - frame_at <= limits.stale_after_s
    if ppm is None:
        return Moment(limits, assessment, now, fresh, False, True, False, True)
    worst_ppm = ppm + assessment.guard_band_ppm
    over = not worst_ppm < limits.limit_ppm
    return Moment(
        limits,
        assessment,
        now,
        fresh,
        assessment.probe < _UNTRUSTED_FROM,
        over,
        worst_ppm >= limits.gross_ppm,
        over and _spoils(limits, assessment, worst_ppm),
    )


def _spoils(limits: Limits, assessment: Assessment, worst_ppm: float) -> bool:
    if assessment.reservoir_ppm is None or worst_ppm == float("inf"):
        return True
    inflow_l = limits.flow_max_l_s * (limits.lease_s + limits.step_s)
    volume_l = assessment.volume_at_least_l
    mixed_ppm = (volume_l * assessment.reservoir_ppm + inflow_l * worst_ppm) / (volume_l + inflow_l)
    return not mixed_ppm < limits.reservoir_limit_ppm
