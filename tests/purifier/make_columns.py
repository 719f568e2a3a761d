"""Runs exchange columns in PHREEQC and writes their products to ``columns.csv``.

    python tests/purifier/make_columns.py

A column is a bed of hydrogen exchanger (Rc) and hydroxide exchanger (Ra) in the same cells, one equivalent
of each, with advection and dispersion along it. The waters are chosen, not measured: they span soft to very
hard, with pH at saturation with calcite. Selectivities against H and OH are of the size of those published
for strong-acid resin with 8 % divinylbenzene and strong-base resin of type 1 (from memory). The purpose is
the shape of the front, not the resin of one maker.

In the ``film`` columns the exchanger sits in stagnant cells behind a first-order exchange with the flowing
water, as behind the film around a bead: wider, slower fronts.
"""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

from phreeqpython import PhreeqPython

COLUMNS_CSV = Path(__file__).with_name("columns.csv")
PPM_PER_US_CM = 0.5
"""The scale of every ppm in the file: a meter with factor 0.5."""
PORE_VOLUMES = 25.0
"""Pore volumes to the stoichiometric end; the exchanger per cell is set from it."""
STOP_PPM = 52.0

MMOL_PER_L: dict[str, dict[str, float]] = {
    "soft-granite": {"Ca": 0.30, "Mg": 0.10, "Na": 0.42, "K": 0.03, "Cl": 0.45, "S(6)": 0.10},
    "soft-upland": {"Ca": 0.40, "Mg": 0.10, "Na": 0.45, "K": 0.04, "Cl": 0.49, "S(6)": 0.12},
    "soft-coastal": {"Ca": 0.45, "Mg": 0.20, "Na": 1.10, "K": 0.06, "Cl": 1.25, "S(6)": 0.15},
    "slightly-hard": {"Ca": 0.75, "Mg": 0.20, "Na": 0.50, "K": 0.05, "Cl": 0.65, "S(6)": 0.20},
    "moderate": {"Ca": 1.00, "Mg": 0.35, "Na": 0.60, "K": 0.05, "Cl": 0.85, "S(6)": 0.35},
    "moderate-sulfate": {"Ca": 1.10, "Mg": 0.60, "Na": 0.80, "K": 0.08, "Cl": 0.70, "S(6)": 0.95},
    "softened": {"Ca": 0.20, "Mg": 0.08, "Na": 4.20, "K": 0.10, "Cl": 1.15, "S(6)": 0.40},
    "hard-chalk": {"Ca": 2.40, "Mg": 0.15, "Na": 0.55, "K": 0.05, "Cl": 1.10, "S(6)": 0.25},
    "hard-river": {"Ca": 2.20, "Mg": 0.50, "Na": 1.40, "K": 0.15, "Cl": 1.85, "S(6)": 0.60},
    "hard-dolomite": {"Ca": 1.80, "Mg": 1.40, "Na": 0.30, "K": 0.03, "Cl": 0.50, "S(6)": 0.25},
    "very-hard": {"Ca": 3.20, "Mg": 0.90, "Na": 1.00, "K": 0.08, "Cl": 1.80, "S(6)": 1.00},
    "very-hard-salty": {"Ca": 3.00, "Mg": 1.30, "Na": 3.50, "K": 0.20, "Cl": 4.50, "S(6)": 1.30},
}

RESIN = """
EXCHANGE_MASTER_SPECIES
 Rc Rc-
 Ra Ra+
EXCHANGE_SPECIES
 Rc- = Rc-
  log_k 0
 H+ + Rc- = HRc
  log_k 1.00
 Na+ + Rc- = NaRc
  log_k 1.19
 K+ + Rc- = KRc
  log_k 1.36
 Mg+2 + 2Rc- = MgRc2
  log_k 2.41
 Ca+2 + 2Rc- = CaRc2
  log_k 2.61
 Ra+ = Ra+
  log_k 0
 OH- + Ra+ = RaOH
  log_k 1.00
 HCO3- + Ra+ = RaHCO3
  log_k 1.78
 Cl- + Ra+ = RaCl
  log_k 2.34
 SO4-2 + 2Ra+ = Ra2SO4
  log_k 4.00
"""


@dataclass(frozen=True)
class Column:
    """One run: the water, the length of the bed (m), its dispersivity (m), and whether it is film-limited."""

    water: str
    length_m: float
    dispersivity_m: float
    cells: int
    ph: float = 8.0
    film_rate: float = 0.0
    """First-order exchange with the stagnant water around the resin, per shift; 0 is none."""

    @property
    def name(self) -> str:
        kind = f"film-{self.film_rate:g}" if self.film_rate else "plug" if self.ph == 8.0 else "acid"
        return f"{self.water}/{self.length_m:g}m/{1000 * self.dispersivity_m:g}mm/{kind}"


