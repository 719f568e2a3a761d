"""The forecast for each row of a trace, and the front of the running bed."""

import math
import random
from itertools import pairwise

import pytest

from bridge.errors import InputError, OutOfRangeError
from bridge.purifier.breakthrough import Front, begin, observe
from bridge.purifier.cartridge import RATING_SD, estimate
from bridge.purifier.forecast import cells_left, forecast, from_cells, gathered, quantiles
from bridge.purifier.grid import CELLS, SHAPES, SLOPES, by_shape
from bridge.purifier.season import Expected
from bridge.purifier.trace import TraceRow, forecast_trace

FEED_PPM = 300.0
CAPACITY_G = 30.0


def rows(count: int, to_l: float) -> list[TraceRow]:
    """Returns a bed of 30 g on 300 ppm with a logistic front, 1 % of the capacity wide."""
    made = []
    for k in range(1, count + 1):
        volume = to_l * k / count
        z = (volume * FEED_PPM / 1000.0 - CAPACITY_G) / (0.01 * CAPACITY_G)
        made.append(TraceRow(volume, FEED_PPM, 0.3 + (FEED_PPM - 0.3) / (1.0 + math.exp(-z))))
    return made


def run(front: Front, trace: list[TraceRow]) -> Front:
    last = 0.0
    for row in trace:
        front = observe(front, row.volume_l - last, row.feed_ppm, row.product_ppm)
        last = row.volume_l
    return front


def test_a_row_is_forecast_only_from_the_rows_up_to_it() -> None:
    trace = rows(60, 99.0)
    whole = list(forecast_trace(trace, CAPACITY_G, 50.0))
    for count in (1, 20, 45):
        assert list(forecast_trace(trace[:count], CAPACITY_G, 50.0)) == whole[:count]


def test_a_product_over_the_feed_past_exhaustion_is_noise() -> None:
    trace = [*rows(200, 110.0), TraceRow(111.0, 282.22, 282.265), TraceRow(112.0, 240.0, 310.0)]
    *_, last = forecast_trace(trace, CAPACITY_G, 50.0)
    assert last.volume_l == 112.0
    assert last.crossing_l == list(forecast_trace(trace[:-2], CAPACITY_G, 50.0))[-1].crossing_l


def test_the_intervals_are_nested_and_beyond_the_treated_volume() -> None:
    for said in forecast_trace(rows(60, 95.0), 0.8 * CAPACITY_G, 50.0):
        x = said.crossing_l
        assert said.volume_l <= x.low95 <= x.low80 <= x.median <= x.high80 <= x.high95


def test_after_the_crossing_every_row_has_the_litres_of_the_crossing() -> None:
    *_, last = forecast_trace(rows(200, 110.0), CAPACITY_G, 50.0)
    truth = (CAPACITY_G + 0.01 * CAPACITY_G * math.log(49.7 / 250.0)) * 1000.0 / FEED_PPM
    assert last.crossing_l.median == pytest.approx(truth, rel=0.003)
    assert last.crossing_l.low95 == last.crossing_l.high95


@pytest.mark.parametrize(
    ("trace", "says"),
    [
        ([TraceRow(5.0, 300.0, 1.0), TraceRow(4.0, 300.0, 1.0)], "row 2.*backwards"),
        ([TraceRow(5.0, 3.0, 300.0), TraceRow(9.0, 2.0, 310.0)], "swapped"),
        ([TraceRow(5.0, -3.0, 1.0)], "row 1.*negative"),
        ([TraceRow(5.0, 300.0, math.nan)], "row 1.*missing"),
    ],
)
def test_a_bad_row_is_refused_with_its_number(trace: list[TraceRow], says: str) -> None:
    with pytest.raises(InputError, match=says):
        list(forecast_trace(trace, CAPACITY_G, 50.0))


@pytest.mark.parametrize(
    ("capacity_g", "limit_ppm"), [(0.0, 50.0), (-1.0, 50.0), (30.0, 0.0), (30.0, math.inf)]
)
def test_a_capacity_or_limit_that_is_not_above_zero_is_refused(capacity_g: float, limit_ppm: float) -> None:
    with pytest.raises(InputError):
        list(forecast_trace(rows(3, 10.0), capacity_g, limit_ppm))


def test_the_state_of_a_bed_does_not_grow_with_its_age() -> None:
    front = begin(estimate(CAPACITY_G), 50.0)
    young = run(front, rows(10, 10.0))
    old = run(front, rows(3000, 95.0))
    for kept in (young, old):
        assert len(kept.grid.evidence) == CELLS * SHAPES
        assert len(kept.grid.prior_ln) == CELLS


