"""The inventory of a reservoir against the balance of litres and milligrams, done by hand."""

import math
from dataclasses import replace

import pytest

from bridge.demo import station
from bridge.estimate.reservoir import Basis, HandSample
from bridge.guard.limits import Limits
from bridge.guard.model import Flow
from bridge.rig.scenario import DEMO
from bridge.station.balance import AGE_EVERY_S, follow
from bridge.station.inventory import (
    Inventory,
    assuming,
    begin,
    holding,
    holding_at_worst,
    judged,
    proof_test_due,
    sample_of,
    sampled,
    taken_in,
    unmeasured,
)
from bridge.station.plan import StationPlan
from bridge.tank.level import Level, Zone
from bridge.water.meter import HandMeter, MeterUnit

PLAN = replace(station(DEMO, "nowhere", Limits(), 0.5, 0.9), litres_per_pulse=None)
CAPACITY_L = PLAN.identity.capacity_l
HALF_L = 0.5 * CAPACITY_L
START_PPM = 10.0


def at(volume_l: float, *, overflow: bool = False, zone: Zone = Zone.MIDDLE) -> Level:
    return Level(0.5, volume_l, zone, overflow, (), max(volume_l - 5.0, 0.0))


def step(
    before: Inventory,
    level: Level,
    path: Flow = Flow.SHUT,
    *,
    plan: StationPlan = PLAN,
    product_ppm: float | None = 40.0,
    band_ppm: float = 10.0,
    pulsed_l: float | None = None,
    now: float = 100.0,
) -> Inventory:
    return follow(plan, before, level, path, pulsed_l, product_ppm, band_ppm, 300.0, 1.0, now)


@pytest.fixture
def half() -> Inventory:
    """Half a reservoir of 10 ppm, whose volume is known."""
    found = step(assuming(begin(PLAN), START_PPM, HALF_L), at(HALF_L))
    assert holding(found) == pytest.approx(START_PPM)
    assert found.located
    return found


def mixed(*parts: tuple[float, float]) -> float:
    """Returns the concentration of these (litres, ppm) together."""
    return sum(litres * ppm for litres, ppm in parts) / sum(litres for litres, _ in parts)


def test_an_inflow_mixes_in_at_its_reading_and_for_the_guard_with_its_band(half: Inventory) -> None:
    filling = step(half, at(HALF_L + 5.0), Flow.TO_RESERVOIR)
    assert filling.water is half.water, "it is collected first"
    assert holding(filling) == pytest.approx(mixed((HALF_L, START_PPM), (5.0, 40.0)))
    assert holding_at_worst(filling) == pytest.approx(mixed((HALF_L, START_PPM), (5.0, 50.0)))
    ended = step(filling, at(HALF_L + 5.0), Flow.SHUT)
    assert ended.inflow.litres == 0.0
    assert ended.water.volume_l == pytest.approx(HALF_L + 5.0)
    assert holding(ended) == pytest.approx(mixed((HALF_L, START_PPM), (5.0, 40.0)), rel=0.01)
    assert holding_at_worst(ended) == pytest.approx(mixed((HALF_L, START_PPM), (5.0, 50.0)), rel=0.001)
    assert ended.load.treated_l == pytest.approx(5.0)
    # A feed of 300 ppm and a product of 40 ppm.
    assert ended.load.taken_up_g == pytest.approx(1.3)


def test_half_a_litre_counts_too(half: Inventory) -> None:
    filling = step(half, at(HALF_L + 0.5), Flow.TO_RESERVOIR)
    assert holding(filling) == pytest.approx(mixed((HALF_L, START_PPM), (0.5, 40.0)))
    assert holding_at_worst(filling) == pytest.approx(mixed((HALF_L, START_PPM), (0.5, 50.0)))


