"""The columns of PHREEQC in ``columns.csv``, which ``make_columns.py`` beside this file regenerates."""

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

LIMIT_PPM = 50.0
HERE = Path(__file__).parent


@dataclass(frozen=True)
class Column:
    """One column: its feed, and product against litres as knots of a broken line up to the crossing."""

    name: str
    feed_ppm: float
    knots: tuple[tuple[float, float], ...]

    def product_ppm(self, volume_l: float) -> float:
        before = self.knots[0]
        for knot in self.knots:
            if volume_l <= knot[0]:
                span = knot[0] - before[0]
                share = (volume_l - before[0]) / span if span > 0.0 else 1.0
                return before[1] + share * (knot[1] - before[1])
            before = knot
        return before[1]

    @property
    def life_l(self) -> float:
        before, last = self.knots[-2:]
        return before[0] + (last[0] - before[0]) * (LIMIT_PPM - before[1]) / (last[1] - before[1])

    @property
    def capacity_g(self) -> float:
        steps = 2000
        life = self.life_l
        return sum(
            (self.feed_ppm - self.product_ppm((i + 0.5) / steps * life)) * life / steps / 1000.0
            for i in range(steps)
        )


@cache
def columns() -> tuple[Column, ...]:
    found: dict[str, list[dict[str, str]]] = {}
    with (HERE / "columns.csv").open(newline="") as file:
        for line in csv.DictReader(file):
            found.setdefault(line["column"], []).append(line)
    return tuple(
        Column(
            name,
            float(lines[0]["feed_ppm"]),
            tuple((float(line["volume_l"]), float(line["product_ppm"])) for line in lines),
        )
        for name, lines in found.items()
    )
