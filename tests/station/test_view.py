"""The view of a station: each value under its own name, and nothing that is not known."""

from dataclasses import replace
from typing import Any

import pytest

from bridge.demo import station
from bridge.estimate.reservoir import HandSample
from bridge.estimate.watch import Check, Doubt
from bridge.guard.alarms import AlarmRecord, Status
from bridge.guard.faults import FAULTS
from bridge.guard.limits import Limits
from bridge.guard.model import Advisory, Assessment, Flow, Permissive, Phase, Trip
from bridge.guard.state import Decision, FillRecord, GuardState, Latch, begin
from bridge.protocol.messages import LocalFault
from bridge.purifier.cartridge import Load
from bridge.purifier.forecast import Interval
from bridge.rig.scenario import DEMO
from bridge.station.assess import Picture, ProbeView
from bridge.station.inventory import assuming, sampled
from bridge.station.inventory import begin as inventory_begin
from bridge.station.plan import StationPlan
from bridge.station.view import (
    NOTHING_KNOWN,
    ActiveAlarm,
    Outlook,
    StationView,
    alarm_sentence,
    level_health,
    picture_of,
)
from bridge.tank.cover import Cover
from bridge.tank.daily_use import HORIZON_DAYS
from bridge.tank.level import Level, Zone
from bridge.tank.level_sensor import LevelFault
from bridge.trays.ahead import RoundDay, RoundDue
from bridge.water.health import Health
from bridge.water.measurement import Measurement, measure

PLAN = station(DEMO, "nowhere", Limits(), 0.5, 0.9)
CAPACITY_L = PLAN.identity.capacity_l
TWO_CELLS = replace(PLAN, feed=None, check=PLAN.product)


def measured(us_cm: float, ppm: float, band_ppm: float, celsius: float) -> Measurement:
    return replace(
        measure(PLAN.product.chain, 100.0, 20.0),
        conductivity_25_us_cm=us_cm,
        dissolved_solids_ppm=ppm,
        expanded_uncertainty_ppm=band_ppm,
        temperature_c=celsius,
    )


PRODUCT = ProbeView(measured(8.0, 4.0, 0.5, 15.1))
FEED = ProbeView(measured(800.0, 400.0, 40.0, 15.2))
CHECK = ProbeView(measured(10.0, 5.0, 0.6, 15.3))
LEVEL = Level(0.4, 0.4 * CAPACITY_L, Zone.MIDDLE, False, ())
FILLING = replace(
    begin(50.0),
    phase=Phase.FILL,
    flow=Flow.TO_RESERVOIR,
    fill=FillRecord(open_s=70.0, volume_l=11.0),
    day_l=22.0,
)
DECISION = Decision(Flow.TO_RESERVOIR, 10.0, (Permissive.NO_HOLD, Permissive.FILL_TIME))
ACCOUNTS = replace(
    sampled(
        assuming(inventory_begin(PLAN), 9.0, 0.4 * CAPACITY_L), HandSample(9.0, 0.5, 0.1, "pen"), 50.0, 60.0
    ),
    load=Load(33.0, 4.4),
)


def picture(**more: Any) -> Picture:
    parts: dict[str, Any] = {
        "assessment": Assessment(
            seen=Flow.TO_DRAIN, temperature_c=15.4, overflow=False, product_ppm=4.0, guard_band_ppm=0.5
        ),
        "product": PRODUCT,
        "feed": FEED,
        "check": ProbeView(),
        "level": LEVEL,
        "feed_ppm": 400.0,
        "local": LocalFault.NONE,
    }
    return Picture(**{**parts, **more})


def view(
    seen: Picture | None,
    state: GuardState = FILLING,
    plan: StationPlan = PLAN,
    *,
    decision: Decision | None = DECISION,
    link_up: bool = True,
    **more: Any,
) -> StationView:
    return picture_of(
        plan, ACCOUNTS, seen, state, decision, link_up=link_up, controller="board 1.0", frames=(5, 6), **more
    )


