"""Water analysis: the conductivity, the dissolved solids and the factor, from the ions in the water.

A waterworks publishes milligrams per litre of each ion. From these follow

* the conductivity at 25 °C, as the sum over the ions (Kohlrausch's law). The ionic strength lowers the
  conductivity of each ion. Calcium and magnesium form ion pairs, which lower it further;
* the dissolved solids, with one of two meanings that differ by a quarter in hard water. The **sum of ions**
  is the mass of the ions in the water. In the **residue on evaporation** hydrogencarbonate has become
  carbonate: 2 HCO₃⁻ → CO₃²⁻ + CO₂ + H₂O, so that 0.4917 of its mass remains (J. D. Hem, Study and
  interpretation of the chemical characteristics of natural water, USGS Water-Supply Paper 2254, 1985);
* the factor, dissolved solids over conductivity, for each meaning.

Kohlrausch's law: in a very dilute solution each ion conducts independently of the others. In a more
concentrated solution the conductivity of each ion falls with the root of the ionic strength. The equations
are those of

    R. B. McCleskey, D. K. Nordstrom, J. N. Ryan, J. W. Ball: A new method of calculating electrical
    conductivity with applications to natural waters. Geochimica et Cosmochimica Acta 77 (2012) 369-382.

For an ion at t °C in water of ionic strength I (mol/kg):

    λ = λ°(t) - A(t) √I / (1 + B √I)

with quadratics in t for λ° and A. λ is molal, in mS/cm for 1 mol/kg, which equals µS/cm for 1 mmol/kg. The
authors fitted them to measurements from 5 to 90 °C, and found them valid for waters from 0 to 95 °C.
"""

import math
from dataclasses import dataclass, fields
from enum import Enum

from bridge.errors import OutOfRangeError

Quadratic = tuple[float, float, float]
"""Coefficients of t², t and 1."""


@dataclass(frozen=True, slots=True)
class Ion:
    """One ion: its charge, its molar mass in g/mol, and its molal conductivity."""

    symbol: str
    charge: int
    molar_mass: float
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


# Molar masses: IUPAC conventional atomic weights (2021), summed.
CALCIUM = Ion("Ca²⁺", 2, 40.078, (0.009645, 1.984, 62.28), (0.03174, 2.334, 132.3), 2.8)
MAGNESIUM = Ion("Mg²⁺", 2, 24.305, (0.01068, 1.695, 57.16), (0.02453, 1.915, 80.50), 2.1)
SODIUM = Ion("Na⁺", 1, 22.990, (0.003763, 0.8770, 26.23), (0.00027, 1.141, 32.07), 1.7)
POTASSIUM = Ion("K⁺", 1, 39.098, (0.003046, 1.261, 40.70), (0.00535, 0.9316, 22.59), 1.5)
AMMONIUM = Ion("NH₄⁺", 1, 18.039, (0.003341, 1.285, 39.04), (0.00132, 0.6070, 11.19), 0.3)
HYDROGEN = Ion("H⁺", 1, 1.008, (-0.01414, 5.355, 224.2), (-0.00918, 1.842, 39.23), 0.3)
HYDROGENCARBONATE = Ion("HCO₃⁻", -1, 61.016, (0.000614, 0.9048, 21.14), (-0.00503, 0.8957, 10.97), 0.1)
CHLORIDE = Ion("Cl⁻", -1, 35.45, (0.003817, 1.337, 40.99), (0.00613, 0.9469, 22.01), 1.5)
SULFATE = Ion("SO₄²⁻", -2, 96.06, (0.01037, 2.838, 82.37), (0.03324, 5.889, 193.5), 2.6)
NITRATE = Ion("NO₃⁻", -1, 62.004, (0.001925, 1.214, 39.90), (0.00118, 0.5045, 23.31), 0.1)
FLUORIDE = Ion("F⁻", -1, 18.998, (0.002764, 1.087, 26.66), (0.00178, 0.6202, 19.34), 0.5)
HYDROXIDE = Ion("OH⁻", -1, 17.007, (0.003396, 2.925, 121.3), (0.00933, 0.1086, 35.90), 0.01)

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


HYDROGENCARBONATE_LEFT = 0.4917
"""Share of the mass of the hydrogencarbonate that remains, as carbonate, after evaporation."""
LARGEST_IMBALANCE_PERCENT = 10.0
"""An analysis is refused beyond this and beyond 0.2 meq/L. Standard Methods for the Examination of Water and
Wastewater, part 1030 E, requires 0.2 meq/L, or 2 to 5 %, for one sample. Published yearly means balance less
well."""
SMALLEST_IMBALANCE_MEQ_L = 0.2
LARGEST_IONIC_STRENGTH = 0.1

