"""The assessment of a raw reading uses no value that cannot be trusted, and invents none."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.demo import HURRIED, station
from bridge.estimate.reservoir import DUST_PPM_PER_DAY, Basis
from bridge.guard.commands import HandAccuracy
from bridge.guard.model import Advisory, Flow
from bridge.protocol.messages import FAILED, BootReason, Feature, Hello, LocalFault, Reading, Value
from bridge.rig.scenario import DEMO
from bridge.station.assess import (
    FEED_READING_S,
    Memory,
    Picture,
    ProbeView,
    assess,
    begin,
    greeted,
    restarted,
    retested,
)
from bridge.station.inventory import holding, judged, renewed, sample_of, sampled
from bridge.station.plan import StationPlan
from bridge.tank.level import Zone
from bridge.tank.level_sensor import LevelFault
from bridge.water.health import Health, ProbeFault

PLAN = station(DEMO, "nowhere", HURRIED, 0.5, 0.9)
GOOD = Reading(
    1, Flow.SHUT, product_us=40.0, product_c=15.0, feed_us=600.0, feed_c=15.0, level_sensor=0.5,
    switch_low=True, switch_full=False, switch_overflow=False, pulses=1000,
)  # fmt: skip


def _after(plan: StationPlan, *readings: Reading, memory: Memory | None = None) -> tuple[Memory, Picture]:
    """Assess these readings, one second apart, and return the last result."""
    memory = memory or begin(plan)
    picture = None
    for second, reading in enumerate(readings):
        memory, picture = assess(plan, memory, reading, False, 10.0 + second)
    assert picture is not None
    return memory, picture


def _later(memory: Memory, at: float, *readings: Reading) -> tuple[Memory, Picture]:
    picture = None
    for second, reading in enumerate(readings):
        memory, picture = assess(PLAN, memory, reading, False, at + second)
    assert picture is not None
    return memory, picture


def test_a_good_reading_is_known_whole() -> None:
    _, picture = _after(PLAN, GOOD, GOOD)
    seen = picture.assessment
    # 40 µS in a cell of 0.1 per cm is 4 µS/cm at 15 °C, about 5 at 25 °C, 2.5 ppm on the scale of 0.5.
    assert seen.product_ppm == pytest.approx(2.5, rel=0.05)
    assert seen.guard_band_ppm > 0
    assert (seen.probe, seen.zone, seen.seen) == (Health.GOOD, Zone.MIDDLE, Flow.SHUT)
    assert seen.advisories == frozenset()


@pytest.mark.parametrize(
    "bad",
    [
        replace(GOOD, product_us=FAILED),
        replace(GOOD, product_us=0.0),
        replace(GOOD, product_us=-3.0),
        replace(GOOD, product_us=0.2),
        replace(GOOD, product_c=FAILED),
        replace(GOOD, product_c=-127.0),
        replace(GOOD, product_c=85.0),
        replace(GOOD, product_c=900.0),
        replace(GOOD, faults=LocalFault.TEMPERATURE_OPEN),
    ],
)
def test_a_probe_that_cannot_be_right_gives_no_figure(bad: Reading) -> None:
    """A dry cell would otherwise read as perfectly pure water."""
    _, picture = _after(PLAN, GOOD, bad)
    assert picture.assessment.product_ppm is None
    assert picture.product.health is Health.FAILURE
    assert picture.product.findings


@pytest.mark.parametrize(
    "bad",
    [
        replace(GOOD, product_us=1e9),
        replace(GOOD, product_us=50_000.0),
        replace(GOOD, product_us=0.0),
        replace(GOOD, product_us=-3.0),
        replace(GOOD, faults=LocalFault.CELL_RANGE),
    ],
)
def test_an_impossible_conductance_is_no_value_and_spoils_no_balance(bad: Reading) -> None:
    open_ = replace(bad, path=Flow.TO_RESERVOIR, level_sensor=0.501, pulses=1010)
    memory, before = _after(PLAN, replace(GOOD, path=Flow.TO_RESERVOIR))
    memory, picture = _after(PLAN, open_, memory=memory)
    assert picture.product.measurement is None
    assert picture.assessment.product_ppm is None
    assert picture.assessment.guard_band_ppm == 0.0
    assert picture.product.health is Health.FAILURE
    ppm, held_l = picture.assessment.reservoir_ppm, before.level.volume_l
    assert ppm is not None
    assert held_l is not None
    # The little that flowed with an unknown value counts as gross.
    assert ppm < 6.0 + PLAN.limits.gross_ppm * 1.0 / held_l
    assert memory.inventory.load.taken_up_g == 0.0


def _held(level: float, day: float, memory: Memory, plan: StationPlan) -> tuple[Memory, float, float]:
    """Read the level at the start of a day at 20 °C. Returns the litres and the ppm of the estimate."""
    still = replace(GOOD, level_sensor=level, product_c=20.0)
    for second in range(5):
        memory, picture = assess(plan, memory, still, False, 86_400.0 * day + second)
    assert picture.level.volume_l is not None
    return memory, picture.level.volume_l, holding(memory.inventory)


@pytest.mark.parametrize("open_m2", [0.0, 0.5])
def test_evaporation_from_an_open_surface_leaves_its_solids_behind(open_m2: float) -> None:
    plan = replace(PLAN, open_surface_m2=open_m2)
    memory, full_l, full_ppm = _held(0.6, 0.0, begin(plan), plan)
    memory, low_l, low_ppm = _held(0.4, 4.0, memory, plan)
    # By hand: 3 mm a day at 20 °C, 1.05 times that from open water, are 1.575 L a day from 0.5 m².
    gone_l = 4.0 * 3.15 * open_m2
    assert full_l - low_l > gone_l + 10.0, "the rest was drawn off, and took its solids with it"
    dusty_ppm = full_ppm + 4.0 * DUST_PPM_PER_DAY
    assert low_ppm == pytest.approx(dusty_ppm * full_l / (full_l - gone_l), rel=1e-3)
    assert memory.inventory.water.volume_l == pytest.approx(low_l, abs=0.5)


def test_a_draw_off_smaller_than_the_evaporation_is_evaporation_alone() -> None:
    plan = replace(PLAN, open_surface_m2=2.0)
    memory, full_l, full_ppm = _held(0.5, 0.0, begin(plan), plan)
    _, low_l, low_ppm = _held(0.48, 4.0, memory, plan)
    assert 1.0 < full_l - low_l < 4.0 * 3.15 * 2.0
    dusty_ppm = full_ppm + 4.0 * DUST_PPM_PER_DAY
    assert low_ppm == pytest.approx(dusty_ppm * full_l / low_l, rel=1e-3)


def test_an_impossible_feed_is_no_term_of_the_load() -> None:
    memory, good = _after(PLAN, GOOD)
    _, picture = _later(memory, 11.0, replace(GOOD, feed_us=1e9))
    assert picture.feed_ppm == good.feed_ppm
    assert picture.feed.measurement is None
    assert Advisory.FEED_PROBE_FAILURE in picture.assessment.advisories


def test_a_fast_controller_s_feed_is_measured_twice_a_second_and_its_product_each_time() -> None:
    memory, first = _after(PLAN, GOOD)
    _, at_once = _later(memory, 10.0, replace(GOOD, feed_us=FAILED))
    assert at_once.feed == first.feed
    _, after_a_step_back = _later(memory, 9.9, replace(GOOD, feed_us=FAILED))
    assert after_a_step_back.feed.measurement is None
    sooner = 10.0 + 0.9 * FEED_READING_S
    memory, picture = _later(memory, sooner, replace(GOOD, product_us=41.0, feed_us=FAILED))
    assert picture.product.measurement is not None
    assert picture.product.measurement.conductance_us == 41.0
    assert picture.feed == first.feed
    _, picture = _later(memory, 10.0 + FEED_READING_S, replace(GOOD, feed_us=FAILED))
    assert picture.feed.measurement is None
    assert Advisory.FEED_PROBE_FAILURE in picture.assessment.advisories


@pytest.mark.parametrize("level_sensor", [7.0, -0.5, FAILED, None, 0.999])
def test_a_level_sensor_that_cannot_be_right_gives_no_level_for_long(level_sensor: Value) -> None:
    plan = replace(PLAN, level=replace(PLAN.level, low_switch=False, full_switch=False))
    _, picture = _after(plan, GOOD, *[replace(GOOD, level_sensor=level_sensor)] * 4)
    assert picture.level.zone is None
    assert picture.level.volume_l is None
    assert picture.level.faults


def test_water_beyond_the_range_of_the_method_has_no_figure_and_an_advisory() -> None:
    _, picture = _after(PLAN, GOOD, replace(GOOD, product_c=52.0))
    assert picture.assessment.product_ppm is None
    assert picture.product.health is Health.OUT_OF_SPECIFICATION
    assert Advisory.TEMPERATURE_OUT_OF_RANGE in picture.assessment.advisories


@pytest.mark.parametrize(
    ("end_c", "out"), [(PLAN.limits.temperature_high_c, 1.0), (PLAN.limits.temperature_low_c, -1.0)]
)
def test_a_temperature_that_wavers_at_the_end_of_its_range_is_one_alarm(end_c: float, out: float) -> None:
    memory, picture = _after(PLAN, GOOD, replace(GOOD, product_c=end_c + 0.1 * out))
    for second, (beyond_k, alarmed) in enumerate(
        [(-0.1, True), (0.1, True), (-0.9, True), (-1.0, False), (-0.1, False), (0.0, False)], start=20
    ):
        celsius = end_c + beyond_k * out
        memory, picture = _later(memory, float(second), replace(GOOD, product_c=celsius))
        assert (Advisory.TEMPERATURE_OUT_OF_RANGE in picture.assessment.advisories) is alarmed, beyond_k


def test_a_temperature_that_nobody_knows_is_a_failed_probe_and_not_out_of_range() -> None:
    _, picture = _after(PLAN, GOOD, replace(GOOD, product_c=FAILED))
    assert picture.assessment.temperature_c is None
    assert Advisory.TEMPERATURE_OUT_OF_RANGE not in picture.assessment.advisories


@pytest.mark.parametrize(
    ("faults", "words"),
    [
        (LocalFault.TEMPERATURE_OPEN, "circuit is open"),
        (LocalFault.TEMPERATURE_SHORT, "circuit"),
        (LocalFault.LEASE_LAPSED, None),
    ],
)
def test_a_circuit_of_the_thermometer_that_the_controller_found_broken_is_named(
    faults: LocalFault, words: str | None
) -> None:
    _, picture = _after(PLAN, GOOD, replace(GOOD, faults=faults))
    assert [words in finding.sentence for finding in picture.product.findings if words] == (
        [True] if words else []
    )
    assert picture.product.usable is (words is None)


def test_a_value_may_be_used_up_to_the_class_out_of_specification() -> None:
    usable = {health for health in Health if ProbeView(health=health).usable}
    assert usable == {Health.GOOD, Health.MAINTENANCE_REQUIRED, Health.OUT_OF_SPECIFICATION}


def test_a_noisy_cell_needs_maintenance_and_is_used() -> None:
    noisy = [replace(GOOD, product_us=40.0 if n % 2 else 60.0) for n in range(60)]
    _, picture = _after(PLAN, *noisy)
    assert [finding.fault for finding in picture.product.findings] == [ProbeFault.NOISY]
    assert Advisory.PROBE_MAINTENANCE in picture.assessment.advisories
    assert picture.assessment.product_ppm is not None
    _, failed = _after(PLAN, GOOD, replace(GOOD, product_us=0.0))
    assert Advisory.PROBE_MAINTENANCE not in failed.assessment.advisories


@pytest.mark.parametrize(("step_us", "frozen"), [(0.02, True), (0.03, False), (None, True)])
def test_a_stated_step_counts_in_the_conductivity_of_its_cell(step_us: float | None, frozen: bool) -> None:
    """A cell of 0.1 per cm: a step of 0.025 µS is half a per cent of 0.5 µS/cm."""
    hello = Hello(0, "board", "1.0", BootReason.POWER, 10_000, Feature.NONE, product_step_us=step_us)
    memory, _ = _after(
        PLAN,
        *[replace(GOOD, product_us=5.0, path=Flow.TO_DRAIN)] * 1000,
        memory=greeted(begin(PLAN), hello),
    )
    _, picture = _later(memory, 1010.0, replace(GOOD, product_us=5.0, path=Flow.TO_DRAIN))
    assert (picture.product.health is Health.FAILURE) is frozen
    # A value of a frozen cell is shown, though it is not used.
    assert picture.product.measurement is not None
    assert (picture.assessment.product_ppm is None) is frozen


def test_without_a_feed_cell_the_assumed_feed_counts_until_there_is_a_sample() -> None:
    plan = replace(PLAN, feed=None, feed_ppm=333.0)
    memory, picture = _after(plan, GOOD)
    assert picture.feed_ppm == 333.0
    _, picture = _after(plan, GOOD, memory=replace(memory, feed_ppm=250.0))
    assert picture.feed_ppm == 250.0


def test_a_cell_that_conducts_more_than_its_leads_could_is_not_measured() -> None:
    """A short circuit at the plug. Leads of 1.5 ohm limit the conductance to 667 000 µS."""
    chain = replace(PLAN.product.chain, cell=replace(PLAN.product.chain.cell, lead_resistance_ohm=1.5))
    plan = replace(PLAN, product=replace(PLAN.product, chain=chain))
    _, picture = _after(plan, GOOD, replace(GOOD, product_us=700_000.0))
    assert picture.assessment.product_ppm is None
    assert picture.product.health is Health.FAILURE
    assert [finding.fault for finding in picture.product.findings] == [ProbeFault.NOT_MEASURED]


def test_the_controllers_own_cut_counts_as_the_overflow_float() -> None:
    _, picture = _after(PLAN, GOOD, replace(GOOD, faults=LocalFault.OVERFLOW_CUT))
    assert picture.assessment.overflow is True


@pytest.mark.parametrize("fault", [LocalFault.SELF_TEST, LocalFault.SUPPLY_LOW])
def test_a_controller_that_is_not_sound_forbids_a_fill(fault: LocalFault) -> None:
    _, picture = _after(PLAN, replace(GOOD, faults=fault))
    assert picture.assessment.controller_fault
    assert Advisory.CONTROLLER_FAULT in picture.assessment.advisories


def test_a_lapsed_lease_is_no_fault() -> None:
    _, picture = _after(PLAN, replace(GOOD, faults=LocalFault.LEASE_LAPSED))
    assert not picture.assessment.controller_fault


SWAPPED = replace(GOOD, product_us=600.0, feed_us=40.0)
"""The plugs of GOOD, exchanged: the product reads 60 µS/cm and 34 ppm, the feed 4 µS/cm."""


def _steady(seconds: int, reading: Reading = GOOD) -> list[Reading]:
    """Return readings that move a little, as real ones do."""
    return [
        replace(reading, product_us=reading.product_us * (1.0 + 0.001 * (n % 3)))  # type: ignore[operator]
        for n in range(seconds)
    ]


@pytest.mark.parametrize(
    "between",
    [[], [replace(GOOD, product_us=FAILED)] * 5, [replace(GOOD, product_us=300.0, feed_us=220.0)]],
    ids=["at once", "unplugged for a while", "through a filter"],
)
def test_plugs_exchanged_with_their_constants_shut_though_the_product_looks_good(
    between: list[Reading],
) -> None:
    memory, picture = _after(PLAN, *_steady(30), *between, SWAPPED)
    assert picture.assessment.product_ppm is None
    assert picture.product.health is Health.FAILURE
    assert picture.product.findings[0].fault is ProbeFault.FEED_AND_PRODUCT_SWAPPED
    memory, picture = _later(memory, 40.0, *_steady(600, SWAPPED))
    assert picture.product.health is Health.FAILURE, "it lasts until the values come back"
    memory, picture = _later(memory, 700.0, *_steady(30, replace(SWAPPED, feed_us=3000.0)))
    assert picture.product.health is Health.FAILURE, "the product spoils too, and neither value has come back"
    memory, picture = _later(memory, 740.0, *_steady(30, replace(SWAPPED, feed_us=6000.0)))
    assert picture.feed.health is Health.FAILURE, "the spoilt product is over the range of the feed cell"
    assert picture.product.health is Health.FAILURE, "the feed cell fails, and the plugs are still exchanged"
    _, picture = _later(begin(PLAN, memory.inventory), 790.0, SWAPPED)
    assert picture.product.health is Health.FAILURE, "a start of the daemon pulls no plug"
    _, picture = _later(memory, 800.0, *_steady(3))
    assert picture.product.health is Health.GOOD


def test_exchanged_plugs_whose_product_reads_better_than_before_are_found_too() -> None:
    poor = replace(GOOD, product_us=200.0, feed_us=100.0)
    _, picture = _after(PLAN, *_steady(30, poor), replace(GOOD, product_us=100.0, feed_us=200.0))
    assert picture.assessment.product_ppm is None


@pytest.mark.parametrize(
    "after",
    [
        replace(GOOD, product_us=400.0),
        replace(GOOD, feed_us=100.0),
        replace(GOOD, product_us=400.0, feed_us=1200.0),
        replace(GOOD, product_us=20.0, feed_us=200.0),
    ],
    ids=["product worse", "feed better", "both worse", "both better"],
)
def test_waters_that_change_are_no_exchanged_plugs(after: Reading) -> None:
    _, picture = _after(PLAN, *_steady(30), *_steady(5, after))
    assert picture.assessment.product_ppm is not None


def test_a_passed_retest_says_that_the_present_values_are_right() -> None:
    memory, picture = _after(PLAN, *_steady(30), SWAPPED)
    assert picture.assessment.product_ppm is None
    _, picture = _later(retested(memory), 50.0, *_steady(3, SWAPPED))
    assert picture.assessment.product_ppm is not None


def test_flow_pulses_become_litres_over_a_wrap_and_over_a_restart() -> None:
    memory, _ = _after(
        PLAN,
        replace(GOOD, pulses=2**32 - 450),
        replace(GOOD, pulses=450),  # wrapped: 900 pulses, 2 L
    )
    # The controller sent the hello of a restart: 90 pulses, 0.2 L.
    memory, picture = _after(PLAN, replace(GOOD, pulses=90), memory=restarted(memory))
    assert picture.assessment.throughput_l == pytest.approx(2.2)
    assert memory.inventory.load.treated_l == pytest.approx(2.2)


def test_the_load_is_what_the_feed_had_and_the_product_has_not() -> None:
    memory, picture = _after(PLAN, GOOD, replace(GOOD, pulses=1000 + 4500))
    assert picture.feed_ppm is not None
    assert picture.assessment.product_ppm is not None
    grams = 10.0 * (picture.feed_ppm - picture.assessment.product_ppm) / 1000.0
    assert memory.inventory.load.taken_up_g == pytest.approx(grams, rel=1e-6)
    assert renewed(memory.inventory).load.treated_l == 0.0


def test_a_rise_while_filling_mixes_in_with_its_guard_band() -> None:
    """Half full with 6 ppm, then a rise of about 18 L with 2.5 ppm. The mean has a safe margin."""
    memory, before = _after(PLAN, *[GOOD] * 5)
    filling = replace(GOOD, path=Flow.TO_RESERVOIR, level_sensor=0.6)
    memory, after = _after(PLAN, *[filling] * 8, memory=memory)
    assert before.level.volume_l is not None
    assert after.level.volume_l is not None
    came_l = after.level.volume_l - before.level.volume_l
    assert came_l > 15
    assert after.assessment.product_ppm is not None
    worst_ppm = after.assessment.product_ppm + after.assessment.guard_band_ppm
    mixed = (before.level.volume_l * 6.0 + came_l * worst_ppm) / after.level.volume_l
    assert after.assessment.reservoir_ppm == pytest.approx(mixed, rel=0.01)
    # The estimate itself has the readings without their guard bands, and an uncertainty of its own.
    assert before.level.volume_l * 6.0 / after.level.volume_l < holding(memory.inventory) < mixed


def test_waves_do_not_change_what_the_reservoir_holds() -> None:
    memory, _ = _after(PLAN, *[GOOD] * 5)
    filling = [
        replace(GOOD, path=Flow.TO_RESERVOIR, level_sensor=0.5 + 0.002 * (i % 2), product_us=900.0)
        for i in range(400)
    ]
    memory, _ = _after(PLAN, *filling, memory=memory)
    assert holding(memory.inventory) == pytest.approx(6.0, abs=0.6)


def test_accounts_into_which_nothing_came_are_the_same_object() -> None:
    before, _ = _after(PLAN, *[GOOD] * 3)
    after, _ = _after(PLAN, *[replace(GOOD, level_sensor=0.4999)] * 3, memory=before)
    assert after.inventory is before.inventory


def test_a_first_sample_replaces_what_was_assumed() -> None:
    memory, _ = _after(PLAN, *[GOOD] * 3)
    for inventory in (memory.inventory, begin(PLAN).inventory):
        after = sampled(inventory, sample_of(PLAN, 12.0), 50.0, 20.0)
        assert holding(after) == pytest.approx(12.0, abs=0.2)
        assert after.water.basis is Basis.SAMPLE


SWITCHES = replace(
    PLAN,
    level=replace(PLAN.level, level_sensor=None),
    litres_per_pulse=None,
    identity=replace(PLAN.identity, has_volume=False),
)


def test_with_switches_only_bad_water_counts_as_if_it_came_at_full_flow() -> None:
    memory, _ = _after(SWITCHES, *[GOOD] * 4)
    bad = replace(GOOD, path=Flow.TO_RESERVOIR, product_us=1500.0)
    memory, picture = _after(SWITCHES, *[bad] * 4, memory=memory)
    seen = picture.assessment
    assert picture.level.volume_l is None
    assert seen.product_ppm is not None
    assert seen.reservoir_ppm is not None
    # By hand: in each of three seconds, mixed into the water that is there at least.
    litres, held_l = SWITCHES.limits.flow_max_l_s, seen.volume_at_least_l
    worst_ppm, mixed_ppm = seen.product_ppm + seen.guard_band_ppm, 6.0
    for _ in range(3):
        mixed_ppm = (mixed_ppm * held_l + worst_ppm * litres) / (held_l + litres)
    assert mixed_ppm > 6.2
    assert seen.reservoir_ppm == pytest.approx(mixed_ppm, rel=0.01)
    found = judged(memory.inventory, 50.0, 25.0)
    assert found.ppm == pytest.approx(6.0)
    assert found.expanded_ppm == pytest.approx(mixed_ppm - 6.0, rel=0.01), (
        "the interval reaches the worst case"
    )


def test_with_switches_only_a_whole_fill_counts_once_however_bad_it_is() -> None:
    level = SWITCHES.level
    memory, _ = _after(SWITCHES, *[replace(GOOD, switch_low=False, switch_full=False)] * 60)
    fill = replace(GOOD, path=Flow.TO_RESERVOIR, product_us=300.0)
    memory, _ = _after(SWITCHES, *[fill] * 120, memory=memory)
    memory, picture = _after(SWITCHES, *[replace(fill, switch_full=True)] * 60, memory=memory)
    refill_l, fill_l = (level.shape.volume_l(depth_m) for depth_m in (level.refill_m, level.fill_m))
    product_ppm = picture.assessment.product_ppm
    assert product_ppm is not None
    assert product_ppm > 6.0, "worse than the water that is there"
    assert holding(memory.inventory) == pytest.approx(
        (6.0 * refill_l + product_ppm * (fill_l - refill_l)) / fill_l, rel=0.01
    )
    assert memory.inventory.water.assumed_share == pytest.approx(refill_l / fill_l, rel=0.01)


FINE = HandAccuracy("fine", 0.1, 0.05, False)


def _sampled(memory: Memory, ppm: float) -> Memory:
    sample = sample_of(PLAN, ppm, FINE)
    return replace(memory, inventory=sampled(memory.inventory, sample, 1000.0, 20.0))


def _at(level_sensor: float, reading: Reading = GOOD) -> Reading:
    """The reading with the level sensor here, and with the switches that agree."""
    return replace(
        reading, level_sensor=level_sensor, switch_low=level_sensor > 0.3, switch_full=level_sensor > 0.9
    )


def _flowing(memory: Memory, litres: float, path: Flow, low: float, high: float) -> tuple[Memory, Picture]:
    """Let litres through the flow meter at 2 L/min, while the level sensor moves from low to high."""
    seconds = round(30.0 * litres)
    assert PLAN.litres_per_pulse is not None
    each = replace(GOOD, path=path)
    readings = []
    for n in range(seconds):
        pulses = 1000 + round(litres / PLAN.litres_per_pulse * n / seconds)
        product_us = 40.0 + 0.2 * (n % 5)
        level_sensor = low + (high - low) * n / seconds
        readings.append(_at(level_sensor, replace(each, pulses=pulses, product_us=product_us)))
    settled = replace(readings[-1], path=Flow.SHUT)
    return _later(memory, 100.0, *readings, *[settled] * 30)


def test_water_that_the_meter_counted_and_the_level_does_not_show_widens_the_estimate() -> None:
    memory, before = _after(PLAN, *[GOOD] * 5)
    held_l, product_ppm = before.level.volume_l, before.assessment.product_ppm
    assert held_l is not None
    assert product_ppm is not None
    memory, _ = _flowing(_sampled(memory, 40.0), 20.0, Flow.TO_RESERVOIR, 0.5, 0.52)
    found = judged(memory.inventory, 50.0, 25.0)
    assert found.ppm is not None
    assert found.expanded_ppm is not None
    # All of it came and some was drawn off, or a hose has burst and hardly any came.
    came_ppm = (40.0 * held_l + 20.0 * product_ppm) / (held_l + 20.0)
    assert found.ppm - found.expanded_ppm < came_ppm < found.ppm < 40.0 < found.ppm + found.expanded_ppm


def test_a_reservoir_at_the_lower_stop_of_its_level_sensor_may_have_been_empty() -> None:
    assert PLAN.level.level_sensor is not None
    low = PLAN.level.level_sensor.table.fractions[0]
    memory, _ = _after(PLAN, *[GOOD] * 5)
    memory, there = _later(_sampled(memory, 300.0), 30.0, *[_at(low)] * 20)
    assert there.level.volume_l is not None
    assert there.level.volume_l > 5.0
    memory, full = _flowing(memory, 60.0, Flow.TO_RESERVOIR, low, low + 0.3)
    product_ppm = full.assessment.product_ppm
    found = judged(memory.inventory, 50.0, 25.0)
    assert product_ppm is not None
    assert found.ppm is not None
    assert found.expanded_ppm is not None
    assert found.ppm > 20.0, "of the water at the stop"
    assert found.ppm - found.expanded_ppm < product_ppm


def test_better_water_that_passed_a_full_reservoir_improves_the_estimate_and_not_the_guard() -> None:
    memory, _ = _after(PLAN, *[_at(0.95)] * 5)
    memory, _ = _later(_sampled(memory, 40.0), 30.0, _at(0.95))
    memory, seen = _flowing(memory, 100.0, Flow.SHUT, 0.95, 0.95)
    found = judged(memory.inventory, 50.0, 25.0)
    assert found.ppm is not None
    assert found.expanded_ppm is not None
    assert found.ppm < 30.0
    assert found.ppm + found.expanded_ppm >= 40.0
    assert seen.assessment.reservoir_ppm is not None
    assert seen.assessment.reservoir_ppm >= 40.0


VALUES = st.one_of(
    st.none(), st.just(FAILED), st.floats(-1e6, 1e6), st.floats(0, 50), st.sampled_from([0.0, 1e9])
)


@given(
    st.lists(
        st.builds(
            Reading,
            sequence=st.integers(0, 65535), path=st.sampled_from(Flow), product_us=VALUES, product_c=VALUES,
            feed_us=VALUES, feed_c=VALUES, level_sensor=VALUES,
            switch_low=st.sampled_from([None, True, False]),
            switch_full=st.sampled_from([None, True, False]),
            switch_overflow=st.sampled_from([None, True, False]),
            pulses=st.one_of(st.none(), st.integers(0, 2**32 - 1)),
            faults=st.integers(0, 511).map(LocalFault),
        ),
        max_size=20,
    )
)  # fmt: skip
def test_whatever_a_controller_sends_is_taken_without_a_crash(readings: list[Reading]) -> None:
    memory = begin(PLAN)
    for second, reading in enumerate(readings):
        memory, picture = assess(PLAN, memory, reading, True, float(second))
        seen = picture.assessment
        assert seen.product_ppm is None or (math.isfinite(seen.product_ppm) and seen.product_ppm > -0.1)
        assert math.isfinite(holding(memory.inventory))
        assert holding(memory.inventory) >= 0
        assert seen.volume_l is None or 0 <= seen.volume_l <= PLAN.identity.capacity_l + 1e-6


def _advised(plan: StationPlan, seconds: int, product_us: float) -> bool:
    """Return whether product of this conductance is over the target after these seconds of a fill."""
    memory, picture = begin(plan), None
    for second in range(seconds):
        reading = replace(GOOD, path=Flow.TO_RESERVOIR, product_us=product_us + 0.01 * (second % 7))
        memory, picture = assess(plan, memory, reading, True, 10.0 + second)
    assert picture is not None
    return Advisory.PRODUCT_OVER_TARGET in picture.assessment.advisories


def test_what_a_rinse_leaves_to_be_washed_out_is_no_alarm_and_product_that_stays_so_is() -> None:
    rinse_s = round(PLAN.limits.rinse_max_s)
    # 500 µS in a cell of 0.1 per cm are about 32 ppm on the scale of 0.5.
    assert not _advised(PLAN, rinse_s, 500.0)
    assert _advised(PLAN, rinse_s + 1, 500.0)
    assert not _advised(PLAN, rinse_s + 2, 40.0)


@pytest.mark.parametrize(
    ("found", "fault"),
    [
        (LocalFault.LEVEL_SENSOR_OPEN, LevelFault.LEVEL_SENSOR_OPEN),
        (LocalFault.LEVEL_SENSOR_SHORT, LevelFault.LEVEL_SENSOR_SHORT),
    ],
)
def test_a_circuit_of_the_level_sensor_that_the_controller_found_broken_is_named(
    found: LocalFault, fault: LevelFault
) -> None:
    _, picture = _after(PLAN, replace(GOOD, faults=found))
    assert fault in picture.level.faults
    assert picture.level.volume_l is None
    _, sound = _after(PLAN, GOOD)
    assert sound.level.faults == ()


def test_a_reservoir_under_half_of_its_refill_mark_is_low() -> None:
    low = []
    for hundredth in range(10, 60):
        _, picture = _after(PLAN, replace(GOOD, level_sensor=0.01 * hundredth))
        if picture.level.volume_l is None:
            continue
        share = picture.level.volume_l / PLAN.identity.capacity_l
        assert (Advisory.RESERVOIR_LOW in picture.assessment.advisories) is (share < 0.25)
        low.append(share < 0.25)
    assert set(low) == {True, False}
