"""The published conductivities of single ions agree with other tables, so that tests may rest on them."""

from collections.abc import Callable

import pytest

from tests.water.ions import IONS


def test_the_ionic_conductivities_agree_with_the_handbook_at_25_degrees() -> None:
    # CRC Handbook, ionic conductivity at infinite dilution, as the library chemicals ships it (for one
    # charge).
    from thermo.electrochem import CRC_ion_conductivities

    handbook = {row.Formula: row["lambda"] * 1e4 for _, row in CRC_ion_conductivities.iterrows()}
    names = {
        "Ca²⁺": "Ca+2",
        "Mg²⁺": "Mg+2",
        "SO₄²⁻": "SO4-2",
        "HCO₃⁻": "HCO3-",
        "NO₃⁻": "NO3-",
        "NH₄⁺": "NH4+",
    }
    for ion in IONS:
        plain = names.get(ion.symbol, ion.symbol.translate(str.maketrans("⁺⁻", "+-")))
        assert ion.limiting(25.0) == pytest.approx(handbook[plain] * abs(ion.charge), rel=0.015), ion.symbol


SALTS: dict[str, tuple[str, str, float]] = {
    # Cation, anion, and the tolerance between the sum of the ions and the salt at 1 mmol/kg. Only the fit for
    # sodium hydrogencarbonate is an outlier: its limit at 25 °C, 98.5, is 4 % above the handbook's 94.6
    # S·cm²/mol.
    "NaCl": ("Na⁺", "Cl⁻", 0.01),
    "KCl": ("K⁺", "Cl⁻", 0.01),
    "CaCl2": ("Ca²⁺", "Cl⁻", 0.01),
    "MgCl2": ("Mg²⁺", "Cl⁻", 0.03),
    "Na2SO4": ("Na⁺", "SO₄²⁻", 0.035),
    "K2SO4": ("K⁺", "SO₄²⁻", 0.035),
    "KHCO3": ("K⁺", "HCO₃⁻", 0.01),
    "KNO3": ("K⁺", "NO₃⁻", 0.02),
    "HCl": ("H⁺", "Cl⁻", 0.01),
    "NaHCO3": ("Na⁺", "HCO₃⁻", 0.065),
}


@pytest.mark.parametrize("formula", SALTS)
def test_ions_add_up_to_their_salts_at_every_temperature(
    formula: str, salt: Callable[[str, float, float], float]
) -> None:
    # McCleskey, J. Chem. Eng. Data 56 (2011) 317: measured on single salts.
    by_symbol = {ion.symbol: ion for ion in IONS}
    cation_name, anion_name, within = SALTS[formula]
    cation, anion = by_symbol[cation_name], by_symbol[anion_name]
    ions = [(cation, -anion.charge), (anion, cation.charge)]
    root = (0.5e-3 * sum(n * ion.charge**2 for ion, n in ions)) ** 0.5

    def ratio(t: float) -> float:
        return sum(n * ion.conductivity(root, t) for ion, n in ions) / salt(formula, 1e-3, t)

    for t in (5.0, 15.0, 25.0, 35.0):
        assert ratio(t) == pytest.approx(1.0, abs=within), f"at {t} °C"
        assert ratio(t) / ratio(25.0) == pytest.approx(1.0, abs=0.025), f"at {t} °C"