_DENSITY_25 = 0.99705


class Meaning(Enum):
    """The meaning of "dissolved solids"."""

    SUM_OF_IONS = "sum of ions"
    RESIDUE_ON_EVAPORATION = "residue on evaporation"


@dataclass(frozen=True, slots=True)
class WaterAnalysis:
    """Concentrations of the named ions in mg/L, 0 to 5000. Silica, which has no charge, is given as SiO₂.

    An alkalinity in mg/L CaCO₃ times 1.219 gives the hydrogencarbonate. ``ph`` is optional, 3 to 11. It
    matters only below 5 or above 9.

    Raises:
        OutOfRangeError: If a value is outside its range, or if the positive and negative charges do not
            balance: then an ion is missing or a unit is wrong.
    """

    calcium_mg_l: float = 0.0
    magnesium_mg_l: float = 0.0
    sodium_mg_l: float = 0.0
    potassium_mg_l: float = 0.0
    ammonium_mg_l: float = 0.0
    hydrogencarbonate_mg_l: float = 0.0
    chloride_mg_l: float = 0.0
    sulfate_mg_l: float = 0.0
    nitrate_mg_l: float = 0.0
    fluoride_mg_l: float = 0.0
    silica_mg_l: float = 0.0
    ph: float | None = None

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name != "ph" and not 0.0 <= value <= 5000.0:
                raise OutOfRangeError(
                    f"{field.name} is {value} in the water analysis; it must lie between 0 and 5000 mg/L"
                )
        if self.ph is not None and not 3.0 <= self.ph <= 11.0:
            raise OutOfRangeError(f"a pH of {self.ph} in the water analysis; it must lie between 3 and 11")
        cations, anions = charges_meq_l(self)
        if cations <= 0.0 or anions <= 0.0:
            raise OutOfRangeError(
                "the water analysis needs at least one positive and one negative ion; it has "
                f"{cations:.2f} and {anions:.2f} meq/L"
            )
        imbalance = charge_imbalance_percent(self)
        if abs(cations - anions) > SMALLEST_IMBALANCE_MEQ_L and abs(imbalance) > LARGEST_IMBALANCE_PERCENT:
            raise OutOfRangeError(
                f"the charges of the water analysis do not balance: {cations:.2f} meq/L positive, "
                f"{anions:.2f} meq/L negative, {imbalance:+.0f} %, where ±{LARGEST_IMBALANCE_PERCENT:g} % "
                "is allowed; look for a missing ion or a wrong unit (hardness and alkalinity often come "
                "in others)"
            )
        strength = ionic_strength_mol_kg(self)
        if strength > LARGEST_IONIC_STRENGTH:
            raise OutOfRangeError(
                f"the water analysis has an ionic strength of {strength:.2f} mol/kg; up to "
                f"{LARGEST_IONIC_STRENGTH} mol/kg is valid, which is far above any tap water"
            )


def charges_meq_l(analysis: WaterAnalysis) -> tuple[float, float]:
    """Return the sums of the positive and of the negative charges, both in meq/L and as positive numbers."""
    cations = anions = 0.0
    for ion, mmol_kg in _molalities(analysis):
        meq_l = mmol_kg * ion.charge * _DENSITY_25
        if meq_l > 0.0:
            cations += meq_l
        else:
            anions -= meq_l
    return cations, anions


def charge_imbalance_percent(analysis: WaterAnalysis) -> float:
    """Return the difference of the charges over their sum, in per cent; positive if anions are missing."""
    cations, anions = charges_meq_l(analysis)
    return 100.0 * (cations - anions) / (cations + anions)


def ionic_strength_mol_kg(analysis: WaterAnalysis) -> float:
    """Return the ionic strength in mol/kg, without ion pairs."""
    return 0.0005 * sum(mmol_kg * ion.charge * ion.charge for ion, mmol_kg in _molalities(analysis))


def conductivity_25_us_cm(analysis: WaterAnalysis) -> float:
    """Return the conductivity at 25 °C in µS/cm, by Kohlrausch's law. Within about 5 % for tap waters."""
    free = dict(_molalities(analysis))
    paired = _pair_up(free)
    strength = 0.0005 * (sum(m * ion.charge**2 for ion, m in free.items()) + paired)
    root = math.sqrt(strength)
    return sum(m * ion.conductivity(root) for ion, m in free.items()) + paired * _CHARGED_PAIR_CONDUCTIVITY


def sum_of_ions_mg_l(analysis: WaterAnalysis) -> float:
    """Return the sum of all dissolved solids in mg/L, silica included."""
    return float(
        sum(getattr(analysis, field.name) for field in fields(analysis) if field.name.endswith("_mg_l"))
    )


