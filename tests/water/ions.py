"""Published conductivities of single ions, as a reference for tests.

R. B. McCleskey, D. K. Nordstrom, J. N. Ryan, J. W. Ball: A new method of calculating electrical conductivity
with applications to natural waters. Geochimica et Cosmochimica Acta 77 (2012) 369-382. For an ion at t °C in
water of ionic strength I (mol/kg):

    λ = λ°(t) - A(t) √I / (1 + B √I)

with quadratics in t for λ° and A. λ is molal, in mS/cm for 1 mol/kg, which equals µS/cm for 1 mmol/kg. The
authors fitted them to measurements from 5 to 90 °C.
"""

from dataclasses import dataclass

Quadratic = tuple[float, float, float]
"""Coefficients of t², t and 1."""


@dataclass(frozen=True, slots=True)
class Ion:
    """One ion: its charge and its molal conductivity."""

    symbol: str
    charge: int
    limit: Quadratic
    slope: Quadratic
    spread: float

    def limiting(self, temperature_c: float) -> float:
        """Return λ°, the conductivity at infinite dilution, in µS/cm for 1 mmol/kg, 0 to 95 °C."""
        return _quadratic(self.limit, temperature_c)

    def conductivity(self, root_ionic_strength: float, temperature_c: float = 25.0) -> float:
        """Return λ in µS/cm for 1 mmol/kg, at this root of the ionic strength in (mol/kg)^½, 0 to 95 °C."""
        fall = _quadratic(self.slope, temperature_c) * root_ionic_strength
        return _quadratic(self.limit, temperature_c) - fall / (1.0 + self.spread * root_ionic_strength)


def _quadratic(coefficients: Quadratic, t: float) -> float:
    square, linear, constant = coefficients
    return (square * t + linear) * t + constant


CALCIUM = Ion("Ca²⁺", 2, (0.009645, 1.984, 62.28), (0.03174, 2.334, 132.3), 2.8)
MAGNESIUM = Ion("Mg²⁺", 2, (0.01068, 1.695, 57.16), (0.02453, 1.915, 80.50), 2.1)
SODIUM = Ion("Na⁺", 1, (0.003763, 0.8770, 26.23), (0.00027, 1.141, 32.07), 1.7)
POTASSIUM = Ion("K⁺", 1, (0.003046, 1.261, 40.70), (0.00535, 0.9316, 22.59), 1.5)
AMMONIUM = Ion("NH₄⁺", 1, (0.003341, 1.285, 39.04), (0.00132, 0.6070, 11.19), 0.3)
HYDROGEN = Ion("H⁺", 1, (-0.01414, 5.355, 224.2), (-0.00918, 1.842, 39.23), 0.3)
HYDROGENCARBONATE = Ion("HCO₃⁻", -1, (0.000614, 0.9048, 21.14), (-0.00503, 0.8957, 10.97), 0.1)
CHLORIDE = Ion("Cl⁻", -1, (0.003817, 1.337, 40.99), (0.00613, 0.9469, 22.01), 1.5)
SULFATE = Ion("SO₄²⁻", -2, (0.01037, 2.838, 82.37), (0.03324, 5.889, 193.5), 2.6)
NITRATE = Ion("NO₃⁻", -1, (0.001925, 1.214, 39.90), (0.00118, 0.5045, 23.31), 0.1)
FLUORIDE = Ion("F⁻", -1, (0.002764, 1.087, 26.66), (0.00178, 0.6202, 19.34), 0.5)
HYDROXIDE = Ion("OH⁻", -1, (0.003396, 2.925, 121.3), (0.00933, 0.1086, 35.90), 0.01)

IONS = (
    CALCIUM,
    MAGNESIUM,
    SODIUM,
    POTASSIUM,
    AMMONIUM,
    HYDROGEN,
    HYDROGENCARBONATE,
    CHLORIDE,
    SULFATE,
    NITRATE,
    FLUORIDE,
    HYDROXIDE,
)
