"""What the guard compares with: every bound in one frozen value.

One moment's knowledge held against the limits, worked out once for all rules of a step.
"""

from dataclasses import dataclass, fields

from bridge.errors import OutOfRangeError
from bridge.guard.model import Assessment
from bridge.water.health import Health


@dataclass(frozen=True, slots=True)
class Limits:
    """The bounds of one reservoir. Times in seconds, volumes in litres, solids in ppm on one stated scale.

    The ppm defaults are common practice for carnivorous bog plants, no source: at or over 50 unfit,
    under 25 better.

    Raises:
        OutOfRangeError: a bound is not positive, or two bounds contradict each other.
    """

    limit_ppm: float = 50.0
    target_ppm: float = 25.0
    gross_ppm: float = 100.0
    """A product this bad while filling trips at once, without the persistence filter."""
    reservoir_limit_ppm: float = 50.0

    persistence_s: float = 10.0
    """An excess lasting this long after it shut the valve becomes a trip."""
    excursions_max: int = 3
    """This many excesses within one fill become a trip, however short each was."""
    pause_s: float = 30.0
    """The valve stays shut for this long before an interrupted fill goes on."""

    rinse_min_s: float = 10.0
    rinse_max_s: float = 120.0
    in_spec_s: float = 5.0
    """Product must be in specification for this long before a rinse ends."""
    has_drain: bool = False
    flow_max_l_s: float = 0.1
    """The most that can flow, for the reservoir budget of a rinse without a drain valve."""

    lease_s: float = 5.0
    step_s: float = 1.25
    """The longest time between two steps; with the lease, what may flow before the guard looks again. It is
    a little more than the second after which a controller sends its next reading, lest one be looked for in
    vain."""

    stale_after_s: float = 3.0
    link_lost_after_s: float = 60.0
    link_steady_s: float = 60.0
    """Frames must have been fresh for this long before a lost link resets itself."""
    probe_failure_after_s: float = 10.0
    level_failure_after_s: float = 30.0

    temperature_low_c: float = 1.0
    temperature_high_c: float = 35.0

    has_overflow_float: bool = True
    fill_max_s: float = 4 * 3600.0
    fill_max_l: float = 250.0
    daily_max_l: float = 500.0
    no_rise_after_s: float = 900.0
    no_rise_l: float = 1.0
    settle_s: float = 60.0
    """After closing, the level may still move for this long (drips, waves)."""
    rise_closed_l: float | None = 5.0
    """A rise of this much with the valve shut trips; None where rain may fall into the reservoir."""

    blocked_after_s: float = 900.0
    """A fill that is due and cannot start or go on for this long is worth an alarm."""
    command_max_age_s: float = 10.0
    shelve_max_minutes: float = 24 * 60.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, bool) or value is None or field.name.startswith("temperature"):
                continue
            if not 0 < value < float("inf"):
                raise OutOfRangeError(f"the bound {field.name} is {value}; it must be a number above 0")
        for lower, upper in (
            ("target_ppm", "limit_ppm"),
            ("limit_ppm", "gross_ppm"),
            ("in_spec_s", "rinse_max_s"),
            ("rinse_min_s", "rinse_max_s"),
            ("stale_after_s", "link_lost_after_s"),
            ("temperature_low_c", "temperature_high_c"),
        ):
            if getattr(self, lower) > getattr(self, upper):
                raise OutOfRangeError(
                    f"the bound {lower} is {getattr(self, lower)} and {upper} is {getattr(self, upper)}; "
                    f"{lower} must not be larger"
                )


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
