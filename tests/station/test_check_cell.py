"""The check cell: the vote of two cells, and a change of one of them."""

import math
import random
from dataclasses import replace

import pytest

from bridge.daemon import saved_state
from bridge.guard.commands import Reset
from bridge.guard.model import Flow, Phase, Trip
from bridge.protocol.messages import FAILED
from bridge.station.check_cell import LEARNED, Ratio, compare, vote
from bridge.station.inventory import begin
from bridge.station.plan import ProbePlan
from bridge.water.conductivity import Cell, Compensation, Method, compensate, conductance_us
from bridge.water.measurement import Measurement, MeasuringChain, measure
from bridge.water.probe import ProbeSettings
from tests.station.test_station import PLAN, Bench

LABEL = MeasuringChain(Cell(0.1), Compensation(Method.PURE))
TWO_CELLS = replace(PLAN, feed=None, feed_ppm=300.0, check=ProbePlan(LABEL, ProbeSettings()))


class Pair:
    """Two cells in one water, with their own gains and thermometers."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(seed)
        self.gains = [self.chance.gauss(1.0, 0.04) for _ in range(2)]
        self.off_k = [self.chance.gauss(0.0, 0.2) for _ in range(2)]

    def read(self, ppm: float, celsius: float) -> tuple[Measurement, Measurement]:
        raw = ppm / 0.5
        for _ in range(8):
            raw += ppm / 0.5 - compensate(LABEL.compensation, raw, celsius).conductivity_25_us_cm
        true_us = conductance_us(LABEL.cell, raw)
        one, other = (
            measure(LABEL, true_us * gain * self.chance.gauss(1.0, 0.005), celsius + off_k)
            for gain, off_k in zip(self.gains, self.off_k, strict=True)
        )
        return one, other


def compared(pair: Pair, ratio: Ratio, ppm: float, celsius: float) -> tuple[Ratio, bool]:
    product, check = pair.read(ppm, celsius)
    return compare(ratio, (LABEL, product), (LABEL, check))


@pytest.mark.parametrize("seed", range(40))
def test_a_gain_step_of_20_percent_is_seen_in_every_comparison_and_sound_cells_agree(seed: int) -> None:
    pair, ratio = Pair(seed), Ratio()
    for _ in range(3 * LEARNED):
        ratio, disagree = compared(
            pair, ratio, pair.chance.uniform(2.0, 45.0), pair.chance.uniform(4.0, 30.0)
        )
        assert not disagree
    for cell in (0, 1):
        for step in (0.8, 1.2):
            sound = pair.gains[cell]
            pair.gains[cell] = sound * step
            for _ in range(20):
                water = pair.chance.uniform(3.0, 45.0), pair.chance.uniform(4.0, 30.0)
                assert compared(pair, ratio, *water)[1]
            pair.gains[cell] = sound


def test_cells_that_differ_beyond_their_own_uncertainty_disagree_before_a_ratio_is_learned() -> None:
    pair = Pair(1)
    pair.gains, pair.off_k = [1.0, 1.4], [0.0, 0.0]
    ratio, disagree = compared(pair, Ratio(), 20.0, 15.0)
    assert (ratio.usual, ratio.seen, disagree) == (None, (), True)


def test_a_new_calibration_begins_the_ratio_again() -> None:
    pair, ratio = Pair(2), Ratio()
    for _ in range(LEARNED):
        ratio, _ = compared(pair, ratio, 20.0, 15.0)
    assert ratio.usual is not None
    product, check = pair.read(20.0, 15.0)
    calibrated = replace(LABEL, cell=Cell(0.09))
    ratio, _ = compare(ratio, (calibrated, product), (LABEL, check))
    assert (ratio.usual, ratio.constants_per_cm) == (None, (0.09, 0.1))


def test_the_worse_guarded_value_decides_and_a_missing_one_leaves_none() -> None:
    low, high = measure(LABEL, 200.0, 20.0), measure(LABEL, 260.0, 20.0)
    assert vote(low, high) == vote(high, low)
    assert vote(low, high).ppm == high.dissolved_solids_ppm
    assert vote(low, None).ppm is vote(None, high).ppm is None


# --- through the station -------------------------------------------------------------------------


def read(bench: Bench, product_us: float, check_us: object) -> None:
    c = 15.0 + 0.001 * bench.number
    bench.read(product_us=product_us, feed_us=check_us, feed_c=c)


def filling(product_us: float = 250.0, check_us: float = 262.0) -> Bench:
    bench = Bench(TWO_CELLS)
    for _ in range(200):
        read(bench, product_us, check_us)
        if bench.station.state.phase is Phase.FILL:
            break
    for _ in range(LEARNED + 2):
        read(bench, product_us, check_us)
    assert bench.station.state.flow is Flow.TO_RESERVOIR
    return bench


@pytest.mark.parametrize(("product_us", "check_us"), [(200.0, 262.0), (300.0, 262.0), (250.0, 209.6)])
def test_a_gain_step_of_20_percent_trips_within_the_fill_and_is_reset_by_a_person(
    product_us: float, check_us: float
) -> None:
    bench = filling()
    for _ in range(150):
        read(bench, product_us, check_us)
        if bench.station.state.latches:
            break
    assert [latch.trip for latch in bench.station.state.latches] == [Trip.CELLS_DISAGREE]
    assert bench.station.state.flow is Flow.SHUT
    for _ in range(3):
        read(bench, product_us, check_us)
    assert bench.station.command(Reset(bench.now, "test", None), bench.now) is None
    # The person has looked after the cells, so their ratio is learned again.
    assert bench.station.memory.inventory.ratio == Ratio()


def test_a_short_difference_does_not_trip() -> None:
    bench = filling()
    read(bench, 250.0, 400.0)
    for _ in range(100):
        read(bench, 250.0, 262.0)
        assert Trip.CELLS_DISAGREE not in {latch.trip for latch in bench.station.state.latches}
    assert bench.now - 100.0 > 10.0 * PLAN.limits.persistence_s


def test_either_cell_over_the_limit_shuts_the_valve_and_is_shown() -> None:
    for product_us, check_us in ((2500.0, 262.0), (250.0, 2500.0)):
        bench = filling()
        read(bench, product_us, check_us)
        assert bench.station.state.flow is Flow.SHUT
        view = bench.station.view()
        assert view.product_ppm is not None
        assert view.product_ppm > 100.0


def test_a_check_cell_that_fails_is_a_failed_probe() -> None:
    bench = filling()
    for _ in range(150):
        read(bench, 250.0, FAILED)
    assert bench.station.state.first_out is Trip.PROBE_FAILURE
    assert bench.station.view().product_health == "failure"


def test_the_view_has_the_check_cell_and_its_difference_while_product_flows() -> None:
    bench = filling()
    view = bench.station.view()
    assert view.check_ppm is not None
    assert view.check_difference_percent == pytest.approx(100.0 * (262.0 / 250.0 - 1.0), abs=0.2)
    assert view.check_health == "good"
    for _ in range(40):
        read(bench, 250.0, FAILED)
    view = bench.station.view()
    assert (view.check_ppm, view.check_difference_percent, view.check_health) == (None, None, "failure")
    assert Bench(PLAN).station.view().check_health == "good"


def test_the_usual_ratio_survives_a_restart() -> None:
    station = filling().station
    ratio = station.memory.inventory.ratio
    assert ratio.usual is not None
    assert math.isclose(ratio.usual, 262.0 / 250.0, rel_tol=0.01)
    moment = saved_state.Moment(station.state.stepped_at, 1_000_000.0)
    kept = saved_state.counters(station.state, station.memory.inventory, TWO_CELLS.product, moment)
    row = saved_state.accounts("barrel", kept)
    assert saved_state.inventory(row, begin(TWO_CELLS), TWO_CELLS.product, moment).ratio == ratio
