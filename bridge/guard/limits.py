"""The bounds of one reservoir, and the comparison of an assessment with them.

Several rules of a step share the same comparisons. :func:`compare` makes them once for each step.
"""

from dataclasses import dataclass, fields

from bridge.errors import OutOfRangeError
from bridge.guard.model import Assessment
from bridge.water.health import Health


@dataclass(frozen=True, slots=True)
class Limits:
    """The bounds of one reservoir. Times in seconds, volumes in litres, solids in ppm on one stated scale.

    The ppm defaults are common practice for carnivorous bog plants, no source: water at or over 50 ppm is
    unfit, under 25 ppm it is better.

    Raises:
        OutOfRangeError: a bound is not positive, or two bounds contradict each other.
    """

    limit_ppm: float = 50.0
    target_ppm: float = 25.0
    gross_ppm: float = 100.0
    """Product at or over this trips a fill at once, without the persistence filter."""
    reservoir_limit_ppm: float = 50.0

    persistence_s: float = 10.0
    """An excess becomes a trip if it lasts this long after it shut the valve."""
    excursions_max: int = 3
    """This many excesses within one fill become a trip, even if each is short."""
    pause_s: float = 30.0
    """The valve stays shut for this long before an interrupted fill resumes."""

    rinse_min_s: float = 10.0
    rinse_max_s: float = 120.0
    in_spec_s: float = 5.0
    """A rinse ends after the product has been in specification for this long."""
    has_drain: bool = False
    flow_max_l_s: float = 0.1
    """The highest possible flow, for the reservoir budget of a rinse without a drain valve."""

    lease_s: float = 5.0
    step_s: float = 1.25
    """The longest time between two scans. With the lease it bounds the water that flows before the next scan.

    A controller sends a reading every second. The value is a little more, so that each scan has a new
    reading.
    """

    stale_after_s: float = 3.0
    link_lost_after_s: float = 60.0
    link_steady_s: float = 60.0
    """A lost link resets itself after frames have been fresh for this long."""
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
    """The level may still move for this long after the valve shuts (drips, waves)."""
    rise_closed_l: float | None = 5.0
    """A rise of this much with the valve shut trips. None if rain may fall into the reservoir."""

    blocked_after_s: float = 900.0
    """A pending fill raises an alarm if it is blocked for this long."""
    proof_test_days: float = 366.0
    """The overflow float is lifted by hand after this time, once a season (common practice, no source)."""
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


@dataclass(frozen=True, slots=True)
class Moment:
    """An assessment at one time, with the results of the comparisons that several rules share."""

    limits: Limits
    assessment: Assessment
    now: float
    fresh: bool
    """The newest good reading is recent enough to act on."""
    probe_sound: bool
    """The product probe gives a value that can be trusted."""
    over: bool
    """The product with its guard band reaches the limit, or is not known."""
    gross: bool
    """The product is known, and with its guard band reaches the gross limit."""
    spoils: bool
    """The water that may flow before the next scan would bring the reservoir to its limit."""


def compare(limits: Limits, assessment: Assessment, now: float) -> Moment:
    """Compare an assessment with the limits at ``now`` (monotonic seconds)."""
    frame_at, ppm = assessment.frame_at, assessment.product_ppm
    fresh = frame_at is not None and 0.0 <= now - frame_at <= limits.stale_after_s
    if ppm is None:
        return Moment(
            limits, assessment, now, fresh=fresh, probe_sound=False, over=True, gross=False, spoils=True
        )
    worst_ppm = ppm + assessment.guard_band_ppm
    over = not worst_ppm < limits.limit_ppm
    return Moment(
        limits=limits,
        assessment=assessment,
        now=now,
        fresh=fresh,
        probe_sound=assessment.probe < Health.FUNCTION_CHECK,
        over=over,
        gross=worst_ppm >= limits.gross_ppm,
        spoils=over and _spoils(limits, assessment, worst_ppm),
    )


def _spoils(limits: Limits, assessment: Assessment, worst_ppm: float) -> bool:
    if assessment.reservoir_ppm is None or worst_ppm == float("inf"):
        return True
    inflow_l = limits.flow_max_l_s * (limits.lease_s + limits.step_s)
    volume_l = assessment.volume_at_least_l
    mixed_ppm = (volume_l * assessment.reservoir_ppm + inflow_l * worst_ppm) / (volume_l + inflow_l)
    return not mixed_ppm < limits.reservoir_limit_ppm