def test_each_value_is_shown_under_its_own_name() -> None:
    interval = Interval(1000.0, 700.0, 1300.0, 600.0, 1400.0)
    outlook = Outlook(
        litres_left=interval,
        days_left=replace(interval, median=30.0, low80=20.0, high80=45.0),
        order_now=False,
        cover=Cover(12.0, 6.0, 4.0, 9.0, 3.0, HORIZON_DAYS + 1.0),
    )
    days = (RoundDay("2026-07-01", 7.5, ("a", "b"), ("b",)), RoundDay("2026-07-02", 1.0, (), ()))
    shown = view(picture(), outlook=outlook, due=RoundDue(days, 3, "Two trays."))
    assert shown == StationView(
        identity=PLAN.identity,
        link_up=True,
        product_conductivity_25_us_cm=8.0,
        product_ppm=4.0,
        product_uncertainty_ppm=0.5,
        product_temperature_c=15.4,
        product_health="good",
        product_state="flowing",
        product_verdict="suitable",
        feed_conductivity_25_us_cm=800.0,
        feed_ppm=400.0,
        feed_temperature_c=15.2,
        feed_health="good",
        volume_l=0.4 * CAPACITY_L,
        level_fraction=pytest.approx(0.4),  # type: ignore[arg-type]
        zone="middle",
        level_health="good",
        overflow=False,
        reservoir_ppm=pytest.approx(9.0, rel=0.01),  # type: ignore[arg-type]
        reservoir_uncertainty_ppm=shown.reservoir_uncertainty_ppm,
        reservoir_verdict="suitable",
        reservoir_over_limit_probability=shown.reservoir_over_limit_probability,
        reservoir_basis="sample",
        valve_decided="fill",
        valve_reported="drain",
        missing_permissives=("no-hold", "fill-time"),
        hold=False,
        phase="fill",
        fill_volume_l=11.0,
        fill_elapsed_s=70.0,
        volume_today_l=33.0,
        purifier_treated_l=33.0,
        purifier_load_g=4.4,
        rejection_percent=99.0,
        litres_left=1000.0,
        days_left=30.0,
        days_left_low=20.0,
        days_left_high=45.0,
        order_now=False,
        cover_days=6.0,
        cover_low_days=4.0,
        cover_high_days=9.0,
        health="good",
        first_out=None,
        latched_trips=(),
        alarms=(),
        frames_good=5,
        frames_damaged=6,
        controller="board 1.0",
        check_health="good",
        round_date="2026-07-01",
        round_trays=2,
        round_flushes=1,
        round_litres=7.5,
        round_flush_days=3,
        round_summary="Two trays.",
        round_ahead=days,
    )
    assert (shown.reservoir_uncertainty_ppm or 0.0) > 0.0
    assert 0.0 <= (shown.reservoir_over_limit_probability or 0.0) < 0.01


def test_a_cover_without_end_is_shown_as_the_horizon() -> None:
    cover = Cover(12.0, *(HORIZON_DAYS + extra for extra in (2.0, 1.0, 3.0, 0.5, 4.0)))
    shown = view(picture(), outlook=replace(NOTHING_KNOWN, cover=cover))
    assert {shown.cover_days, shown.cover_low_days, shown.cover_high_days} == {HORIZON_DAYS}


@pytest.mark.parametrize("seen", [None, picture()], ids=["no reading yet", "old reading"])
def test_without_a_live_reading_no_value_of_it_is_shown(seen: Picture | None) -> None:
    shown = view(seen, begin(50.0), link_up=seen is None, decision=None)
    never = {
        "product_conductivity_25_us_cm", "product_ppm", "product_uncertainty_ppm", "product_temperature_c",
        "feed_conductivity_25_us_cm", "feed_ppm", "feed_temperature_c", "volume_l", "level_fraction",
        "overflow", "rejection_percent", "check_conductivity_25_us_cm", "check_ppm", "check_temperature_c",
        "check_difference_percent", "first_out", "litres_left", "days_left", "days_left_low",
        "days_left_high", "order_now", "cover_days", "cover_low_days", "cover_high_days", "round_date",
        "round_trays", "round_flushes", "round_litres", "round_flush_days", "round_summary", "round_ahead",
    }  # fmt: skip
    assert {name for name in never if getattr(shown, name) is not None} == set()
    assert (shown.product_state, shown.product_verdict, shown.zone) == ("failed", "unknown", "unknown")
    assert (shown.valve_decided, shown.valve_reported, shown.missing_permissives) == ("shut", "unknown", ())
    assert {shown.product_health, shown.feed_health, shown.level_health, shown.health} == {"failure"}
    # What the bridge itself keeps is known all the same.
    assert shown.reservoir_ppm == pytest.approx(9.0, rel=0.01)
    assert (shown.purifier_treated_l, shown.fill_volume_l) == (33.0, 0.0)


