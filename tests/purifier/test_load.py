"""The load of a purifier."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import OutOfRangeError
from bridge.purifier.cartridge import Load, add, rejection_percent

VOLUMES = st.lists(st.floats(0.0, 50.0), min_size=1, max_size=20)


def test_a_hundred_litres_from_300_down_to_5_ppm_leave_29_5_grams_in_the_cartridge() -> None:
    load = add(Load(), 100.0, 300.0, 5.0)
    assert load.taken_up_g == pytest.approx(29.5)
    assert load.treated_l == 100.0


@given(VOLUMES, st.floats(0.0, 2000.0), st.floats(0.0, 1.0))
def test_the_solids_are_either_taken_up_or_leave_for_any_division_of_the_volume(
    volumes: list[float], feed_ppm: float, share: float
) -> None:
    product_ppm = feed_ppm * share
    load = Load()
    for volume_l in volumes:
        load = add(load, volume_l, feed_ppm, product_ppm)
    came_in_g = math.fsum(volumes) * feed_ppm / 1000.0
    went_out_g = math.fsum(volumes) * product_ppm / 1000.0
    assert load.treated_l == pytest.approx(math.fsum(volumes), rel=1e-9)
    assert load.taken_up_g + went_out_g == pytest.approx(came_in_g, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("volume_l", "feed_ppm", "product_ppm"),
    [(-1.0, 300.0, 5.0), (math.nan, 300.0, 5.0), (1.0, -3.0, 0.0), (1.0, 300.0, -1.0), (1.0, math.inf, 1.0)],
)
def test_a_decreasing_volume_or_an_impossible_reading_is_refused(
    volume_l: float, feed_ppm: float, product_ppm: float
) -> None:
    with pytest.raises(OutOfRangeError):
        add(Load(), volume_l, feed_ppm, product_ppm)


def test_a_feed_below_the_product_is_refused_with_the_likely_reason() -> None:
    with pytest.raises(OutOfRangeError, match="swapped"):
        add(Load(), 1.0, 5.0, 300.0)


def test_rejection_of_300_down_to_15_ppm_is_95_per_cent() -> None:
    assert rejection_percent(300.0, 15.0) == pytest.approx(95.0)
    with pytest.raises(OutOfRangeError):
        rejection_percent(0.0, 0.0)