def test_a_sample_on_the_scale_of_the_limit_has_the_accuracy_of_the_meter_on_its_own_scale() -> None:
    meter = HandMeter("pen", MeterUnit.PPM, 1.0, 0.7, percent_of_full_scale=2.0, full_scale=999.0)
    sample = sample_of(replace(PLAN, meter=meter), 30.0)
    assert sample.ppm == pytest.approx(30.0)
    assert sample.meter == "pen"
    # 2 % of 999 ppm, rectangular, from a scale of 0.7 to the scale of the limit.
    accuracy_ppm = 0.02 * 999.0 / 3.0**0.5 * PLAN.identity.factor / 0.7
    # Nobody measured the temperature: 0.4 % for each kelvin, over 21 K by the root of two.
    compensation_ppm = 30.0 * 0.004 * 21.0 / 2.0**0.5
    assert sample.common_ppm == pytest.approx(math.hypot(accuracy_ppm, compensation_ppm))


def test_a_long_inflow_enters_the_estimate_after_a_tenth_of_the_capacity(half: Inventory) -> None:
    tenth_l = 0.1 * CAPACITY_L
    before = step(half, at(HALF_L + tenth_l - 0.1), Flow.TO_RESERVOIR)
    assert before.inflow.litres == pytest.approx(tenth_l - 0.1)
    after = step(before, at(HALF_L + tenth_l + 0.1), Flow.TO_RESERVOIR)
    assert after.inflow.litres == 0.0
    assert after.water.volume_l == pytest.approx(HALF_L + tenth_l + 0.1, rel=0.01)


def test_water_that_is_drawn_takes_its_solids_with_it(half: Inventory) -> None:
    after = step(half, at(HALF_L - 20.0))
    assert after.water.volume_l == pytest.approx(HALF_L - 20.0, rel=0.01)
    assert holding(after) == pytest.approx(START_PPM, rel=0.001)
    assert after.load.treated_l == 0.0


def test_a_rise_with_the_valve_shut_is_rain_where_rain_falls_in_and_else_product(half: Inventory) -> None:
    risen = at(HALF_L + 20.0)
    rain = step(half, risen, plan=replace(PLAN, rain_ppm=2.0))
    assert holding(rain) == pytest.approx(mixed((HALF_L, START_PPM), (20.0, 2.0)), rel=0.02)
    product = step(half, risen)
    assert holding(product) == pytest.approx(mixed((HALF_L, START_PPM), (20.0, 40.0)), rel=0.02)
    assert holding_at_worst(product) == pytest.approx(mixed((HALF_L, START_PPM), (20.0, 50.0)), rel=0.02)
    nobody_knows = step(half, risen, product_ppm=None)
    assert holding(nobody_knows) == pytest.approx(START_PPM, rel=0.001)
    for one in (rain, product, nobody_knows):
        assert one.water.volume_l == pytest.approx(HALF_L + 20.0, rel=0.01)


def test_a_rise_with_the_valve_shut_widens_the_interval_unless_the_flow_meter_explains_it(
    half: Inventory,
) -> None:
    half = sampled(half, sample_of(PLAN, START_PPM), 50.0, 100.0)
    risen, plan = at(HALF_L + 20.0), replace(PLAN, litres_per_pulse=0.001)
    unexplained = step(half, risen, plan=plan, product_ppm=START_PPM, pulsed_l=0.0)
    counted = step(half, at(HALF_L), plan=plan, product_ppm=START_PPM, pulsed_l=1.0)
    counted = step(counted, risen, plan=plan, product_ppm=START_PPM, pulsed_l=19.0)
    assert holding(unexplained) == pytest.approx(holding(counted), rel=0.02)
    # A sixth of the water is any water up to some 40 ppm.
    added_ppm = 2.0 * 15.0 * 20.0 / (HALF_L + 20.0)
    assert unexplained.water.expanded_ppm > 0.9 * added_ppm
    assert unexplained.water.expanded_ppm > counted.water.expanded_ppm


