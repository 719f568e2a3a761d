"""The view of a station: one value with everything that the hub, the page and the terminal show.

Core. A field is None if the part is not fitted or the value is not known.
"""

from dataclasses import dataclass

from bridge.estimate.verdict import judge, product_line
from bridge.estimate.watch import Doubt
from bridge.guard.alarms import AlarmRecord, Status
from bridge.guard.faults import FAULTS
from bridge.guard.model import Advisory, AlarmId, Flow, Phase
from bridge.guard.rules import ACTIVE
from bridge.guard.state import Decision, GuardState
from bridge.purifier.cartridge import rejection_percent
from bridge.purifier.forecast import Interval
from bridge.station.assess import Picture, ProbeView
from bridge.station.inventory import Inventory, judged
from bridge.station.plan import StationIdentity, StationPlan
from bridge.tank.cover import Cover
from bridge.tank.daily_use import HORIZON_DAYS
from bridge.tank.leak import Leak
from bridge.tank.level import Level
from bridge.trays.ahead import RoundDay, RoundDue
from bridge.water.health import Health


@dataclass(frozen=True, slots=True)
class Outlook:
    """The forecast of a reservoir: the end of its purifier and the cover of its water.

    A field is None if the data are not sufficient.
    """

    litres_left: Interval | None = None
    """Litres of product until it crosses the limit."""
    days_left: Interval | None = None
    order_now: bool | None = None
    dry_share_of_lead: float | None = None
    """The expected share of the lead time after the crossing."""
    rests_on: str = ""
    """The data behind the forecast, in words."""
    cover: Cover | None = None
    """How long the water in the reservoir lasts without inflow."""
    leak: Leak | None = None


NOTHING_KNOWN = Outlook()


@dataclass(frozen=True, slots=True)
class ActiveAlarm:
    """One alarm that is not normal."""

    alarm: str
    state: str
    """The state of the IEC 62682 life cycle as a word, e.g. ``unacknowledged``."""
    sentence: str
    """What happened, what the bridge did, and what to do next."""
    shelved: bool


@dataclass(frozen=True, slots=True)
class StationView:
    """The state of one reservoir at one scan."""

    identity: StationIdentity
    link_up: bool
    product_conductivity_25_us_cm: float | None
    product_ppm: float | None
    product_uncertainty_ppm: float | None
    product_temperature_c: float | None
    product_health: str
    product_state: str
    """``flowing``, ``standing``, ``over-limit`` or ``failed``."""
    product_verdict: str
    """``suitable``, ``marginal`` or ``unsuitable``. ``unknown`` while no product flows or its probe fails."""
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
    """By the estimate."""
    reservoir_uncertainty_ppm: float | None
    """Expanded uncertainty, k = 2."""
    reservoir_verdict: str
    """``suitable``, ``marginal``, ``unsuitable`` or ``unknown``: the verdict on the water of the plants."""
    reservoir_over_limit_probability: float | None
    reservoir_basis: str
    """The evidence: ``assumed``, ``balance`` or ``sample``."""
    valve_decided: str
    """``shut``, ``fill`` or ``drain``."""
    valve_reported: str
    """The same three, or ``unknown``."""
    missing_permissives: tuple[str, ...]
    hold: bool
    phase: str
    """``idle``, ``rinse``, ``fill``, ``pause`` or ``tripped``."""
    fill_volume_l: float | None
    fill_elapsed_s: float
    volume_today_l: float | None
    purifier_treated_l: float | None
    purifier_load_g: float | None
    rejection_percent: float | None
    litres_left: float | None
    """Litres of product until the purifier is exhausted: the median of the forecast."""
    days_left: float | None
    days_left_low: float | None
    """The lower end of the 80 % interval; ``days_left_high`` is the upper end."""
    days_left_high: float | None
    order_now: bool | None
    """True if it is time to order the next cartridge."""
    cover_days: float | None
    """How long the reservoir lasts without inflow: the median, followed by the 80 % interval."""
    cover_low_days: float | None
    cover_high_days: float | None
    health: str
    """The worst class of all sensors, as a word of NAMUR NE 107: ``good`` ... ``failure``.

    ``failure`` without a link, and while a trip is latched.
    """
    first_out: str | None
    latched_trips: tuple[str, ...]
    alarms: tuple[ActiveAlarm, ...]
    frames_good: int
    frames_damaged: int
    controller: str
    """Identity and firmware of the controller. Empty before its hello."""
    reservoir_sampled: str | None = None
    """The time of the last hand sample of the reservoir, RFC 3339 in UTC. None without one."""
    last_reading: str | None = None
    """While the link is down: the time of the last reading, RFC 3339 in UTC. None while it is up."""
    check_conductivity_25_us_cm: float | None = None
    """Of the check cell. None without one, as the next four."""
    check_ppm: float | None = None
    check_temperature_c: float | None = None
    check_difference_percent: float | None = None
    """The check cell less the product cell, in per cent of the latter. None while no product flows."""
    check_health: str = Health.GOOD.word
    round_date: str | None = None
    """The day of the watering round. None, as the others of it, without trays."""
    round_trays: int | None = None
    """The number of trays that need water, a flush or a sample."""
    round_flushes: int | None = None
    round_litres: float | None = None
    """The litres to give, with those of the flushes."""
    round_flush_days: int | None = None
    """The days until the next flush; None if none is expected."""
    round_summary: str | None = None
    round_ahead: tuple[RoundDay, ...] | None = None
    """The rounds of the days to come, today first."""


