"""External references with their valid ranges, and the published tables beside this file."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

HERE = Path(__file__).parent

Salt = Callable[[str, float, float], float]
Water = Callable[[float], float]


def rows(name: str) -> list[dict[str, str]]:
    """Returns a table beside this file, without the lines that name its source."""
    with (HERE / name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


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