@pytest.mark.parametrize(
    ("path", "phase", "state", "verdict"),
    [
        (Flow.TO_RESERVOIR, Phase.FILL, "flowing", "suitable"),
        (Flow.TO_DRAIN, Phase.RINSE, "standing", "unknown"),
        (Flow.SHUT, Phase.FILL, "standing", "unknown"),
        (None, Phase.FILL, "standing", "unknown"),
    ],
)
def test_product_is_judged_only_while_it_flows_and_the_rinse_is_over(
    path: Flow | None, phase: Phase, state: str, verdict: str
) -> None:
    seen = picture(assessment=replace(picture().assessment, seen=path))
    shown = view(seen, replace(FILLING, phase=phase))
    assert (shown.product_state, shown.product_verdict, shown.product_ppm) == (state, verdict, 4.0)
    assert shown.valve_reported == ("unknown" if path is None else path.value)
    assert shown.rejection_percent == 99.0


@pytest.mark.parametrize(
    ("ppm", "state", "verdict"),
    [(24.4, "flowing", "suitable"), (24.6, "flowing", "marginal"), (49.6, "over-limit", "unsuitable")],
)
def test_product_is_judged_with_its_uncertainty(ppm: float, state: str, verdict: str) -> None:
    shown = view(picture(product=ProbeView(measured(2.0 * ppm, ppm, 0.5, 15.0))))
    assert (shown.product_state, shown.product_verdict) == (state, verdict)


@pytest.mark.parametrize(
    ("health", "state", "rejection"),
    [
        (Health.OUT_OF_SPECIFICATION, "flowing", 99.0),
        (Health.FUNCTION_CHECK, "failed", None),
        (Health.FAILURE, "failed", None),
    ],
)
def test_a_cell_that_is_not_trusted_shows_its_value_and_judges_nothing(
    health: Health, state: str, rejection: float | None
) -> None:
    shown = view(picture(product=replace(PRODUCT, health=health)))
    assert (shown.product_ppm, shown.product_uncertainty_ppm) == (4.0, 0.5)
    assert (shown.product_state, shown.rejection_percent) == (state, rejection)
    assert shown.product_health == shown.health == health.word


def test_no_rejection_is_shown_of_a_feed_that_holds_nothing_or_less() -> None:
    for feed_ppm in (0.0, -1.0):
        feed = ProbeView(measured(2.0 * feed_ppm, feed_ppm, 1.0, 15.0))
        assert view(picture(feed=feed)).rejection_percent is None
    half = ProbeView(measured(1.0, 0.5, 1.0, 15.0))
    assert view(picture(feed=half)).rejection_percent == pytest.approx(-700.0)


def test_of_two_cells_the_worse_value_is_shown_and_the_difference_is_that_of_both() -> None:
    worse = replace(picture().assessment, product_ppm=5.0, guard_band_ppm=0.6)
    both = picture(check=CHECK, feed=ProbeView(), assessment=worse)
    shown = view(both, plan=TWO_CELLS)
    assert (shown.product_ppm, shown.product_uncertainty_ppm) == (5.0, 0.6)
    assert (shown.check_conductivity_25_us_cm, shown.check_ppm, shown.check_temperature_c) == (
        10.0,
        5.0,
        15.3,
    )
    assert shown.check_difference_percent == pytest.approx(25.0)
    # A vote without a value leaves that of the product cell.
    alone = replace(both, assessment=replace(worse, product_ppm=None))
    assert view(alone, plan=TWO_CELLS).product_ppm == 4.0
    # A product cell at zero has no share to differ by.
    zero = replace(both, product=ProbeView(measured(0.0, 0.0, 0.5, 15.0)))
    assert view(zero, plan=TWO_CELLS).check_difference_percent is None
    tiny = replace(both, product=ProbeView(measured(1.0, 0.5, 0.5, 15.0)))
    assert view(tiny, plan=TWO_CELLS).check_difference_percent == pytest.approx(900.0)
    standing = replace(both, assessment=replace(worse, seen=Flow.SHUT))
    assert view(standing, plan=TWO_CELLS).check_difference_percent is None
    for health in (Health.FUNCTION_CHECK, Health.FAILURE):
        doubtful = view(replace(both, check=replace(CHECK, health=health)), plan=TWO_CELLS)
        assert doubtful.check_difference_percent is None
        assert doubtful.check_health == doubtful.product_health == doubtful.health == health.word
    assert view(None, plan=TWO_CELLS).check_health == "failure"
    # Without a check cell the value of the product cell is shown, whatever the assessment has.
    assert view(picture(assessment=worse)).product_ppm == 4.0


