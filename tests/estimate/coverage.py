"""Stated against seen: how often the truth lies in the interval, and how often accepted water is unfit."""

import random
from collections import defaultdict
from dataclasses import dataclass, field

from bridge.estimate.verdict import LIMIT_PPM, decide, passes
from bridge.water.conductivity import Compensation, Method
from bridge.water.measurement import measure
from bridge.water.meter import read
from bridge.water.uncertainty import StandardUncertainties, WaterKind, for_water
from tests.estimate.worlds import METERS, WATERS, Age, fitted, pocket

FACTOR = 0.5


@dataclass
class Seen:
    """Counts of one group."""

    draws: int = 0
    covered: int = 0
    accepted_at_limit: int = 0

    @property
    def coverage(self) -> float:
        return self.covered / self.draws

    @property
    def wrongly(self) -> float:
        """The share of waters, just accepted, that are at or over the limit.

        The reading rises with the concentration. So the water that is just accepted is over the limit exactly
        if water at the limit is accepted too.
        """
        return self.accepted_at_limit / self.draws


@dataclass
class Table:
    """Counts by water and by age of the calibration."""

    cells: dict[tuple[str, str], Seen] = field(default_factory=lambda: defaultdict(Seen))

    def of(self, water: str | None = None, age: str | None = None) -> Seen:
        whole = Seen()
        for (one_water, one_age), seen in self.cells.items():
            if water in (None, one_water) and age in (None, one_age):
                whole.draws += seen.draws
                whole.covered += seen.covered
                whole.accepted_at_limit += seen.accepted_at_limit
        return whole

    def text(self) -> str:
        waters = sorted({water for water, _ in self.cells})
        ages = sorted({age for _, age in self.cells})
        lines = [f"{'':30}{'covered':>9}{'wrongly accepted':>18}"]
        for name, seen in [
            *((water, self.of(water)) for water in waters),
            *((age, self.of(age=age)) for age in ages),
            ("all", self.of()),
        ]:
            lines.append(f"{name:30}{100 * seen.coverage:8.1f}%{100 * seen.wrongly:17.2f}%")
        return "\n".join(lines)


def product(seed: int, draws: int) -> Table:
    """Draws worlds for the product: each water, each age of calibration."""
    table = Table()
    for name, (kind, draw) in WATERS.items():
        for age in Age:
            dice = random.Random(f"{seed}/{name}/{age.value}")
            seen = table.cells[name, age.value]
            for _ in range(draws):
                water, t = draw(dice), dice.uniform(4.0, 30.0)
                true, chain = fitted(dice, age, kind)
                # From 1 to 60 ppm, as many small values as large ones.
                strength = water.strength(2.0 * 60.0 ** dice.random())
                found = measure(chain, *true.reading(dice, water.us_cm(strength, t), t))
                stated = decide(found.dissolved_solids_ppm, found.expanded_uncertainty_ppm)
                truth_ppm = FACTOR * water.us_cm(strength, 25.0)
                assert stated.ppm is not None
                assert stated.expanded_ppm is not None
                at_limit = water.us_cm(water.strength(LIMIT_PPM / FACTOR), t)
                there = measure(chain, *true.reading(dice, at_limit, t))
                seen.draws += 1
                seen.covered += abs(truth_ppm - stated.ppm) <= stated.expanded_ppm
                seen.accepted_at_limit += passes(there.dissolved_solids_ppm, there.expanded_uncertainty_ppm)
    return table


def by_hand(seed: int, draws: int) -> Table:
    """Draws worlds for hand meters of three kinds, in each water."""
    table = Table()
    for name, (kind, draw) in WATERS.items():
        inputs = for_water(StandardUncertainties(), kind)
        compensation = Compensation(Method.NATURAL if kind is WaterKind.TAP else Method.PURE)
        for meter in METERS:
            dice = random.Random(f"{seed}/{name}/{meter.ident}")
            seen = table.cells[name, meter.ident]
            for _ in range(draws):
                water, t = draw(dice), dice.uniform(4.0, 30.0)
                true = pocket(dice, meter)
                t_seen = t + dice.gauss(0.0, 0.3)
                strength = water.strength(2.0 * 60.0 ** dice.random())
                truth_ppm = FACTOR * water.us_cm(strength, 25.0)
                at_limit = water.us_cm(water.strength(LIMIT_PPM / FACTOR), t)
                found, there = (
                    read(meter, true.shown(us_cm, t), FACTOR, t_seen, compensation, inputs).measurement
                    for us_cm in (water.us_cm(strength, t), at_limit)
                )
                stated = decide(found.dissolved_solids_ppm, found.expanded_uncertainty_ppm)
                assert stated.ppm is not None
                assert stated.expanded_ppm is not None
                seen.draws += 1
                seen.covered += abs(truth_ppm - stated.ppm) <= stated.expanded_ppm
                seen.accepted_at_limit += passes(there.dissolved_solids_ppm, there.expanded_uncertainty_ppm)
    return table
