"""A barrel over a season as it truly is, beside the estimate of it.

The truth is kept in milligrams and litres, by its own arithmetic. The grower draws off, water evaporates,
rain falls in, dust falls in, and fills come from a cell with errors of its own (``worlds``).
"""

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

from bridge.estimate import reservoir, watch
from bridge.estimate.reservoir import HandSample, Reservoir
from bridge.estimate.verdict import Verdict
from bridge.estimate.watch import CellWatch
from bridge.water.measurement import measure
from bridge.water.meter import HandMeter, read
from bridge.water.uncertainty import StandardUncertainties, for_water
from tests.estimate.worlds import WATERS, Age, fitted, pocket

CAPACITY_L = 200.0


@dataclass(frozen=True)
class Day:
    """One evening."""

    day: int
    truth_ppm: float
    estimate: Reservoir
    verdict: Verdict
    watch: CellWatch


def season(
    dice: random.Random,
    days: int,
    *,
    meter: HandMeter | None,
    sample_every: int = 14,
    age: Age | None = None,
    product_ppm: float | None = None,
    gain_step: float = 0.0,
    step_day: int = 0,
    draw_l: float = 14.0,
) -> Iterator[Day]:
    """Live through a season.

    Args:
        dice: the chance.
        days: the length.
        meter: the hand meter, or None for a grower who takes no samples.
        sample_every: days between two samples.
        age: how the cell came by its constant, or None for a chance of each.
        product_ppm: the product. None for one that becomes worse over the season.
        gain_step: from ``step_day`` on the cell reads this share more (negative: less).
        step_day: the day of this step.
        draw_l: the mean draw-off of a day.
    """
    kind, draw_water = WATERS[dice.choice(sorted(WATERS))]
    water = draw_water(dice)
    true, chain = fitted(dice, dice.choice(list(Age)) if age is None else age, kind)
    in_hand = None if meter is None else pocket(dice, meter)
    gauge_scale, gauge_offset_l = dice.gauss(1.0, 0.02), dice.gauss(0.0, 1.0)
    cell_percent = chain.uncertainties.cell_constant_percent
    hand_inputs = for_water(StandardUncertainties(), kind)

    def gauge(litres: float) -> float:
        return max(gauge_scale * litres + gauge_offset_l + dice.gauss(0.0, 0.3), 1.0)

    volume_l = dice.uniform(60.0, 150.0)
    assumed_ppm = dice.uniform(0.0, 25.0)
    solids_mg = volume_l * max(assumed_ppm + dice.gauss(0.0, 15.0), 0.5)
    best, worst = (
        (dice.uniform(0.5, 15.0), dice.uniform(15.0, 45.0)) if product_ppm is None else (product_ppm,) * 2
    )
    estimate = reservoir.begin(assumed_ppm, gauge(volume_l), volume_sd_l=4.0, cell_percent=cell_percent)
    seen = CellWatch()
    t = dice.uniform(6.0, 24.0)
    for day in range(days):
        t = min(max(t + dice.gauss(0.0, 1.0), 4.0), 30.0)
        estimate = reservoir.aged(estimate, 1.0, drift_percent_per_year=5.0)
        drawn_l = min(dice.uniform(0.0, 2.0 * draw_l), volume_l - 10.0)
        solids_mg *= (volume_l - drawn_l) / volume_l
        volume_l -= drawn_l
        estimate = reservoir.drawn(estimate, drawn_l * gauge_scale, 0.3)
        lost_l = dice.uniform(0.0, 1.2)
        volume_l -= lost_l
        estimate = reservoir.evaporated(estimate, 0.6, 0.35)
        if dice.random() < 0.2:
            rain_l = dice.uniform(0.5, 5.0)
            volume_l += rain_l
            solids_mg += rain_l * min(dice.lognormvariate(math.log(8.0), 0.6), 40.0)
            estimate = reservoir.rained(estimate, rain_l * gauge_scale)
        solids_mg += volume_l * max(dice.gauss(0.01, 0.08), 0.0)
        estimate = reservoir.volume_seen(estimate, gauge(volume_l), 4.0)
        if volume_l < 0.5 * CAPACITY_L:
            now_ppm = best + (worst - best) * (day / days) ** 2
            at_25 = water.strength(max(2.0 * now_ppm, 4.0))
            truth_ppm = 0.5 * water.us_cm(at_25, 25.0)
            cell = true
            if gain_step and day >= step_day:
                cell = replace(true, constant_per_cm=true.constant_per_cm / (1.0 + gain_step))
            found = measure(chain, *cell.reading(dice, water.us_cm(at_25, t), t))
            litres = 0.9 * CAPACITY_L - volume_l
            shown_ppm = max(found.dissolved_solids_ppm, 0.0)
            own = reservoir.own_percent_of(shown_ppm, found.expanded_uncertainty_ppm, cell_percent)
            for _ in range(3):
                # In three parts: their errors are the same.
                estimate = reservoir.filled(
                    estimate, litres * gauge_scale / 3.0, shown_ppm, own_percent=own, litres_sd=0.3
                )
            volume_l += litres
            solids_mg += litres * truth_ppm
        if in_hand is not None and day % sample_every == sample_every - 1:
            held = water.strength(2.0 * solids_mg / volume_l)
            shown = in_hand.shown(water.us_cm(held, t) * dice.gauss(1.0, 0.01), t)
            reading = read(in_hand.meter, shown, 0.5, t + dice.gauss(0.0, 0.3), None, hand_inputs)
            sample = HandSample(
                reading.measurement.dissolved_solids_ppm,
                reading.common_ppm,
                reading.own_ppm,
                in_hand.meter.ident,
                reading.below_resolution,
            )
            seen = watch.sample_seen(seen, reservoir.contradiction(estimate, sample))
            estimate = reservoir.sampled(estimate, sample, 86_400.0 * day)
        judged = reservoir.judged(estimate, 50.0, 25.0)
        yield Day(day, solids_mg / volume_l, estimate, judged.verdict, seen)
