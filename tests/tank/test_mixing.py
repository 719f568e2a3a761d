"""The mixing balance of a reservoir."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import InputError, OutOfRangeError
from bridge.tank.mixing import (
    Balance,
    after_inflow,
    draw_off,
    evaporation,
    inflow,
    observed_volume,
    rain,
    sample,
)

LITRES = st.floats(0.001, 100.0)
PPM = st.floats(0.0, 2000.0)


def test_equal_parts_of_10_and_30_ppm_make_20() -> None:
    assert inflow(Balance.of_water(50.0, 10.0), 50.0, 30.0) == Balance(100.0, 2000.0)
    assert inflow(Balance.of_water(50.0, 10.0), 50.0, 30.0).ppm == 20.0


def test_a_draw_off_does_not_change_the_concentration() -> None:
    rest = draw_off(Balance.of_water(120.0, 18.0), 90.0)
    assert rest.volume_l == 30.0
    assert rest.ppm == pytest.approx(18.0, rel=1e-12)


def test_evaporating_half_the_water_doubles_the_concentration() -> None:
    assert evaporation(Balance.of_water(100.0, 20.0), 50.0).ppm == 40.0


def test_rain_dilutes() -> None:
    assert rain(Balance.of_water(100.0, 40.0), 100.0, 4.0).ppm == pytest.approx(22.0)
    assert rain(Balance.of_water(100.0, 40.0), 50.0).ppm == pytest.approx(30.0)


def test_a_projection_gives_the_concentration_after_a_fill_and_changes_nothing() -> None:
    balance = Balance.of_water(60.0, 45.0)
    assert after_inflow(balance, 120.0, 6.0) == pytest.approx(19.0)
    assert balance == Balance(60.0, 2700.0)


def test_the_concentration_of_an_empty_reservoir_is_defined() -> None:
    assert Balance().ppm == 0.0
    assert evaporation(Balance.of_water(10.0, 20.0), 10.0) == Balance(0.0, 200.0)
    assert evaporation(Balance.of_water(10.0, 20.0), 10.0).ppm == math.inf
    assert draw_off(Balance.of_water(10.0, 20.0), 10.0).ppm == 0.0


def test_a_dry_residue_does_not_leave_through_the_tap_and_dissolves_in_the_next_fill() -> None:
    dry = evaporation(Balance.of_water(10.0, 20.0), 11.0)
    assert draw_off(dry, 5.0) == dry
    assert inflow(dry, 100.0, 3.0).ppm == pytest.approx(5.0)
    assert observed_volume(dry, 100.0).ppm == pytest.approx(2.0)


def test_a_measured_fall_counts_as_draw_off_and_a_rise_as_its_own_water() -> None:
    balance = Balance.of_water(100.0, 20.0)
    assert observed_volume(balance, 100.0) is balance
    assert observed_volume(balance, 70.0).ppm == pytest.approx(20.0)
    assert observed_volume(balance, 130.0).ppm == pytest.approx(20.0)
    assert observed_volume(balance, 125.0, rise_ppm=5.0).ppm == pytest.approx(17.0)


def test_a_momentary_empty_reading_does_not_turn_the_reservoir_into_pure_water() -> None:
    moment = observed_volume(Balance.of_water(150.0, 42.0), 0.0)
    assert moment.volume_l < 1e-5
    assert moment.ppm == pytest.approx(42.0)
    assert observed_volume(moment, 150.0).ppm == pytest.approx(42.0)


def test_unknown_water_does_not_count_as_pure() -> None:
    with pytest.raises(InputError, match="nothing is known"):
        observed_volume(Balance(), 120.0)
    assert observed_volume(Balance(), 120.0, rise_ppm=8.0).ppm == pytest.approx(8.0)


def test_a_sample_replaces_the_estimate_and_keeps_the_volume() -> None:
    assert sample(Balance.of_water(80.0, 20.0), 27.0) == Balance(80.0, 2160.0)
    assert sample(Balance(), 27.0).ppm == pytest.approx(27.0)


@pytest.mark.parametrize("wrong", [-1.0, math.nan, math.inf])
def test_an_impossible_volume_or_concentration_is_refused(wrong: float) -> None:
    balance = Balance.of_water(80.0, 20.0)
    for call in (
        lambda: Balance(wrong, 1.0),
        lambda: Balance(1.0, wrong),
        lambda: Balance.of_water(0.0, wrong),
        lambda: inflow(balance, wrong, 1.0),
        lambda: inflow(balance, 1.0, wrong),
        lambda: rain(balance, wrong),
        lambda: draw_off(balance, wrong),
        lambda: evaporation(balance, wrong),
        lambda: observed_volume(balance, wrong),
        lambda: observed_volume(balance, 1.0, wrong),
        lambda: sample(balance, wrong),
        lambda: after_inflow(balance, 1.0, wrong),
    ):
        with pytest.raises(OutOfRangeError):
            call()


# Binary fractions of a litre, which add without rounding. The presence of the last drop decides whether
# a residue can leave through the tap. The last bit of a float must have no effect on this.
DROPS = st.integers(1, 100 * 1024).map(lambda drops: drops / 1024)
STEPS = st.lists(
    st.tuples(st.sampled_from(["inflow", "rain", "draw-off", "evaporation"]), DROPS, PPM), max_size=60
)


@given(DROPS, PPM, STEPS)
def test_no_history_makes_or_loses_water_or_solids(
    volume_l: float, ppm: float, steps: list[tuple[str, float, float]]
) -> None:
    """Outside reference: the same history in exact rational arithmetic."""
    balance = Balance.of_water(volume_l, ppm)
    water, solids = Fraction(volume_l), Fraction(volume_l) * Fraction(ppm)
    came_in_l, came_in_mg = water, solids
    for what, litres, concentration in steps:
        amount = Fraction(litres)
        if what in ("inflow", "rain"):
            balance = (inflow if what == "inflow" else rain)(balance, litres, concentration)
            water += amount
            solids += amount * Fraction(concentration)
            came_in_l += amount
            came_in_mg += amount * Fraction(concentration)
        elif what == "draw-off":
            balance = draw_off(balance, litres)
            left = max(water - amount, Fraction(0))
            solids = solids * left / water if water else solids
            water = left
        else:
            balance = evaporation(balance, litres)
            water = max(water - amount, Fraction(0))
        assert balance.volume_l >= 0.0
        assert balance.solids_mg >= 0.0
        assert abs(Fraction(balance.volume_l) - water) <= Fraction(1e-9) * came_in_l
        assert abs(Fraction(balance.solids_mg) - solids) <= Fraction(1e-9) * max(
            came_in_mg, Fraction(1, 10**9)
        )


@given(LITRES, PPM, st.lists(st.tuples(LITRES, st.one_of(st.none(), PPM)), max_size=30))
def test_the_concentration_stays_between_those_of_the_added_waters(
    volume_l: float, ppm: float, readings: list[tuple[float, float | None]]
) -> None:
    balance = Balance.of_water(volume_l, ppm)
    lowest = highest = ppm
    for measured_l, rise_ppm in readings:
        balance = observed_volume(balance, measured_l, rise_ppm)
        if rise_ppm is not None:
            lowest, highest = min(lowest, rise_ppm), max(highest, rise_ppm)
        assert balance.volume_l == pytest.approx(measured_l)
        assert lowest - 1e-9 <= balance.ppm <= highest * (1.0 + 1e-9) + 1e-9