@pytest.mark.parametrize("part", ["product", "feed", "check", "level", "link", "latch"])
def test_the_health_is_that_of_the_worst_part(part: str) -> None:
    changes: dict[str, dict[str, object]] = {
        "product": {"product": replace(PRODUCT, health=Health.MAINTENANCE_REQUIRED)},
        "feed": {"feed": replace(FEED, health=Health.MAINTENANCE_REQUIRED)},
        "check": {"check": replace(CHECK, health=Health.MAINTENANCE_REQUIRED)},
        "level": {"level": replace(LEVEL, faults=(LevelFault.LEVEL_SENSOR_STUCK,))},
    }
    bad = changes.get(part, {})
    latches = (Latch(Trip.OVERFLOW, 60.0),) if part == "latch" else ()
    shown = view(picture(**bad), replace(FILLING, latches=latches), link_up=part != "link")
    assert shown.health == ("failure" if part in ("link", "latch") else "maintenance-required")
    assert shown.latched_trips == (("overflow",) if latches else ())


def test_a_feed_cell_that_is_not_fitted_is_no_fault() -> None:
    seen = picture(feed=ProbeView(health=Health.FAILURE))
    assert view(seen, plan=replace(PLAN, feed=None)).health == "good"
    assert view(seen).health == "failure"


def test_a_level_has_failed_without_a_zone_and_needs_a_hand_with_a_fault() -> None:
    assert level_health(LEVEL) is Health.GOOD
    assert level_health(replace(LEVEL, faults=(LevelFault.SWITCH_MISSING,))) is Health.MAINTENANCE_REQUIRED
    unknown = replace(LEVEL, zone=None)
    assert level_health(unknown) is Health.FAILURE
    shown = view(picture(level=replace(unknown, volume_l=None)))
    assert (shown.zone, shown.volume_l, shown.level_fraction) == ("unknown", None, None)


@pytest.mark.parametrize("phase", Phase)
def test_the_volume_of_the_day_has_the_running_fill_in_it(phase: Phase) -> None:
    running = phase in (Phase.RINSE, Phase.FILL, Phase.PAUSE)
    assert view(picture(), replace(FILLING, phase=phase)).volume_today_l == (33.0 if running else 22.0)
    switches = replace(PLAN, identity=replace(PLAN.identity, has_volume=False))
    shown = view(picture(), replace(FILLING, phase=phase), switches)
    assert (shown.volume_today_l, shown.fill_volume_l) == (None, None)


def test_the_target_of_the_reservoir_is_never_above_its_limit() -> None:
    strict = replace(PLAN, limits=replace(PLAN.limits, reservoir_limit_ppm=20.0, target_ppm=25.0))
    assert view(picture(), plan=strict).reservoir_verdict == "suitable"
    low = replace(PLAN, limits=replace(PLAN.limits, target_ppm=5.0))
    assert view(picture(), plan=low).reservoir_verdict == "marginal"


def test_alarms_that_are_not_normal_are_shown_with_their_sentence() -> None:
    state = replace(
        FILLING,
        first_out=Trip.OVERFLOW,
        latches=(Latch(Trip.OVERFLOW, 60.0), Latch(Trip.LINK_LOST, 61.0)),
        alarms=(
            AlarmRecord(Trip.OVERFLOW, Status.LATCHED_UNACKNOWLEDGED, 60.0),
            AlarmRecord(Advisory.FROST, Status.NORMAL, 60.0, shelved_until=90.0),
            AlarmRecord(Advisory.RESERVOIR_LOW, Status.ACKNOWLEDGED, 60.0, shelved_until=90.0),
        ),
    )
    shown = view(picture(), state)
    assert shown.first_out == "overflow"
    assert shown.latched_trips == ("overflow", "link-lost")
    assert shown.alarms == (
        ActiveAlarm("overflow", "latched-unacknowledged", FAULTS[Trip.OVERFLOW].sentence, False),
        ActiveAlarm("reservoir-low", "acknowledged", FAULTS[Advisory.RESERVOIR_LOW].sentence, True),
    )


def test_the_alarm_of_a_doubtful_cell_says_what_was_seen_and_what_to_do() -> None:
    first, *_ = Check
    doubts = (
        Doubt(first, "the cell does not move", "clean it"),
        Doubt(first, "it lags", "look for a dead leg"),
    )
    fault = FAULTS[Advisory.CELL_DOUBTFUL]
    assert alarm_sentence(Advisory.CELL_DOUBTFUL, doubts) == (
        f"{fault.what} The cell does not move. It lags. {fault.did} Clean it. Look for a dead leg."
    )
    assert alarm_sentence(Advisory.CELL_DOUBTFUL, ()) == fault.sentence
    assert alarm_sentence(Advisory.FROST, doubts) == FAULTS[Advisory.FROST].sentence
