"""The true errors of a campaign's instruments, and what a check cell makes of a change of one cell."""

import math
import random
from dataclasses import replace

import pytest

from bridge.estimate.verdict import passes
from bridge.guard.model import Phase, Trip
from bridge.rig.faults import FaultPlan
from bridge.rig.scenario import POLYTUNNEL_WITH_DRAIN, CellError, with_check_cell
from bridge.rig.sensors import Scene, Sensors
from bridge.simulate.gardens import NAMES, Garden, garden, garden_of
from bridge.simulate.instruments import (
    ACID,
    ALKALI,
    METERS,
    SALT,
    cell_ratio,
    fitted,
    ions_like,
    recalibrated,
    true_cell,
    true_meter,
)
from bridge.simulate.mishaps import Event, Happening
from bridge.simulate.outcome import Task
from bridge.simulate.promises import Kept
from bridge.simulate.year import Year
from bridge.station.plan import StationPlan
from bridge.water.measurement import measure
from bridge.water.meter import HandMeter, MeterUnit, read
from tests.narrowing import measured

DAY_S = 86_400.0


def covers(plan: StationPlan, ratio: float) -> bool:
    uncertainties = plan.product.chain.uncertainties
    shared = uncertainties.calibration_percent_per_k * uncertainties.temperature_k
    percent = math.hypot(uncertainties.cell_constant_percent, shared)
    return abs(ratio - 1.0) <= 0.02 * percent


def test_the_constant_of_a_drawn_cell_lies_in_its_interval_as_often_as_stated() -> None:
    place = garden(NAMES[1])
    counts = {"label": [0, 0], "calibrated": [0, 0], "calibrated again": [0, 0]}
    for seed in range(900):
        one, _ = fitted(place, f"instruments/{seed}")
        error = one.scenario.fittings.product_error
        name = "label" if one.plan.product.calibration is None else "calibrated"
        again = recalibrated(one, random.Random(seed), error, 100.0 * DAY_S)
        for kind, here, at_s in ((name, one, 0.0), ("calibrated again", again, 101.0 * DAY_S)):
            counts[kind][0] += covers(here.plan, cell_ratio(here, error, at_s))
            counts[kind][1] += 1
    for kind, (covered, cases) in counts.items():
        assert cases > 200, kind
        assert 0.93 <= covered / cases <= 0.99, kind


def test_the_interval_of_flowing_product_covers_the_truth_in_the_gardens_of_a_campaign() -> None:
    seen = Kept()
    sound = FaultPlan()
    for seed in range(600):
        one, _ = fitted(garden(NAMES[seed % len(NAMES)]), f"product/{seed}")
        chance = random.Random(f"product/{seed}")
        sensors, chain = Sensors(one.scenario, seed), one.plan.product.chain
        for _ in range(3):
            ppm, celsius = 2.0 * 30.0 ** chance.random(), chance.uniform(4.0, 28.0)
            found = []
            for true_ppm in (ppm, one.plan.limits.limit_ppm):
                scene = Scene(0.0, true_ppm, 300.0, celsius, 0.5, True, False, False, 0.0)
                inputs = sensors.measure(scene, sound)
                found.append(measure(chain, measured(inputs.product_us), measured(inputs.product_c)))
            at, there = found
            low, high = (
                at.dissolved_solids_ppm + side * max(at.expanded_uncertainty_ppm, 0.1) for side in (-1, 1)
            )
            seen.judge(ppm, low, high, low, high)
            seen.accepted += 1
            seen.wrongly += passes(there.dissolved_solids_ppm, there.expanded_uncertainty_ppm)
    print(f"covered {seen.in_95 / seen.cases:.1%}, wrongly accepted {seen.wrongly / seen.accepted:.1%}")
    assert 0.93 <= seen.in_95 / seen.cases <= 0.99
    assert seen.wrongly <= 0.025 * seen.accepted


@pytest.mark.parametrize("measured_c", [True, False], ids=["temperature measured", "temperature not known"])
@pytest.mark.parametrize("meter", METERS, ids=lambda meter: meter.ident)
def test_a_sample_of_salt_acid_or_alkali_lies_in_its_interval_as_often_as_stated(
    meter: HandMeter, measured_c: bool
) -> None:
    chance = random.Random(f"meters/{meter.ident}/{measured_c}")
    place = garden(NAMES[1])
    inputs = place.plan.product.chain.uncertainties
    per_ppm = 2.0 if meter.unit is MeterUnit.US_CM else 1.0
    covered = unfit = cases = 0
    for ions in (SALT, ACID, ALKALI) * 1000:
        one = true_meter(chance, meter)
        ppm, celsius = 60.0 ** chance.random(), chance.uniform(4.0, 30.0)
        scenario = replace(place.scenario, walden=ions_like(ions, chance))
        seen_c = celsius + chance.gauss(0.0, 0.3) if measured_c else None
        here, there = (
            read(
                meter, per_ppm * one.ppm(scenario, true_ppm, celsius), 0.5, seen_c, inputs=inputs
            ).measurement
            for true_ppm in (ppm, 50.0)
        )
        cases += 1
        covered += abs(here.dissolved_solids_ppm - ppm) <= here.expanded_uncertainty_ppm
        unfit += passes(there.dissolved_solids_ppm, there.expanded_uncertainty_ppm)
    print(f"{meter.ident}: covered {covered / cases:.1%}, just accepted but unfit {unfit / cases:.2%}")
    assert 0.93 <= covered / cases <= 0.99
    assert unfit <= 0.025 * cases


def two_cells(chance: random.Random) -> Garden:
    """A purifier of 3 to 30 ppm with two cells as they come from their maker."""
    world = replace(
        POLYTUNNEL_WITH_DRAIN,
        fittings=replace(POLYTUNNEL_WITH_DRAIN.fittings, product_error=true_cell(chance)),
        cartridge=replace(POLYTUNNEL_WITH_DRAIN.cartridge, floor_ppm=3.0 * 10.0 ** chance.random()),
    )
    return garden_of(with_check_cell(world, true_cell(chance)))


def step_seen(seed: int, factor: float, *, of_check_cell: bool) -> bool:
    """Whether a change of one gain in a fill trips before the fill is over."""
    chance = random.Random(f"step/{seed}/{factor}/{of_check_cell}")
    draw = Event(60.0, happening=Happening.DRAW, size=90.0)
    year = Year(Task(f"step/{seed}", "two cells", 1.0, faults=True), events=[draw], place=two_cells(chance))
    station = year.station
    assert station is not None
    while station.memory.inventory.ratio.usual is None:
        year.step()
        assert year.rig.line_s < 2.0 * 3600.0, "no fill taught the ratio of the cells"
    assert not station.state.latches
    assert station.state.phase.value == Phase.FILL.value
    sensors = year.world.sensors
    name = "check_error" if of_check_cell else "product_error"
    before: CellError = getattr(sensors, name)
    setattr(sensors, name, replace(before, gain=factor * before.gain))
    while not station.state.latches:
        year.step()
        if station.state.phase is Phase.IDLE:
            return False
    return station.state.latches[0].trip is Trip.CELLS_DISAGREE


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("factor", [0.8, 1.2])
@pytest.mark.parametrize("of_check_cell", [False, True], ids=["product cell", "check cell"])
def test_with_a_check_cell_a_gain_step_of_20_percent_is_seen_in_one_fill(
    seed: int, factor: float, of_check_cell: bool
) -> None:
    assert step_seen(seed, factor, of_check_cell=of_check_cell)
