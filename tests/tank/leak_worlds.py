"""Invented years of reservoirs with and without a leak, on a published weather record.

They are made by other means than the search for leaks and its other tests: whole years at once as arrays of
hours, the weather of :mod:`tests.tank.weather_record`, water that swells by its volume and the day's range
of temperature, cans of whole litres at changing hours, nights on which somebody takes a can. All numbers of
the gardens are invented.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bridge.tank.use import DrawOff, DrawOffSettings, observe
from tests.tank.weather_record import seattle

STEP_L = 2.5
"""A step of 10 mm in a tank of 200 L that is 0.8 m high."""
COARSE = DrawOffSettings(resolution_l=STEP_L, rise_l=2.0 * STEP_L, longest_gap_s=3600.0)
_FULL_L, _FILL_BELOW_L, _FILL_L_H = 185.0, 110.0, 30.0
_EXPANSION = 2.1e-4
"""Of water at 20 °C, per °C (from memory)."""
_NOISE_L = 0.2
_HOUR = np.arange(24)

Hours = NDArray[Any]
"""A row for each day, a column for each hour of it."""
Garden = Callable[[Hours, np.random.Generator], Hours]
"""Returns the use in L/h from the evapotranspiration in mm of each day."""


def _at(days: int, hours: NDArray[Any], litres: Hours) -> Hours:
    use = np.zeros((days, 24))
    use[np.arange(days), hours] = litres
    return use


def _by_hand(mm: Hours, chance: np.random.Generator) -> Hours:
    days = len(mm)
    cans = 8.0 * np.round(mm * chance.lognormal(-0.1, 0.3, days) / 2.5)
    use = _at(days, chance.integers(17, 21, days), cans)
    use += _at(days, chance.integers(7, 10, days), 4.0 * (chance.random(days) < 0.6))
    # A can at noon on some days, and one at night once in three weeks.
    use += _at(days, chance.integers(11, 15, days), 4.0 * (chance.random(days) < 0.1))
    use += _at(days, chance.choice([22, 23, 1], days), 4.0 * (chance.random(days) < 0.05))
    return use


def _timers(mm: Hours, chance: np.random.Generator) -> Hours:
    use = np.zeros((len(mm), 24))
    for hour, litres in ((3, 4.0), (5, 2.0), (13, 3.0)):
        use[:, hour] = litres * chance.normal(1.0, 0.05, len(mm))
    return use


def _misting(mm: Hours, chance: np.random.Generator) -> Hours:
    sun = np.clip(np.sin(np.pi * (_HOUR - 6.5) / 13.0), 0.0, None) * ((_HOUR >= 7) & (_HOUR < 20))
    nozzles = np.round(3.0 * mm[:, None] * sun * chance.uniform(0.7, 1.3, (len(mm), 1))) * 0.12
    use: Hours = nozzles + _at(len(mm), np.full(len(mm), 19), np.full(len(mm), 6.0))
    return use


def _wicks(mm: Hours, chance: np.random.Generator) -> Hours:
    share = 0.12 + np.clip(np.sin(np.pi * (_HOUR - 5) / 16.0), 0.0, None) ** 1.5 * (
        (_HOUR > 5) & (_HOUR < 21)
    )
    use: Hours = 0.14 * mm[:, None] * share * chance.lognormal(0.0, 0.15, (len(mm), 1))
    return use


GARDENS: dict[str, Garden] = {
    "by hand": _by_hand,
    "timers": _timers,
    "misting": _misting,
    "wicks": _wicks,
    "warm afternoons": lambda mm, chance: _at(len(mm), np.full(len(mm), 19), np.full(len(mm), 5.0)),
}


_record = cache(seattle)


def followed(
    garden: str,
    seed: int,
    days: int,
    leak_l_h: float = 0.0,
    leak_from: int = 0,
    settings: DrawOffSettings = COARSE,
) -> Iterator[tuple[int, DrawOff]]:
    """Iterate over the days of a garden, with what is learned at the end of each.

    Args:
        garden: its name in :data:`GARDENS`.
        seed: the seed of the world; it also chooses the first day in the record.
        days: the number of days.
        leak_l_h: the leak.
        leak_from: the day on which it begins, at some hour of its first half.
        settings: those of the learning, with the resolution of :data:`COARSE`.
    """
    chance = np.random.default_rng([seed, *garden.encode()])
    record = _record()
    first = int(chance.integers(0, len(record) - days)) if days < len(record) else 0
    weather = [record[(first + number) % len(record)][1] for number in range(days)]
    mm = np.array([one.evapotranspiration_mm for one in weather])
    hottest = np.array([one.highest_c for one in weather])
    use = GARDENS[garden](mm, chance)
    leak = np.zeros(days * 24)
    leak[24 * leak_from + int(chance.integers(0, 12)) :] = leak_l_h
    # In the sun the water warms with the air, by 10 °C on the hottest days; warmest at five in the afternoon.
    swing_c = np.clip(0.5 * (hottest - 5.0), 0.5, 10.0)
    warm_c = 0.5 * swing_c[:, None] * np.cos(2.0 * np.pi * (_HOUR - 17) / 24.0)
    yield from _observed(use.ravel() + leak, warm_c.ravel(), record[first][0].toordinal(), chance, settings)


def _observed(
    out_l: Hours, warm_c: Hours, first: int, chance: np.random.Generator, settings: DrawOffSettings
) -> Iterator[tuple[int, DrawOff]]:
    noise_l = chance.normal(0.0, _NOISE_L, len(out_l)).tolist()
    offset_l, volume_l, filling = float(chance.uniform(0.0, STEP_L)), 170.0, False
    now, state = datetime.fromordinal(first).replace(tzinfo=UTC), DrawOff()
    for hour, (taken_l, warm, error_l) in enumerate(
        zip(out_l.tolist(), warm_c.tolist(), noise_l, strict=True)
    ):
        filling = volume_l < (_FULL_L if filling else _FILL_BELOW_L)
        volume_l = max(volume_l + (_FILL_L_H if filling else 0.0) - taken_l, 0.0)
        shown_l = volume_l * (1.0 + _EXPANSION * warm) + error_l + offset_l
        now += timedelta(hours=1)
        state = observe(settings, state, now, max(round(shown_l / STEP_L) * STEP_L, 0.0), filling)
        if hour % 24 == 23:
            yield hour // 24, state
