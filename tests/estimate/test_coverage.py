"""The stated interval against the truth, in worlds that the model did not make.

The model was adjusted with seed 1. Seed 2 judges it. ``CLEARWELL_WORLDS`` draws more worlds of each group.
"""

import os

import pytest

from tests.estimate.coverage import Table, by_hand, product
from tests.estimate.worlds import METERS, WATERS, Age

_DRAWS = int(os.environ.get("CLEARWELL_WORLDS", "300"))


@pytest.fixture(scope="module")
def of_product() -> Table:
    table = product(2, _DRAWS)
    print(table.text())
    return table


@pytest.fixture(scope="module")
def of_meters() -> Table:
    table = by_hand(2, _DRAWS)
    print(table.text())
    return table


def test_the_interval_of_the_product_covers_the_truth(of_product: Table) -> None:
    assert len(WATERS) >= 8
    assert 0.93 <= of_product.of().coverage <= 0.99
    for water in WATERS:
        assert of_product.of(water).coverage >= 0.93, water
    for age in Age:
        assert of_product.of(age=age.value).coverage >= 0.93, age


def test_water_that_is_just_accepted_is_seldom_unfit(of_product: Table) -> None:
    # Guarded acceptance with k = 2 (JCGM 106:2012): 2.3 % if the uncertainty is true.
    for water in WATERS:
        assert of_product.of(water).wrongly <= 0.025, water


def test_the_interval_of_a_hand_meter_covers_the_truth(of_meters: Table) -> None:
    assert 0.93 <= of_meters.of().coverage <= 0.99
    for meter in METERS:
        assert 0.93 <= of_meters.of(age=meter.ident).coverage <= 0.99, meter.ident
        assert of_meters.of(age=meter.ident).wrongly <= 0.025, meter.ident
