"""A water analysis: what the water conducts, how much is dissolved in it, and the factor between the two.

A waterworks publishes milligrams per litre of each ion. From these follow

* the conductivity at 25 °C, ion by ion (Kohlrausch's law), each slowed by the ionic strength and reduced by
  the ion pairs that calcium and magnesium form;
* the dissolved solids, in one of two meanings that differ by a quarter in hard water: the **sum of ions** as
  they are in the water, and the **residue on evaporation**, in which hydrogencarbonate has become carbonate:
  2 HCO₃⁻ → CO₃²⁻ + CO₂ + H₂O, so that 0.4917 of its mass remains (J. D. Hem, Study and interpretation of the
  chemical characteristics of natural water, USGS Water-Supply Paper 2254, 1985);
* the factor, dissolved solids over conductivity, for each meaning.
"""

import math
from dataclasses import dataclass, fields
from enum import Enum

from bridge.errors import OutOfRangeError
from bridge.water import ionic_conductivity as published
from bridge.water.ionic_conductivity import Ion

HYDROGENCARBONATE_LEFT = 0.4917
"""Share of the hydrogencarbonate's mass that is still there, as carbonate, after evaporation."""
LARGEST_IMBALANCE_PERCENT = 10.0
"""Beyond this, and beyond 0.2 meq/L, an analysis is refused. Standard Methods for the Examination of Water
and Wastewater, part 1030 E, asks 0.2 meq/L, or 2 to 5 %, of one sample; published yearly means are looser."""
SMALLEST_IMBALANCE_MEQ_L = 0.2
LARGEST_IONIC_STRENGTH = 0.1

_DENSITY_25 = 0.99705


class Meaning(Enum):
    """What "dissolved solids" is to mean."""

    SUM_OF_IONS = "sum of ions"
    RESIDUE_ON_EVAPORATION = "residue on evaporation"


@dataclass(frozen=True, slots=True)
class WaterAnalysis:
    """Concentrations in mg/L, as the ions named; silica, which carries no charge, as SiO₂.

    What is not given is 0.

    An alkalinity in mg/L CaCO₃ times 1.219 is the hydrogencarbonate. ``ph`` is optional and matters only
    below 5 or above 9.

    Raises :class:`OutOfRangeError` for a negative or absurd value, or when positive and negative charges do
    not match: then an ion is missing or a unit is wrong.
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
                f"{LARGEST_IONIC_STRENGTH} mol/kg can be worked out here, far above any tap water"
            )


def charges_meq_l(analysis: WaterAnalysis) -> tuple[float, float]:
    """Sum of the positive and sum of the negative charges, each in meq/L and each positive."""
    cations = anions = 0.0
    for ion, mmol_kg in _molalities(analysis):
        meq_l = mmol_kg * ion.charge * _DENSITY_25
        if meq_l > 0.0:
            cations += meq_l
        else:
            anions -= meq_l
    return cations, anions


def charge_imbalance_percent(analysis: WaterAnalysis) -> float:
    """Difference of the charges over their sum, in per cent; positive when negative ions are missing."""
    cations, anions = charges_meq_l(analysis)
    return 100.0 * (cations - anions) / (cations + anions)


def ionic_strength_mol_kg(analysis: WaterAnalysis) -> float:
    """Ionic strength in mol/kg, before any ion pairs form."""
    return 0.0005 * sum(mmol_kg * ion.charge * ion.charge for ion, mmol_kg in _molalities(analysis))


def conductivity_25_us_cm(analysis: WaterAnalysis) -> float:
    """Conductivity of the water at 25 °C, in µS/cm, by Kohlrausch's law; for tap waters within about 5 %."""
    free = dict(_molalities(analysis))
    paired = _pair_up(free)
    strength = 0.0005 * (sum(m * ion.charge**2 for ion, m in free.items()) + paired)
    root = math.sqrt(strength)
    return sum(m * ion.conductivity(root) for ion, m in free.items()) + paired * _CHARGED_PAIR_CONDUCTIVITY


