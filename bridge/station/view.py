"""What a station shows of itself: the one value the hub's map reads.

Nothing here is computed; the station fills it in, the map turns it into topics.
A field is None where nothing is fitted or nothing is known.

What lies ahead of a reservoir: when its purifier gives out, how long its water lasts. Values only.

What a station shows, put together from what it knows. Core.
"""

from dataclasses import dataclass

from bridge.guard.alarms import AlarmRecord, Status
from bridge.guard.faults import FAULTS
from bridge.guard.rules import ACTIVE
from bridge.guard.state import Decision, GuardState
from bridge.purifier.cartridge import rejection_percent
from bridge.purifier.forecast import Interval
from bridge.station.assess import Picture, ProbeView
from bridge.station.inventory import Inventory, holding
from bridge.station.plan import StationIdentity, StationPlan
from bridge.tank.cover import HORIZON_DAYS, Cover, Leak
from bridge.tank.level import Level
from bridge.water.health import Health
from bridge.water.solids import judge


@dataclass(frozen=True, slots=True)
class Ahead:
    """None where too little is known to say."""

    litres_left: Interval | None = None
    """Product until it crosses the limit."""
    days_left: Interval | None = None
    order_now: bool | None = None
    dry_share_of_lead: float | None = None
    """The part of the lead time that is on average spent after the crossing."""
    rests_on: str = ""
    """What the figures were drawn from."""
    cover: Cover | None = None
    """How long the water in the reservoir lasts with nothing flowing in."""
    leak: Leak | None = None


NOTHING_KNOWN = Ahead()


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


_NO_PROBE = ProbeView(health=Health.FAILURE)
_NO_LEVEL = Level(None, None, None, None, ())
# A view has a dozen words. The word of a member is read as its _value_, which is what .value would return, at
# an eighth of its cost in Python 3.11.
_WORDS = tuple(health.word for health in Health)
"""By the number of the class."""


def level_health(level: Level) -> Health:
    """How far the level can be trusted, as an NE 107 class."""
    if level.zone is None:
        return Health.FAILURE
    return Health.MAINTENANCE_REQUIRED if level.faults else Health.GOOD


def picture_of(
    plan: StationPlan,
    accounts: Inventory,
    picture: Picture | None,
    state: GuardState,
    decision: Decision | None,
    *,
    link_up: bool,
    controller: str,
    frames: tuple[int, int],
    ahead: Ahead = NOTHING_KNOWN,
) -> StationView:
    """Everything the hub is shown of one reservoir. Without a link the last values are not shown as live."""
    identity, limits = plan.identity, plan.limits
    live = picture if link_up else None
    product = _NO_PROBE if live is None else live.product
    feed = _NO_PROBE if live is None else live.feed
    level = _NO_LEVEL if live is None else live.level
    measured, fed = product.measurement, feed.measurement
    of_level = level_health(level)
    of_feed = feed.health if plan.feed is not None else Health.GOOD
    verdict = "unknown"
    rejection = None
    if measured is not None and product.health < Health.FUNCTION_CHECK:
        band_ppm = measured.expanded_uncertainty_ppm
        verdict = judge(measured.dissolved_solids_ppm, band_ppm, limits.limit_ppm, limits.target_ppm)._value_
        if fed is not None and fed.dissolved_solids_ppm > 0.0:
            rejection = rejection_percent(fed.dissolved_solids_ppm, measured.dissolved_solids_ppm)
    volume_l = level.volume_l
    days_left, cover = ahead.days_left, ahead.cover
    running = state.phase in ACTIVE
    return StationView(
        identity=identity,
        link_up=link_up,
        product_conductivity_25_us_cm=None if measured is None else measured.conductivity_25_us_cm,
        product_ppm=None if measured is None else measured.dissolved_solids_ppm,
        product_uncertainty_ppm=None if measured is None else measured.expanded_uncertainty_ppm,
        product_temperature_c=None if live is None else live.assessment.temperature_c,
        product_health=_WORDS[product.health],
        verdict=verdict,
        feed_conductivity_25_us_cm=None if fed is None else fed.conductivity_25_us_cm,
        feed_ppm=None if fed is None else fed.dissolved_solids_ppm,
        feed_temperature_c=None if fed is None else fed.temperature_c,
        feed_health=_WORDS[of_feed],
        volume_l=volume_l,
        level_fraction=None if volume_l is None else volume_l / identity.capacity_l,
        zone="unknown" if level.zone is None else level.zone._value_,
        level_health=_WORDS[of_level],
        overflow=None if live is None else live.assessment.overflow,
        reservoir_ppm=holding(accounts),
        valve_decided="shut" if decision is None else decision.flow._value_,
        valve_reported="unknown"
        if live is None or live.assessment.seen is None
        else live.assessment.seen.value,
        missing_permissives=() if decision is None else tuple([one._value_ for one in decision.missing]),
        hold=state.hold,
        phase=state.phase._value_,
        fill_volume_l=state.fill.volume_l if identity.has_volume else None,
        fill_elapsed_s=state.fill.open_s,
        volume_today_l=(state.day_l + (state.fill.volume_l if running else 0.0))
        if identity.has_volume
        else None,
        purifier_treated_l=accounts.load.treated_l,
        purifier_load_g=accounts.load.taken_up_g,
        rejection_percent=rejection,
        litres_left=None if ahead.litres_left is None else ahead.litres_left.median,
        days_left=None if days_left is None else days_left.median,
        days_left_low=None if days_left is None else days_left.low80,
        days_left_high=None if days_left is None else days_left.high80,
        order_now=ahead.order_now,
        cover_days=None if cover is None else min(cover.days, HORIZON_DAYS),
        cover_low_days=None if cover is None else min(cover.low80_days, HORIZON_DAYS),
        cover_high_days=None if cover is None else min(cover.high80_days, HORIZON_DAYS),
        health=_WORDS[max(product.health, of_feed, of_level) if link_up else Health.FAILURE],
        first_out=None if state.first_out is None else state.first_out._value_,
        latched_trips=tuple([latch.trip._value_ for latch in state.latches]),
        alarms=tuple([_alarm(record) for record in state.alarms if record.status is not Status.NORMAL]),
        frames_good=frames[0],
        frames_damaged=frames[1],
        controller=controller,
    )


def _alarm(record: AlarmRecord) -> ActiveAlarm:
    return ActiveAlarm(
        record.alarm._value_,
        record.status._value_,
        FAULTS[record.alarm].sentence,
        record.shelved_until is not None,
    )
