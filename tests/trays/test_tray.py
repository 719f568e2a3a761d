"""The balance of a tray against numerical integration, and what the estimate learns."""

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from bridge.errors import OutOfRangeError
from bridge.trays import tray as trays
from bridge.trays.balance import Balance, mixed
from bridge.trays.tray import TrayPlan

PLAN = TrayPlan("bench", "Bench", 0.5, 30.0, 60.0, "barrel", pots=10)
JULY = 7


def integrated(
    start: Balance, inflow_l: float, inflow_ppm: float, evaporated_l: float, spill_l: float, held_l: float
) -> list[float]:
    """Volume, solids, run-off and its solids after one day, from the differential equations."""

    def rates(_: float, y: list[float]) -> list[float]:
        net = inflow_l - evaporated_l * min(y[0] / held_l, 1.0)
        out = net if spilling else 0.0
        return [net - out, inflow_l * inflow_ppm - out * y[1] / y[0], out, out * y[1] / y[0]]

    def brim(_: float, y: list[float]) -> float:
        return float(y[0] - spill_l)

    def bare(_: float, y: list[float]) -> float:
        return float(y[0] - held_l)

    brim.terminal = True  # type: ignore[attr-defined]
    brim.direction = 1.0  # type: ignore[attr-defined]
    bare.terminal = True  # type: ignore[attr-defined]
    at, y, spilling = 0.0, [start.volume_l, start.solids_mg, 0.0, 0.0], False
    while at < 1.0:
        # The equations have a kink where the tray becomes bare, so the integration starts anew there.
        events = () if spilling else ((brim, bare) if abs(y[0] - held_l) > 1e-9 else (brim,))
        part = solve_ivp(rates, (at, 1.0), y, events=events, rtol=1e-11, atol=1e-11)
        at, y = float(part.t[-1]), [float(one[-1]) for one in part.y]
        spilling = spilling or (at < 1.0 and y[0] > 0.5 * (spill_l + held_l))
    return y


@given(
    volume=st.floats(0.5, 29.0),
    ppm=st.floats(0.0, 300.0),
    inflow=st.floats(0.0, 60.0),
    inflow_ppm=st.floats(0.0, 100.0),
    evaporated=st.floats(0.0, 40.0),
)
@settings(max_examples=60, deadline=None)
def test_a_day_of_a_tray_equals_the_integral_of_its_equations(
    volume: float, ppm: float, inflow: float, inflow_ppm: float, evaporated: float
) -> None:
    start = Balance(volume, volume * ppm)
    flow = mixed(start, inflow, inflow_ppm, evaporated, 30.0, 4.0)
    expected = integrated(start, inflow, inflow_ppm, evaporated, 30.0, 4.0)
    found = [flow.balance.volume_l, flow.balance.solids_mg, flow.run_off_l, flow.run_off_mg]
    assert found == pytest.approx(expected, rel=1e-6, abs=1e-6)


@given(
    volume=st.floats(0.0, 40.0),
    ppm=st.floats(0.0, 300.0),
    inflow=st.floats(0.0, 60.0),
    evaporated=st.floats(0.0, 60.0),
)
def test_no_solids_are_made_or_lost(volume: float, ppm: float, inflow: float, evaporated: float) -> None:
    start = Balance(volume, volume * ppm)
    flow = mixed(start, inflow, 20.0, evaporated, 30.0, 4.0)
    total = start.solids_mg + 20.0 * inflow
    assert flow.balance.solids_mg + flow.run_off_mg == pytest.approx(total, rel=1e-9, abs=1e-9)
    assert flow.balance.volume_l <= 30.0 + 1e-9


