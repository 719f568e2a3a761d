"""The concentration in a tray, and the flush that lowers it."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError, OutOfRangeError
from bridge.trays.balance import Balance, cycles, flush, run_off_share


def of_water(litres: float, ppm: float) -> Balance:
    return Balance(litres, litres * ppm)


def inflow(balance: Balance, litres: float, ppm: float) -> Balance:
    return Balance(balance.volume_l + litres, balance.solids_mg + litres * ppm)


def draw_off(balance: Balance, litres: float) -> Balance:
    return of_water(balance.volume_l - litres, balance.ppm)


def evaporation(balance: Balance, litres: float) -> Balance:
    return Balance(balance.volume_l - litres, balance.solids_mg)


def poured_through(volume_l: float, tray_ppm: float, given_ppm: float, poured_l: float) -> float:
    """Returns the ppm of the tray, calculated in small steps of inflow and equal run-off of the mixture."""
    steps = 20_000
    tray = of_water(volume_l, tray_ppm)
    for _ in range(steps):
        tray = draw_off(inflow(tray, poured_l / steps, given_ppm), poured_l / steps)
    return tray.ppm


def test_the_concentration_of_an_empty_tray_is_defined_and_an_impossible_balance_refused() -> None:
    assert Balance().ppm == 0.0
    assert Balance(0.0, 200.0).ppm == math.inf
    for wrong in (-1.0, math.nan, math.inf):
        with pytest.raises(OutOfRangeError):
            Balance(wrong, 1.0)
        with pytest.raises(OutOfRangeError):
            Balance(1.0, wrong)


def test_a_tray_that_lost_three_quarters_of_its_water_has_four_cycles() -> None:
    dried = evaporation(of_water(8.0, 12.0), 6.0)
    assert cycles(dried.ppm, 12.0) == pytest.approx(4.0)


def test_rain_dilutes_a_tray_to_less_than_one_cycle() -> None:
    assert cycles(6.0, 12.0) == pytest.approx(0.5)


def test_pouring_through_the_flush_gives_the_forecast_concentration() -> None:
    said = flush(5.0, 140.0, 8.0, 50.0)
    after = poured_through(5.0, 140.0, 8.0, said.through_l)
    assert after == pytest.approx(said.ppm_after, rel=1e-3)
    assert after < 50.0


def test_tipping_out_and_refilling_takes_less_water_for_the_same_ppm() -> None:
    said = flush(5.0, 140.0, 8.0, 50.0)
    after = inflow(draw_off(of_water(5.0, 140.0), said.exchange_l), said.exchange_l, 8.0)
    assert after.ppm == pytest.approx(said.ppm_after)
    assert after.volume_l == pytest.approx(5.0)
    assert said.exchange_l < said.through_l


@given(
    volume=st.floats(0.1, 100.0),
    tray=st.floats(0.0, 2000.0),
    water=st.floats(0.0, 60.0),
    limit=st.floats(1.0, 200.0),
    expanded=st.floats(0.0, 20.0),
)
def test_after_any_flush_the_tray_with_its_uncertainty_is_under_the_limit(
    volume: float, tray: float, water: float, limit: float, expanded: float
) -> None:
    if water >= limit - expanded:
        with pytest.raises(InputError, match="purer water"):
            flush(volume, tray, water, limit, expanded)
        return
    said = flush(volume, tray, water, limit, expanded)
    assert said.ppm_after + expanded < limit
    assert (said.through_l == 0.0) == (tray + expanded < limit)
    assert 0.0 <= said.exchange_l <= volume
    after = water + (tray - water) * math.exp(-said.through_l / volume)
    assert after == pytest.approx(said.ppm_after, abs=1e-6)


def test_a_wider_uncertainty_needs_a_larger_flush() -> None:
    assert flush(5.0, 140.0, 8.0, 50.0, 10.0).through_l > flush(5.0, 140.0, 8.0, 50.0).through_l


def test_with_the_run_off_share_the_tray_settles_at_the_wanted_ppm() -> None:
    share = run_off_share(10.0, 40.0)
    tray = of_water(5.0, 10.0)
    for _ in range(2000):
        tray = inflow(tray, 0.5, 10.0)
        tray = evaporation(tray, 0.5 * (1.0 - share))
        tray = draw_off(tray, tray.volume_l - 5.0)
    assert tray.ppm == pytest.approx(40.0, rel=0.03)


def test_impossible_values_are_refused_with_wanted() -> None:
    with pytest.raises(InputError, match="0 ppm"):
        cycles(100.0, 0.0)
    with pytest.raises(OutOfRangeError):
        cycles(-1.0, 10.0)
    with pytest.raises(OutOfRangeError):
        flush(0.0, 100.0, 10.0, 50.0)
    with pytest.raises(InputError, match="cannot keep"):
        run_off_share(60.0, 50.0)