def test_most_readings_add_to_the_load_and_do_not_change_the_grid() -> None:
    front = begin(estimate(CAPACITY_G), 50.0)
    rng = random.Random(1)
    moved = 0
    for _ in range(2000):
        after = observe(front, 0.005, FEED_PPM, rng.uniform(0.25, 0.35))
        moved += after.grid is not front.grid
        front = after
    assert 0 < moved < 200
    assert front.load.treated_l == pytest.approx(10.0)


def test_noise_at_the_floor_is_no_evidence_against_a_slow_front() -> None:
    front = begin(estimate(CAPACITY_G), 50.0)
    rng = random.Random(1)
    for _ in range(2000):
        front = observe(front, 0.005, FEED_PPM, rng.uniform(0.25, 0.35))
    likely = by_shape(front.grid.weights)
    assert likely[SLOPES.index(0.08)] == pytest.approx(likely[SLOPES.index(0.003)], rel=0.2)


def test_a_standing_sample_adds_to_the_load_only() -> None:
    front = run(begin(estimate(CAPACITY_G), 50.0), rows(20, 40.0))
    after = observe(front, 0.2, FEED_PPM, 70.0, standing=True)
    assert after.crossed is None
    assert after.grid is front.grid
    assert after.load.treated_l > front.load.treated_l


def test_one_outlier_is_corrected_by_the_next_pure_readings() -> None:
    front = run(begin(estimate(CAPACITY_G), 50.0), rows(50, 60.0))
    use = Expected(1.0, 0.0)
    before = forecast(front, Expected(FEED_PPM, 0.0), use, 5.0).litres_left
    front = observe(front, 0.1, FEED_PPM, 12.0)
    for _ in range(20):
        front = observe(front, 0.1, FEED_PPM, 0.3)
    after = forecast(front, Expected(FEED_PPM, 0.0), use, 5.0).litres_left
    assert after.median == pytest.approx(before.median - 2.1, rel=0.15)


def test_a_product_that_is_worse_than_the_feed_ends_the_bed() -> None:
    front = observe(begin(estimate(CAPACITY_G), 50.0), 1.0, 300.0, 400.0)
    assert front.crossed is not None
    assert forecast(front, Expected(300.0, 0.0), Expected(1.0, 0.0), 5.0).order_now
    with pytest.raises(OutOfRangeError):
        observe(front, 1.0, 300.0, -1.0)


def test_days_are_litres_divided_by_use_and_an_uncertain_use_widens_them() -> None:
    cells = [(90.0 + k, 91.0 + k, 0.05) for k in range(20)]
    sure = from_cells(cells, Expected(10.0, 0.0), 5.0, "made")
    unsure = from_cells(cells, Expected(10.0, 2.0), 5.0, "made")
    assert sure.litres_left.median == pytest.approx(100.0)
    assert sure.days_left.median == pytest.approx(10.0)
    assert unsure.days_left.high95 > sure.days_left.high95
    assert not sure.order_now
    assert sure.chance_late == 0.0
    assert "use 10 ± 2 L/day" in unsure.rests_on


def test_the_order_is_due_by_the_dry_share_of_the_lead_time() -> None:
    cells = [(10.0, 110.0, 1.0)]
    said = [from_cells(cells, Expected(10.0, 0.0), lead, "made") for lead in (1.0, 4.0, 6.0)]
    assert [item.order_now for item in said] == [False, True, True]
    assert said[2].dry_share_of_lead == pytest.approx(0.5 * 5.0 / 2.0 / 6.0)
    with pytest.raises(InputError):
        from_cells(cells, Expected(10.0, 0.0), -1.0, "made")


@pytest.mark.parametrize(("rating_sd", "share"), [(0.20, 0.005), (RATING_SD, 0.01)])
def test_the_litres_left_fall_smoothly_with_the_use(rating_sd: float, share: float) -> None:
    found = forecast_trace(rows(150, 60.0), CAPACITY_G, 50.0, rating_sd)
    crossing = [one.crossing_l.median for one in found]
    assert max(abs(b - a) for a, b in pairwise(crossing)) < share * crossing[0]


def test_merged_cells_keep_the_intervals_and_the_far_tail() -> None:
    cells = cells_left(run(begin(estimate(CAPACITY_G), 50.0), rows(40, 60.0)), Expected(FEED_PPM, 15.0))
    few = gathered(cells)
    assert len(few) < 70 < len(cells)
    for share in (0.001, 0.025, 0.1, 0.5, 0.9, 0.975, 0.999):
        near = 0.05 if share == 0.001 else 5e-3
        assert quantiles(few, [share]) == pytest.approx(quantiles(cells, [share]), rel=near), share
