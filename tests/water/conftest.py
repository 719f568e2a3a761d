"""External references with their valid ranges, and the published tables beside this file."""

import csv
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent

Salt = Callable[[str, float, float], float]
Water = Callable[[float], float]


def rows(name: str) -> list[dict[str, str]]:
    """Returns a table beside this file, without the lines that name its source."""
    with (HERE / name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


PHREEQC_IONS = {
    "calcium": ("Ca", 40.078, 2),
    "magnesium": ("Mg", 24.305, 2),
    "sodium": ("Na", 22.990, 1),
    "potassium": ("K", 39.098, 1),
    "ammonium": ("N(-3)", 18.039, 1),
    "hydrogencarbonate": ("Alkalinity", 61.017, 1),
    "chloride": ("Cl", 35.45, 1),
    "sulfate": ("S(6)", 96.06, 2),
    "nitrate": ("N(5)", 62.005, 1),
    "fluoride": ("F", 18.998, 1),
}
"""The ions of ``tap_waters.csv``: name in PHREEQC's database, molar mass in g/mol, and size of the charge."""


def phreeqc_us_cm(mmol_l: Mapping[str, float]) -> float:
    """Returns the conductivity at 25 °C by PHREEQC (D. L. Parkhurst, C. A. J. Appelo, USGS Techniques and
    Methods 6-A43, 2013)."""
    from phreeqpython import PhreeqPython

    recipe: dict[str, Any] = {"units": "mmol/l", "temp": 25, "pH": 7.6}
    recipe.update((PHREEQC_IONS[ion][0], amount) for ion, amount in mmol_l.items() if amount)
    return float(PhreeqPython().add_solution(recipe).sc)


@pytest.fixture(scope="session")
def table() -> Callable[[str], list[dict[str, str]]]:
    return rows


@pytest.fixture(scope="session")
def density() -> Water:
    """Density of water in kg/m³ by IAPWS, as ``iapws`` carries it."""
    from iapws._iapws import _Liquid

    return lambda t: float(_Liquid(t + 273.15)["rho"])


@pytest.fixture(scope="session")
def iapws_water(density: Water) -> Water:
    """Conductivity of pure water in µS/cm by the IAPWS guideline of 1990, as ``iapws`` carries it."""
    from iapws._iapws import _Conductivity

    return lambda t: float(_Conductivity(density(t), t + 273.15)) * 1e4


@pytest.fixture(scope="session")
def salt(density: Water) -> Salt:
    """Conductivity of one dissolved salt, without the water, in µS/cm: (formula, mol/kg, °C).

    R. B. McCleskey, J. Chem. Eng. Data 56 (2011) 317, 5 to 90 °C; equation from ``thermo``, coefficients from
    ``chemicals``.
    """
    from thermo import electrochem

    coefficients = {row.formula: row for _, row in electrochem.cond_data_McCleskey.iterrows()}

    def conductivity_us_cm(formula: str, molality: float, t: float) -> float:
        of = coefficients[formula]
        siemens_m = electrochem.conductivity_McCleskey(
            T=t + 273.15,
            M=molality,
            lambda_coeffs=[of.c1, of.c2, of.c3],
            A_coeffs=[of.d1, of.d2, of.d3],
            B=of.B,
            multiplier=of.multiplier,
            rho=density(t),
        )
        return float(siemens_m) * 1e4

    return conductivity_us_cm
