"""What a station shows, put together from what it knows. Core."""

from bridge.guard.alarms import AlarmRecord, Status
from bridge.guard.faults import FAULTS
from bridge.guard.rules import ACTIVE
from bridge.guard.state import Decision, GuardState
from bridge.hub.view import ActiveAlarm, StationView
from bridge.plan_station import StationPlan
from bridge.prospect.ahead import NOTHING_KNOWN, Ahead
from bridge.purifier.cartridge import rejection_percent
from bridge.station.assess import Picture, ProbeView
from bridge.station.inventory import Inventory, holding
from bridge.tank.cover import HORIZON_DAYS
from bridge.tank.level import Level
from bridge.water.health import Health
from bridge.water.solids import judge

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
        verdict = judge(measured.dissolved_solids_ppm, band_ppm, limits.limit_ppm, limits.advice_ppm)._value_
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
        valve_reported="unknown" if live is None else live.seen._value_,
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
