"""Settled readings of a cell in a standard, and standards known only by their label."""

import random
import statistics
from collections.abc import Callable

import pytest

from bridge.errors import InputError, OutOfRangeError
from bridge.water.calibration import Criterion, Settling
from bridge.water.standards import BOTTLED_84, BOTTLED_1413, chosen, labelled, value_us_cm


def after(
    seconds: float,
    us: Callable[[float], float],
    c: Callable[[float], float] = lambda t: 21.0,
    every_s: float = 0.1,
) -> Settling:
    settling = Settling(Criterion(60.0, 0.2, 0.1))
    for step in range(round(seconds / every_s)):
        at_s = step * every_s
        settling.take(at_s, us(at_s), c(at_s))
    return settling


def test_steady_readings_settle_after_the_window_and_not_before() -> None:
    assert after(59.0, lambda t: 840.0).settled is None
    settled = after(61.0, lambda t: 840.0).settled
    assert settled is not None
    assert (settled.conductance_us, settled.temperature_c) == pytest.approx((840.0, 21.0))


def test_noise_is_not_movement_and_adds_to_the_uncertainty() -> None:
    rng = random.Random(1)
    settled = after(70.0, lambda t: 840.0 * (1 + rng.gauss(0.0, 0.005))).settled
    assert settled is not None
    assert settled.conductance_us == pytest.approx(840.0, rel=0.001)
    # Standard deviation of the mean of n values: s / sqrt(n), JCGM 100:2008, 4.2.3.
    assert settled.mean_uncertainty_percent == pytest.approx(0.5 / settled.readings**0.5, rel=0.2)


def test_the_uncertainty_of_few_readings_is_that_of_their_sample() -> None:
    settling = Settling(Criterion(10.0, 5.0, 0.1))
    shown = [840.0, 842.0, 839.0, 841.0, 843.0, 838.0, 840.0, 841.0, 839.0, 842.0, 840.0, 841.0]
    for second, us in enumerate(shown):
        settling.take(float(second), us, 21.0 + 0.001 * second)
    settled = settling.settled
    assert settled is not None
    counted = shown[1:]
    assert settled.readings == len(counted)
    assert settled.conductance_us == pytest.approx(statistics.mean(counted))
    assert settled.temperature_c == pytest.approx(21.006)
    of_mean_us = statistics.stdev(counted) / len(counted) ** 0.5
    assert settled.mean_uncertainty_percent == pytest.approx(100.0 * of_mean_us / settled.conductance_us)


def test_readings_that_are_all_the_same_settle_by_any_criterion() -> None:
    settling = Settling(Criterion(10.0, 0.0, 0.0))
    for step in range(121):
        settling.take(0.1 * step, 840.0, 21.0)
    assert settling.settled is not None
    moved = settling.movement
    assert moved is not None
    assert moved.seconds == pytest.approx(10.0, abs=0.11)
    assert (moved.conductance_percent, moved.temperature_k) == (0.0, 0.0)


def test_the_movement_is_known_from_eight_readings_in_every_quarter() -> None:
    settling = Settling()
    assert settling.criterion == Criterion()
    for step in range(8):
        assert settling.movement is None
        settling.take(float(step), 100.0 + step, 20.0 + 0.1 * step)
    moved = settling.movement
    assert moved is not None
    # The means of the first and the last quarter, of two readings each: 100.5 and 106.5 µS around 103.5 µS.
    assert moved.conductance_percent == pytest.approx(100.0 * 6.0 / 103.5)
    assert moved.temperature_k == pytest.approx(0.6)
    gap = Settling()
    for at_s in (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 30.0):
        gap.take(at_s, 100.0, 20.0)
    assert gap.movement is None, "two quarters are empty"


def test_the_movement_of_a_large_cell_in_a_weak_standard_is_a_share_of_its_small_reading() -> None:
    moved = after(61.0, lambda t: 0.5 + 0.0001 * t).movement
    assert moved is not None
    # From the middle of the first quarter to that of the last: 45 s.
    assert moved.conductance_percent == pytest.approx(100.0 * 0.0045 / 0.503, rel=0.01)


def test_a_dry_cell_never_settles() -> None:
    assert after(200.0, lambda t: 0.0).settled is None


def test_slow_drift_and_a_solution_that_still_warms_do_not_settle() -> None:
    assert after(200.0, lambda t: 840.0 * (1 + 0.0001 * t)).settled is None
    assert after(200.0, lambda t: 840.0, lambda t: 20.0 + 0.005 * t).settled is None
    assert after(200.0, lambda t: 840.0 * (1 + 0.00001 * t)).settled is not None


def test_a_reading_without_a_value_restarts_the_window() -> None:
    settling = after(61.0, lambda t: 840.0)
    settling.take(61.0, None, 21.0)
    for step in range(500):
        settling.take(61.1 + 0.1 * step, 840.0, 21.0)
        assert settling.settled is None


@pytest.mark.parametrize("celsius", [15.0, 20.0, 25.0, 30.0])
def test_a_labelled_standard_agrees_with_the_table_of_the_maker(celsius: float) -> None:
    """The tables of :mod:`bridge.water.standards`, within the expanded uncertainty (k = 2)."""
    for standard, label in ((BOTTLED_84, 84.0), (BOTTLED_1413, 1413.0)):
        guess = value_us_cm(labelled(label), celsius)
        assert guess == pytest.approx(value_us_cm(standard, celsius), rel=0.016)
    assert value_us_cm(labelled(147.0), 25.0) == pytest.approx(147.0)


def test_a_standard_is_chosen_by_its_id_or_by_its_label() -> None:
    assert chosen("84") is BOTTLED_84
    assert chosen(" KCL-0.01 ").ident == "kcl-0.01"
    assert chosen("146.9").ident == "146.9"
    for wrong, error in (("salt", InputError), ("1", OutOfRangeError), ("nan", OutOfRangeError)):
        with pytest.raises(error):
            chosen(wrong)