def residue_on_evaporation_mg_l(analysis: WaterAnalysis) -> float:
    """Return the residue on evaporation at 180 °C in mg/L. The hydrogencarbonate loses half of its mass."""
    lost_mg_l = (1.0 - HYDROGENCARBONATE_LEFT) * analysis.hydrogencarbonate_mg_l
    return sum_of_ions_mg_l(analysis) - lost_mg_l


def dissolved_solids_mg_l(analysis: WaterAnalysis, meaning: Meaning) -> float:
    """Return the dissolved solids in mg/L, with the given meaning."""
    if meaning is Meaning.RESIDUE_ON_EVAPORATION:
        return residue_on_evaporation_mg_l(analysis)
    return sum_of_ions_mg_l(analysis)


def factor(analysis: WaterAnalysis, meaning: Meaning) -> float:
    """Return the factor of this water: dissolved solids in ppm (mg/L) for each µS/cm at 25 °C."""
    return dissolved_solids_mg_l(analysis, meaning) / conductivity_25_us_cm(analysis)


def _molalities(analysis: WaterAnalysis) -> list[tuple[Ion, float]]:
    """Return the ions of the analysis, in mmol/kg of water."""
    per_litre = (
        (CALCIUM, analysis.calcium_mg_l),
        (MAGNESIUM, analysis.magnesium_mg_l),
        (SODIUM, analysis.sodium_mg_l),
        (POTASSIUM, analysis.potassium_mg_l),
        (AMMONIUM, analysis.ammonium_mg_l),
        (HYDROGENCARBONATE, analysis.hydrogencarbonate_mg_l),
        (CHLORIDE, analysis.chloride_mg_l),
        (SULFATE, analysis.sulfate_mg_l),
        (NITRATE, analysis.nitrate_mg_l),
        (FLUORIDE, analysis.fluoride_mg_l),
    )
    found = [(ion, mg_l / ion.molar_mass / _DENSITY_25) for ion, mg_l in per_litre if mg_l > 0.0]
    if analysis.ph is not None:
        found.append((HYDROGEN, 10.0 ** (3.0 - analysis.ph)))
        found.append((HYDROXIDE, 10.0 ** (analysis.ph - 11.0)))
    return found


# Ion pairs, as log₁₀ of the association constant at 25 °C: D. K. Nordstrom et al., Revised chemical
# equilibrium data for major water-mineral reactions and their limitations, ACS Symposium Series 416 (1990)
# 398. Neutral pairs do not conduct.
_PAIRS = (
    (CALCIUM, SULFATE, 2.30),
    (MAGNESIUM, SULFATE, 2.37),
    (CALCIUM, HYDROGENCARBONATE, 1.106),
    (MAGNESIUM, HYDROGENCARBONATE, 1.07),
)
_CHARGED_PAIR_CONDUCTIVITY = 18.0
"""Of CaHCO₃⁺ and MgHCO₃⁺, µS/cm for 1 mmol/kg, from the diffusion coefficients 5.06 and 4.78·10⁻¹⁰ m²/s that
the USGS's PHREEQC database gives (λ° = F² D / RT = 19.0 and 18.0)."""


def _pair_up(free: dict[Ion, float]) -> float:
    """Remove the paired ions from ``free``, in place. Returns the charged pairs in mmol/kg."""
    total = dict(free)
    pairs = [(a, b, 10.0**log_k) for a, b, log_k in _PAIRS if a in total and b in total]
    bound = [0.0] * len(pairs)
    for _ in range(60):
        strength = 0.0005 * sum(m * ion.charge**2 for ion, m in free.items())
        # Activity coefficient of a single charge by C. W. Davies' equation (Ion Association, 1962), A = 0.509
        # at 25 °C.
        root = math.sqrt(strength)
        log_gamma = -0.509 * (root / (1.0 + root) - 0.3 * strength)
        for i, (cation, anion, constant) in enumerate(pairs):
            product_charge = cation.charge + anion.charge
            squares = cation.charge**2 + anion.charge**2 - product_charge**2
            wanted = 0.001 * constant * 10.0 ** (log_gamma * squares) * free[cation] * free[anion]
            # Half steps: with full steps two pairs that share an ion would not converge.
            change = 0.5 * (wanted - bound[i])
            change = min(change, 0.5 * free[cation], 0.5 * free[anion])
            bound[i] += change
            free[cation] -= change
            free[anion] -= change
    return sum(
        m for m, (cation, anion, _) in zip(bound, pairs, strict=True) if cation.charge + anion.charge > 0
    )