def sum_of_ions_mg_l(analysis: WaterAnalysis) -> float:
    """Everything dissolved as it is in the water, in mg/L; silica counts too."""
    return float(
        sum(getattr(analysis, field.name) for field in fields(analysis) if field.name.endswith("_mg_l"))
    )


def residue_on_evaporation_mg_l(analysis: WaterAnalysis) -> float:
    """What stays in the dish at 180 °C, in mg/L: the hydrogencarbonate has lost half of its mass."""
    lost_mg_l = (1.0 - HYDROGENCARBONATE_LEFT) * analysis.hydrogencarbonate_mg_l
    return sum_of_ions_mg_l(analysis) - lost_mg_l


def dissolved_solids_mg_l(analysis: WaterAnalysis, meaning: Meaning) -> float:
    """Dissolved solids in mg/L in the given meaning."""
    if meaning is Meaning.RESIDUE_ON_EVAPORATION:
        return residue_on_evaporation_mg_l(analysis)
    return sum_of_ions_mg_l(analysis)


def factor(analysis: WaterAnalysis, meaning: Meaning) -> float:
    """This water's own factor: dissolved solids in ppm (mg/L) for each µS/cm at 25 °C."""
    return dissolved_solids_mg_l(analysis, meaning) / conductivity_25_us_cm(analysis)


def _molalities(analysis: WaterAnalysis) -> list[tuple[Ion, float]]:
    """Each ion that is there, in mmol/kg of water."""
    per_litre = (
        (published.CALCIUM, analysis.calcium_mg_l),
        (published.MAGNESIUM, analysis.magnesium_mg_l),
        (published.SODIUM, analysis.sodium_mg_l),
        (published.POTASSIUM, analysis.potassium_mg_l),
        (published.AMMONIUM, analysis.ammonium_mg_l),
        (published.HYDROGENCARBONATE, analysis.hydrogencarbonate_mg_l),
        (published.CHLORIDE, analysis.chloride_mg_l),
        (published.SULFATE, analysis.sulfate_mg_l),
        (published.NITRATE, analysis.nitrate_mg_l),
        (published.FLUORIDE, analysis.fluoride_mg_l),
    )
    found = [(ion, mg_l / ion.molar_mass / _DENSITY_25) for ion, mg_l in per_litre if mg_l > 0.0]
    if analysis.ph is not None:
        found.append((published.HYDROGEN, 10.0 ** (3.0 - analysis.ph)))
        found.append((published.HYDROXIDE, 10.0 ** (analysis.ph - 11.0)))
    return found


# Ion pairs, as log₁₀ of the association constant at 25 °C: D. K. Nordstrom et al., Revised chemical
# equilibrium data for major water-mineral reactions and their limitations, ACS Symposium Series 416 (1990)
# 398. The neutral ones conduct nothing.
_PAIRS = (
    (published.CALCIUM, published.SULFATE, 2.30),
    (published.MAGNESIUM, published.SULFATE, 2.37),
    (published.CALCIUM, published.HYDROGENCARBONATE, 1.106),
    (published.MAGNESIUM, published.HYDROGENCARBONATE, 1.07),
)
_CHARGED_PAIR_CONDUCTIVITY = 18.0
"""Of CaHCO₃⁺ and MgHCO₃⁺, µS/cm for 1 mmol/kg, from the diffusion coefficients 5.06 and 4.78·10⁻¹⁰ m²/s that
the USGS's PHREEQC database gives (λ° = F² D / RT = 19.0 and 18.0)."""


def _pair_up(free: dict[Ion, float]) -> float:
    """Take the paired part out of the free ions, in place; the charged pairs that formed, in mmol/kg."""
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
            # Half-way steps: two pairs that share an ion would otherwise chase each other.
            change = 0.5 * (wanted - bound[i])
            change = min(change, 0.5 * free[cation], 0.5 * free[anion])
            bound[i] += change
            free[cation] -= change
            free[anion] -= change
    return sum(
        m for m, (cation, anion, _) in zip(bound, pairs, strict=True) if cation.charge + anion.charge > 0
    )