_NO_PROBE = ProbeView(health=Health.FAILURE)
_NOT_FITTED = ProbeView()
_NO_LEVEL = Level(None, None, None, None, ())


def level_health(level: Level) -> Health:
    """Return the health of the level, as a class of NE 107."""
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
    outlook: Outlook = NOTHING_KNOWN,
    doubts: tuple[Doubt, ...] = (),
    due: RoundDue | None = None,
) -> StationView:
    """Return the view of one reservoir. Without a link the last measured values are not shown.

    Args:
        plan: the plan of the station.
        accounts: the estimate of the reservoir and the load.
        picture: everything known at the last reading; None before the first one.
        state: the state of the guard.
        decision: the last decision of the guard; None before the first one.
        link_up: True while the link to the controller is up.
        controller: identity and firmware of the controller.
        frames: the numbers of good and of damaged frames.
        outlook: the forecast.
        doubts: what the watch over the product cell has found.
        due: the watering round of the trays that this reservoir shows.
    """
    identity, limits = plan.identity, plan.limits
    live = picture if link_up else None
    product = _NO_PROBE if live is None else live.product
    feed = _NO_PROBE if live is None else live.feed
    level = _NO_LEVEL if live is None else live.level
    measured, fed = product.measurement, feed.measurement
    of_level = level_health(level)
    of_feed = feed.health if plan.feed is not None else Health.GOOD
    of_product, rejection = "unknown", None
    product_ppm, band_ppm = None, 0.0
    # While the water of the purifier is rinsed out, it is not the product yet.
    flowing = (
        live is not None and live.assessment.seen not in (None, Flow.SHUT) and state.phase is not Phase.RINSE
    )
    if measured is not None and product.usable:
        product_ppm, band_ppm = measured.dissolved_solids_ppm, measured.expanded_uncertainty_ppm
        if plan.check is not None and live is not None and live.assessment.product_ppm is not None:
            # The worse of two cells decides, so it is shown.
            product_ppm, band_ppm = live.assessment.product_ppm, live.assessment.guard_band_ppm
        if flowing:
            of_product = judge(product_ppm, band_ppm, limits.limit_ppm, limits.target_ppm).value
        if fed is not None and fed.dissolved_solids_ppm > 0.0:
            rejection = rejection_percent(fed.dissolved_solids_ppm, measured.dissolved_solids_ppm)
    held = judged(accounts, limits.reservoir_limit_ppm, min(limits.target_ppm, limits.reservoir_limit_ppm))
    check = _NOT_FITTED if plan.check is None else _NO_PROBE if live is None else live.check
    checked = check.measurement
    apart_percent = None
    if flowing and product_ppm and checked is not None and check.usable:
        assert measured is not None, "a product with a value was measured"
        apart_percent = _percent_apart(checked.dissolved_solids_ppm, measured.dissolved_solids_ppm)
    volume_l = level.volume_l
    days_left, cover = outlook.days_left, outlook.cover
    running = state.phase in ACTIVE
    of_cells = product.health if live is None else max(product.health, live.check.health)
    health = max(of_cells, of_feed, of_level) if link_up and not state.latches else Health.FAILURE
    return StationView(
        identity=identity,
        link_up=link_up,
        product_conductivity_25_us_cm=None if measured is None else measured.conductivity_25_us_cm,
        product_ppm=None
        if measured is None
        else measured.dissolved_solids_ppm
        if product_ppm is None
        else product_ppm,
        product_uncertainty_ppm=None
        if measured is None
        else measured.expanded_uncertainty_ppm
        if product_ppm is None
        else band_ppm,
        product_temperature_c=None if live is None else live.assessment.temperature_c,
        product_health=of_cells.word,
        product_state=product_line(product_ppm, band_ppm, flowing=flowing, limit_ppm=limits.limit_ppm).value,
        product_verdict=of_product,
        feed_conductivity_25_us_cm=None if fed is None else fed.conductivity_25_us_cm,
        feed_ppm=None if fed is None else fed.dissolved_solids_ppm,
        feed_temperature_c=None if fed is None else fed.temperature_c,
        feed_health=of_feed.word,
        volume_l=volume_l,
        level_fraction=None if volume_l is None else volume_l / identity.capacity_l,
        zone="unknown" if level.zone is None else level.zone.value,
        level_health=of_level.word,
        overflow=None if live is None else live.assessment.overflow,
        reservoir_ppm=held.ppm,
        reservoir_uncertainty_ppm=held.expanded_ppm,
        reservoir_verdict=held.verdict.value,
        reservoir_over_limit_probability=held.over_limit_probability,
        reservoir_basis=accounts.water.basis.value,
        valve_decided="shut" if decision is None else decision.flow.value,
        valve_reported="unknown"
        if live is None or live.assessment.seen is None
        else live.assessment.seen.value,
        missing_permissives=() if decision is None else tuple(one.value for one in decision.missing),
        hold=state.hold,
        phase=state.phase.value,
        fill_volume_l=state.fill.volume_l if identity.has_volume else None,
        fill_elapsed_s=state.fill.open_s,
        volume_today_l=(state.day_l + (state.fill.volume_l if running else 0.0))
        if identity.has_volume
        else None,
        purifier_treated_l=accounts.load.treated_l,
        purifier_load_g=accounts.load.taken_up_g,
        rejection_percent=rejection,
        litres_left=None if outlook.litres_left is None else outlook.litres_left.median,
        days_left=None if days_left is None else days_left.median,
        days_left_low=None if days_left is None else days_left.low80,
        days_left_high=None if days_left is None else days_left.high80,
        order_now=outlook.order_now,
        cover_days=None if cover is None else min(cover.days, HORIZON_DAYS),
        cover_low_days=None if cover is None else min(cover.low80_days, HORIZON_DAYS),
        cover_high_days=None if cover is None else min(cover.high80_days, HORIZON_DAYS),
        health=health.word,
        first_out=None if state.first_out is None else state.first_out.value,
        latched_trips=tuple(latch.trip.value for latch in state.latches),
        alarms=tuple(_alarm(record, doubts) for record in state.alarms if record.status is not Status.NORMAL),
        frames_good=frames[0],
        frames_damaged=frames[1],
        controller=controller,
        check_conductivity_25_us_cm=None if checked is None else checked.conductivity_25_us_cm,
        check_ppm=None if checked is None else checked.dissolved_solids_ppm,
        check_temperature_c=None if checked is None else checked.temperature_c,
        check_difference_percent=apart_percent,
        check_health=check.health.word,
        round_date=None if due is None else due.days[0].day,
        round_trays=None if due is None else len(due.days[0].trays),
        round_flushes=None if due is None else len(due.days[0].flushes),
        round_litres=None if due is None else due.days[0].litres,
        round_flush_days=None if due is None else due.flush_days,
        round_summary=None if due is None else due.summary,
        round_ahead=None if due is None else due.days,
    )


def _percent_apart(ppm: float, from_ppm: float) -> float | None:
    return 100.0 * (ppm - from_ppm) / from_ppm if from_ppm > 0.0 else None


def alarm_sentence(alarm: AlarmId, doubts: tuple[Doubt, ...]) -> str:
    """Return the sentences of an alarm; of a doubtful cell with what was seen and what to do."""
    fault = FAULTS[alarm]
    if alarm is not Advisory.CELL_DOUBTFUL or not doubts:
        return fault.sentence
    seen = " ".join(f"{one.seen[:1].upper()}{one.seen[1:]}." for one in doubts)
    to_do = " ".join(f"{one.to_do[:1].upper()}{one.to_do[1:]}." for one in doubts)
    return f"{fault.what} {seen} {fault.did} {to_do}"


def _alarm(record: AlarmRecord, doubts: tuple[Doubt, ...]) -> ActiveAlarm:
    return ActiveAlarm(
        alarm=record.alarm.value,
        state=record.status.value,
        sentence=alarm_sentence(record.alarm, doubts),
        shelved=record.shelved_until is not None,
    )
