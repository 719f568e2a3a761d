"""What a station shows of itself: the one value the hub's map reads.

Nothing here is computed; the station fills it in, the map turns it into topics.
A field is None where nothing is fitted or nothing is known.
"""

from dataclasses import dataclass

from bridge.plan_station import StationIdentity


@dataclass(frozen=True, slots=True)
class ActiveAlarm:
    """One alarm that is not in its normal state."""

    alarm: str
    state: str
    """The state of the IEC 62682 life cycle as a word, e.g. ``unacknowledged``."""
    sentence: str
    """What happened, what the bridge did, what to do next."""
    shelved: bool


@dataclass(frozen=True, slots=True)
class StationView:
    """The state of one reservoir at one moment."""

    identity: StationIdentity
    link_up: bool
    product_conductivity_25_us_cm: float | None
    product_ppm: float | None
    product_uncertainty_ppm: float | None
    product_temperature_c: float | None
    product_health: str
    verdict: str
    """``suitable``, ``marginal``, ``unsuitable`` or ``unknown``."""
    feed_conductivity_25_us_cm: float | None
    feed_ppm: float | None
    feed_temperature_c: float | None
    feed_health: str
    volume_l: float | None
    level_fraction: float | None
    zone: str
    """``low``, ``middle``, ``full`` or ``unknown``."""
    level_health: str
    overflow: bool | None
    reservoir_ppm: float | None
    valve_decided: str
    """``shut``, ``fill`` or ``drain``."""
    valve_reported: str
    """The same three, or ``unknown``."""
    missing_permissives: tuple[str, ...]
    hold: bool
    phase: str
    """``rest``, ``rinse``, ``fill``, ``pause`` or ``tripped``."""
    fill_volume_l: float | None
    fill_elapsed_s: float
    volume_today_l: float | None
    purifier_treated_l: float | None
    purifier_load_g: float | None
    rejection_percent: float | None
    litres_left: float | None
    """Product until the purifier gives out, by the forecast: the median."""
    days_left: float | None
    days_left_low: float | None
    """The lower and the upper end of the interval that holds it with 80 %."""
    days_left_high: float | None
    order_now: bool | None
    """Whether it is time to order the next cartridge."""
    cover_days: float | None
    """How long the reservoir lasts with nothing flowing in: the median, and the interval of 80 %."""
    cover_low_days: float | None
    cover_high_days: float | None
    health: str
    """The worst of everything, as a NAMUR NE 107 word: ``good`` ... ``failure``."""
    first_out: str | None
    latched_trips: tuple[str, ...]
    alarms: tuple[ActiveAlarm, ...]
    frames_good: int
    frames_damaged: int
    controller: str
    """Identity and firmware of the controller, or an empty string before its hello."""