def test_what_flows_in_is_the_water_of_the_moment_that_the_flow_meter_counts(half: Inventory) -> None:
    plan = replace(PLAN, litres_per_pulse=0.001)
    # The level follows the flow some seconds later: the salty first litre is through before it moves.
    filling = step(
        half, at(HALF_L), Flow.TO_RESERVOIR, plan=plan, product_ppm=80.0, band_ppm=8.0, pulsed_l=1.0
    )
    filling = step(
        filling, at(HALF_L + 10.0), Flow.TO_RESERVOIR, plan=plan, product_ppm=1.0, band_ppm=0.1, pulsed_l=9.0
    )
    held_ppm = mixed((HALF_L, START_PPM), (1.0, 80.0), (9.0, 1.0))
    assert holding(filling) == pytest.approx(held_ppm)
    ended = step(filling, at(HALF_L + 10.0), plan=plan, product_ppm=1.0, band_ppm=0.1, pulsed_l=0.0)
    assert holding(ended) == pytest.approx(held_ppm, rel=0.01)
    assert holding_at_worst(ended) == pytest.approx(
        mixed((HALF_L, START_PPM), (1.0, 88.0), (9.0, 1.1)), rel=0.01
    )


def test_noise_within_half_a_per_cent_of_the_capacity_changes_nothing(half: Inventory) -> None:
    for share in (-0.0049, 0.0049):
        assert step(half, at(HALF_L + share * CAPACITY_L)) is half


@pytest.mark.parametrize(
    ("level", "path", "ppm", "pulsed_l", "passes"),
    [
        (at(0.96 * CAPACITY_L), Flow.SHUT, 200.0, 10.0, 1.0),
        (at(0.94 * CAPACITY_L, overflow=True), Flow.SHUT, 200.0, 10.0, 1.0),
        # Below full the level would rise. It does not: the hose has burst, or the level sensor is stuck.
        (at(0.94 * CAPACITY_L), Flow.SHUT, 200.0, 10.0, 0.5),
        (at(0.94 * CAPACITY_L), Flow.SHUT, 200.0, 1.0, 0.0),
        (at(0.96 * CAPACITY_L), Flow.SHUT, 200.0, 0.0, 0.0),
        (at(0.96 * CAPACITY_L), Flow.SHUT, 200.0, None, 0.0),
        (at(0.96 * CAPACITY_L), Flow.SHUT, 1.0, 10.0, 1.0),
        (at(0.96 * CAPACITY_L), Flow.TO_DRAIN, 200.0, 10.0, 0.0),
    ],
)
def test_product_that_passes_a_full_reservoir_mixes_in_and_better_product_leaves_the_guards_worst(
    level: Level, path: Flow, ppm: float, pulsed_l: float | None, passes: float
) -> None:
    assert level.volume_l is not None
    full = step(assuming(begin(PLAN), START_PPM, level.volume_l), level)
    after = step(full, level, path, product_ppm=ppm, band_ppm=0.0, pulsed_l=pulsed_l)
    held_ppm = mixed((level.volume_l, START_PPM), (10.0 * passes, ppm))
    assert holding(after) == pytest.approx(held_ppm, rel=0.02)
    assert holding_at_worst(after) >= max(holding(after), START_PPM) - 1e-9
    assert after.water.volume_l == pytest.approx(level.volume_l, rel=0.01)


def test_a_sample_at_the_limit_counts_in_full_and_one_under_it_with_the_estimate(half: Inventory) -> None:
    known = sampled(half, HandSample(START_PPM, 5.0, 1.0, "pen"), 50.0, 150.0)
    assert known.water.basis is Basis.SAMPLE
    over = sampled(known, HandSample(50.0, 5.0, 1.0, "pen"), 50.0, 200.0)
    assert holding_at_worst(over) >= 50.0 - 1e-9
    under = sampled(known, HandSample(20.0, 5.0, 1.0, "pen"), 50.0, 200.0)
    assert START_PPM < holding(under) < 20.0
    assert under.band_ppm == 0.0
    assert judged(under, 50.0, 25.0) is not None


def test_the_proof_test_is_due_after_its_time_where_a_float_is_fitted(half: Inventory) -> None:
    due_s = 100.0 + 86_400.0 * PLAN.limits.proof_test_days
    assert half.proved_at == 100.0
    assert not proof_test_due(PLAN, half, due_s)
    assert proof_test_due(PLAN, half, due_s + 1.0)
    without = replace(PLAN, limits=replace(PLAN.limits, has_overflow_float=False))
    assert not proof_test_due(without, half, due_s + 1.0)
    assert not proof_test_due(PLAN, replace(half, proved_at=None), due_s + 1.0)