@dataclass(frozen=True)
class Row:
    """Litres treated so far and the product's values."""

    volume_l: float
    product_ppm: float


BEDS = ((0.25, 0.002, 20), (0.5, 0.01, 20), (1.0, 0.004, 30))


def columns() -> Iterator[Column]:
    """Returns every run: all waters in three beds, some with wider fronts, some with much carbonic acid."""
    for water in MMOL_PER_L:
        for length_m, dispersivity_m, cells in BEDS:
            yield Column(water, length_m, dispersivity_m, cells)
    for water in ("soft-upland", "moderate", "softened", "hard-chalk", "hard-river", "very-hard"):
        yield Column(water, 0.5, 0.01, 12, film_rate=0.5)
        yield Column(water, 0.5, 0.01, 12, film_rate=1.5)
        yield Column(water, 0.5, 0.05, 20)
    for water in ("moderate", "hard-chalk", "hard-river", "very-hard"):
        yield Column(water, 0.5, 0.01, 20, ph=7.3)


def run(column: Column) -> tuple[float, list[Row]]:
    """Returns the feed in ppm and the rows of one column until the product exceeds STOP_PPM."""
    ions = MMOL_PER_L[column.water]
    cations_eq = (2 * ions["Ca"] + 2 * ions["Mg"] + ions["Na"] + ions["K"]) / 1000.0
    exchanger_eq = PORE_VOLUMES * cations_eq
    first = column.cells + 2 if column.film_rate else 1
    last = 2 * column.cells + 1 if column.film_rate else column.cells
    stagnant = f" -stagnant 1 {column.film_rate} 0.5 0.5\n" if column.film_rate else ""
    concentrations = "\n".join(f" {ion} {mmol}" for ion, mmol in ions.items())
    shifts = int(1.15 * (1.3 if column.film_rate else 1.0) * PORE_VOLUMES * column.cells)
    phreeqc = PhreeqPython(database="phreeqc.dat")
    phreeqc.ip.run_string(
        f"""{RESIN}
SOLUTION 0
 units mmol/kgw
 temp 25
 pH {column.ph}
{concentrations}
 C(4) 2.0 charge
SOLUTION 1-{2 * column.cells + 1 if column.film_rate else column.cells}
 temp 25
EXCHANGE {first}-{last}
 HRc {exchanger_eq}
 RaOH {exchanger_eq}
TRANSPORT
 -cells {column.cells}
 -shifts {shifts}
 -lengths {column.length_m / column.cells}
 -dispersivities {column.dispersivity_m}
 -flow_direction forward
 -boundary_conditions flux flux
 -diffusion_coefficient 0
 -time_step 1
{stagnant} -punch_cells {column.cells}
 -punch_frequency 1
 -warnings false
SELECTED_OUTPUT
 -reset false
USER_PUNCH
 -headings conductivity
 10 PUNCH SC
END
"""
    )
    table = phreeqc.ip.get_selected_output_array()
    values = [float(line[0]) for line in table if isinstance(line[0], float)]
    feed_ppm = PPM_PER_US_CM * values[0]
    litres_per_shift = 1.0 / exchanger_eq / column.cells
    return feed_ppm, [
        Row((i + 1) * litres_per_shift, PPM_PER_US_CM * value) for i, value in enumerate(values[-shifts:])
    ]


def knots(rows: list[Row]) -> list[Row]:
    """Returns the rows between which straight lines give all others, up to the first over STOP_PPM."""
    kept = [rows[0]]
    for before, here, after in zip(rows, rows[1:], rows[2:], strict=False):
        bend = abs(after.product_ppm - 2 * here.product_ppm + before.product_ppm)
        if bend > 0.002 + 0.002 * here.product_ppm or here.product_ppm > STOP_PPM:
            kept.append(here)
        if here.product_ppm > STOP_PPM:
            return kept
    raise RuntimeError("the column never broke through; raise the number of shifts")


def record(column: Column) -> list[list[str]]:
    """Returns the lines of the file for one column."""
    feed_ppm, rows = run(column)
    return [
        [column.name, f"{feed_ppm:.2f}", f"{row.volume_l:.3f}", f"{row.product_ppm:.4f}"]
        for row in knots(rows)
    ]


def main() -> None:
    with Pool(2) as pool, COLUMNS_CSV.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["column", "feed_ppm", "volume_l", "product_ppm"])
        for lines in pool.imap(record, columns(), chunksize=1):
            writer.writerows(lines)


if __name__ == "__main__":
    main()