def test_water_of_25_ppm_doubles_in_the_days_in_which_its_depth_evaporates() -> None:
    """Without pots, 30 mm at 5 mm a day: six days of filling to the mark."""
    bare = TrayPlan("bare", "Bare", 1.0, 30.0, 60.0, "barrel")
    tray = trays.begin(bare, 25.0, JULY)
    for _ in range(6):
        tray = trays.after_day(tray, bare, bare.nominal_l(5.0, JULY))
        tray = trays.after_giving(tray, bare, 5.0, 25.0)
    assert tray.ppm == pytest.approx(50.0, rel=1e-6)
    assert tray.volume_l == pytest.approx(30.0)


def test_filling_to_the_mark_teaches_a_wrong_draw() -> None:
    """The tray truly draws 1.6 times what its table suggests."""
    tray, nominal = trays.begin(PLAN, 10.0, JULY), PLAN.nominal_l(4.0, JULY)
    rng = random.Random(4)
    for _ in range(12):
        needed = 0.0
        for _ in range(2):
            tray = trays.after_day(tray, PLAN, nominal)
            needed += 1.6 * nominal * rng.gauss(1.0, 0.15)
        tray = trays.after_filling(tray, PLAN, needed, 10.0, JULY)
    factor, sd = tray.draw_factor
    assert sd < 0.15
    assert abs(math.log(factor / 1.6)) < 2.0 * sd


def test_a_sample_corrects_a_first_guess_and_narrows_it() -> None:
    tray = trays.begin(PLAN, 10.0, JULY)
    after = trays.after_sample(tray, 42.0, 2.0, 1)
    assert after.ppm == pytest.approx(42.0, rel=0.05)
    assert after.expanded_ppm < 0.5 * tray.expanded_ppm / tray.ppm * after.ppm
    assert after.sampled_day == 1


def test_samples_above_the_balance_blame_the_water_given() -> None:
    """The reservoir truly has 16 ppm and is believed to have 10."""
    tray, nominal = trays.begin(PLAN, 10.0, JULY), PLAN.nominal_l(5.0, JULY)
    true_mg = tray.volume_l * 10.0
    tray = trays.after_sample(tray, 10.0, 0.5, 0)
    for day in range(28):
        tray = trays.after_day(tray, PLAN, nominal)
        tray = trays.after_filling(tray, PLAN, nominal, 10.0, JULY, 3.0)
        true_mg += nominal * 16.0
        if day % 7 == 6:
            tray = trays.after_sample(tray, true_mg / PLAN.at_depth(30.0), 2.0, day)
    assert math.exp(tray.log_inflow) > 1.2


def test_pouring_through_lowers_a_tray_and_a_drained_one_spills_at_its_mark() -> None:
    tray = trays.begin(PLAN, 80.0, JULY)
    flushed = trays.after_giving(tray, PLAN, 60.0, 5.0)
    assert flushed.volume_l == pytest.approx(PLAN.spill_l)
    assert flushed.ppm < 25.0
    drained = TrayPlan("drained", "Drained", 0.5, 30.0, 60.0, "barrel", drained=True)
    assert drained.spill_l == pytest.approx(15.0)


def test_rain_dilutes_an_open_tray_and_not_a_covered_one() -> None:
    covered = TrayPlan("cover", "Cover", 0.5, 30.0, 60.0, "barrel", pots=10, covered=True)
    wet = trays.after_day(trays.begin(PLAN, 40.0, JULY), PLAN, 1.0, rain_mm=20.0)
    under = trays.after_day(trays.begin(covered, 40.0, JULY), covered, 1.0, rain_mm=20.0)
    assert wet.ppm < 30.0 < 40.0 < under.ppm


def test_a_tray_that_cannot_be_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match="under the rim"):
        TrayPlan("x", "X", 0.5, 60.0, 50.0, "barrel")
    with pytest.raises(OutOfRangeError, match="over the limit"):
        TrayPlan("x", "X", 0.5, 30.0, 50.0, "barrel", limit_ppm=20.0)
    with pytest.raises(OutOfRangeError, match="months"):
        TrayPlan("x", "X", 0.5, 30.0, 50.0, "barrel", dormant_months=(13,))
