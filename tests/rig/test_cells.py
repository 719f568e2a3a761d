"""The true errors of the cells, and the check cell in the product water."""

from dataclasses import replace

import pytest

from bridge.errors import OutOfRangeError
from bridge.protocol.messages import Feature
from bridge.rig.scenario import POLYTUNNEL, CellError, Scenario, with_check_cell
from bridge.rig.sensors import Inputs
from bridge.rig.world import World
from tests.narrowing import measured

YEAR_S = 365.0 * 86_400.0


def with_error(error: CellError) -> Scenario:
    return replace(POLYTUNNEL, fittings=replace(POLYTUNNEL.fittings, product_error=error))


def first(scenario: Scenario) -> Inputs:
    return World(scenario).measure()


def test_a_cell_shows_its_gain_its_offset_and_its_thermometer() -> None:
    exact = first(POLYTUNNEL)
    wrong = first(with_error(CellError(gain=0.9, offset_us=0.5, thermometer_k=1.0)))
    assert measured(wrong.product_us) == pytest.approx(0.9 * measured(exact.product_us) + 0.5, rel=2e-3)
    assert measured(wrong.product_c) == pytest.approx(measured(exact.product_c) + 1.0, abs=0.07)
    assert wrong.feed_us == exact.feed_us


def test_a_gain_drifts_over_the_year() -> None:
    error = CellError(gain=1.1, drift_per_year=-0.05)
    assert error.gain_at(0.0) == 1.1
    assert error.gain_at(YEAR_S) == pytest.approx(1.1 * 0.951, rel=1e-3)


def test_a_check_cell_reads_the_product_by_its_own_error_and_takes_the_channel_of_the_feed() -> None:
    exact, two = first(POLYTUNNEL), first(with_check_cell(POLYTUNNEL, CellError(gain=1.2)))
    assert two.product_us == exact.product_us
    assert measured(two.feed_us) == pytest.approx(1.2 * measured(two.product_us), rel=0.02)
    assert measured(exact.feed_us) != pytest.approx(measured(two.feed_us), rel=0.2)


def test_a_check_cell_without_a_second_channel_is_refused() -> None:
    fittings = replace(POLYTUNNEL.fittings, features=Feature.LEVEL_SENSOR)
    with pytest.raises(OutOfRangeError, match="second channel"):
        with_check_cell(replace(POLYTUNNEL, fittings=fittings))
