"""The rejection of a membrane through the year: warm water and standing water do not count as ageing."""

import math
import random

import pytest

from bridge.errors import InputError, OutOfRangeError
from bridge.purifier import membrane
from bridge.purifier.forecast import Forecast
from bridge.purifier.membrane import Membrane
from bridge.purifier.season import Expected

LIMIT_PPM = 50.0
USE_L = 20.0
WARMEST_C = 23.0


def water_c(day: float) -> float:
    return 14.0 - 9.0 * math.cos(2.0 * math.pi * (day - 30.0) / 365.25)


def year(
    ageing_per_m3: float, days: int, standing_counts: bool = False, seed: int = 1, first_l: float = 1.0
) -> list[tuple[int, float, Forecast, Membrane]]:
    """Daily fills. The passage grows by ``ageing_per_m3`` and by 3 % per kelvin; the prior is 2 %."""
    rng = random.Random(seed)
    state = membrane.begin(94.0)
    seen: list[tuple[int, float, Forecast, Membrane]] = []
    treated = 0.0
    for day in range(days):
        feed = 320.0 * rng.uniform(0.85, 1.15)
        warm = water_c(day)
        for litres, standing in ((first_l, True), (USE_L - first_l, False)):
            treated += litres
            passage = 0.05 * math.exp(ageing_per_m3 * treated / 1000.0 + 0.03 * (warm - 25.0))
            product = feed * passage * math.exp(rng.gauss(0.0, 0.05)) * (4.0 if standing else 1.0)
            since_start = 1.0 if standing and not standing_counts else USE_L
            state = membrane.observe(state, litres, feed, product, warm, since_start, float(day))
        true_worst = 320.0 * 0.05 * math.exp(ageing_per_m3 * treated / 1000.0 + 0.03 * (WARMEST_C - 25.0))
        said = membrane.forecast(
            state, LIMIT_PPM, Expected(320.0, 10.0), WARMEST_C, Expected(USE_L, 2.0), lead_days=21.0
        )
        seen.append((day, true_worst, said, state))
    return seen


def test_a_sound_membrane_needs_no_order_in_a_year_of_cold_and_warm_water() -> None:
    for seed in range(3):
        days = year(ageing_per_m3=0.06, days=400, seed=seed)
        assert max(worst for _, worst, _, _ in days) < 0.6 * LIMIT_PPM
        assert [day for day, _, said, _ in days if said.order_now] == []


def test_a_failing_membrane_is_ordered_in_time_and_not_months_early() -> None:
    days = year(ageing_per_m3=0.16, days=500)
    crossing = next(day for day, worst, _, _ in days if worst >= LIMIT_PPM)
    ordered = next(day for day, _, said, _ in days if said.order_now)
    assert 21 <= crossing - ordered <= 100
    half_way = days[crossing // 2][2]
    assert half_way.days_left.low95 <= crossing - crossing // 2 <= half_way.days_left.high95


def test_the_temperature_coefficient_is_learned_from_the_year() -> None:
    *_, (_, _, _, state) = year(ageing_per_m3=0.06, days=400)
    assert state.warmth == pytest.approx(0.03, abs=0.006)
    assert membrane.rejection_percent(state, 25.0) == pytest.approx(
        100.0 * (1.0 - 0.05 * math.exp(0.06 * state.treated_l / 1000.0)), abs=0.7
    )


def test_standing_water_is_left_out_of_the_estimate() -> None:
    *_, (_, _, _, left_out) = year(ageing_per_m3=0.06, days=120, first_l=10.0)
    *_, (_, _, _, counted) = year(ageing_per_m3=0.06, days=120, first_l=10.0, standing_counts=True)
    truth = 100.0 * (1.0 - 0.05 * math.exp(0.06 * 2.4))
    assert abs(membrane.rejection_percent(left_out) - truth) < 1.0
    assert abs(membrane.rejection_percent(counted) - truth) > 1.5
    assert left_out.treated_l == pytest.approx(counted.treated_l)


def test_impossible_values_are_refused() -> None:
    state = membrane.begin(95.0)
    with pytest.raises(OutOfRangeError):
        membrane.observe(state, -1.0, 300.0, 15.0, 20.0, 10.0, 0.0)
    with pytest.raises(OutOfRangeError):
        membrane.observe(state, 1.0, 300.0, 15.0, 85.0, 10.0, 0.0)
    with pytest.raises(InputError):
        membrane.begin(101.0)