def test_a_float_that_was_up_is_proved_and_noted_once_an_hour(half: Inventory) -> None:
    soon = step(half, at(HALF_L, overflow=True), now=100.0 + AGE_EVERY_S)
    assert soon.proved_at == 100.0
    later = step(half, at(HALF_L, overflow=True), now=101.0 + AGE_EVERY_S)
    assert later.proved_at == 101.0 + AGE_EVERY_S
    assert step(half, at(HALF_L), now=101.0 + AGE_EVERY_S).proved_at == 100.0


def test_an_unmeasured_reservoir_is_half_full_of_assumed_water() -> None:
    fresh = unmeasured(7.0, 300.0)
    assert (fresh.water.volume_l, holding(fresh), fresh.located) == (150.0, 7.0, False)
    other = assuming(fresh, 9.0)
    assert (other.water.volume_l, holding(other), other.located) == (150.0, 9.0, False)
    measured = assuming(fresh, 9.0, 40.0)
    assert (measured.water.volume_l, holding(measured), measured.located) == (40.0, 9.0, True)
    seen = step(fresh, at(HALF_L))
    assert seen.located
    assert seen.water.volume_l == pytest.approx(HALF_L)
    assert holding(seen) == 7.0


def test_the_estimate_lies_between_what_the_meter_counted_and_what_the_level_showed(half: Inventory) -> None:
    plan = replace(PLAN, litres_per_pulse=0.001)
    filling = step(half, at(HALF_L + 5.0), Flow.TO_RESERVOIR, plan=plan, pulsed_l=20.0)
    ended = step(filling, at(HALF_L + 5.0), plan=plan, pulsed_l=0.0)
    assert ended.load.treated_l == 20.0
    assert ended.water.volume_l == pytest.approx(HALF_L + 5.0, rel=0.01)
    # At least 19.4 L were counted and 5 L were seen: the rest was drawn off, or a burst hose lost it.
    assert holding(ended) == pytest.approx(mixed((HALF_L, START_PPM), (0.5 * (5.0 + 19.4), 40.0)), rel=0.02)
    same = step(half, at(HALF_L), Flow.TO_RESERVOIR, plan=plan, pulsed_l=0.0)
    assert taken_in(same) is same is half


def test_with_switches_only_a_whole_fill_of_good_water_counts_at_its_end() -> None:
    settings, shape = PLAN.level, PLAN.level.shape
    refill_l, fill_l = shape.volume_l(settings.refill_m), shape.volume_l(settings.fill_m)

    def by_switches(before: Inventory, zone: Zone, path: Flow, ppm: float | None, held_l: float) -> Inventory:
        level = Level(None, None, zone, False, (), held_l)
        return step(before, level, path, product_ppm=ppm, band_ppm=0.0)

    start = assuming(begin(PLAN), START_PPM)
    low = by_switches(start, Zone.LOW, Flow.TO_RESERVOIR, 4.0, refill_l)
    assert low.was_low
    assert holding(low) == pytest.approx(START_PPM)
    full = by_switches(low, Zone.FULL, Flow.TO_RESERVOIR, 4.0, fill_l)
    assert holding(full) == pytest.approx(mixed((refill_l, START_PPM), (fill_l - refill_l, 4.0)), rel=0.02)
    assert full.load.treated_l == pytest.approx(fill_l - refill_l)
    assert not full.was_low
    # For the guard bad water counts at once, as at full flow: 0.1 L in a second, into the least volume.
    bad = by_switches(low, Zone.MIDDLE, Flow.TO_RESERVOIR, 400.0, refill_l)
    assert holding_at_worst(bad) == pytest.approx(mixed((refill_l, START_PPM), (0.1, 400.0)), rel=0.001)
    assert holding(bad) == START_PPM
    assert by_switches(low, Zone.LOW, Flow.SHUT, 400.0, refill_l) is low
    assert holding(by_switches(low, Zone.LOW, Flow.TO_RESERVOIR, 400.0, 0.0)) == START_PPM
