"""Waters and instruments as they truly are, made by other means than the model that is judged with them.

Salts, acids and alkali: R. B. McCleskey, J. Chem. Eng. Data 56 (2011) 317, for single electrolytes (equation
from ``thermo``, coefficients from ``chemicals``); mixtures at these dilutions add up (Kohlrausch's law). Pure
water: IAPWS guideline of 1990 (``iapws``). Water with carbon dioxide: CRC Handbook, "Standard KCl solutions
for calibrating conductivity cells", the column of water saturated with the air's carbon dioxide. The model
has the ionic equations of 2012 and its own pure water.

Instruments: the spread of labels, drifts, offsets and thermometers is common practice, no source. It was
written down before the model was adjusted, and the seeds that judge the model did not adjust it.
"""

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum
from functools import cache
from itertools import pairwise

from iapws._iapws import _Conductivity, _Liquid
from thermo import electrochem

from bridge.water.calibration import PastCalibration, constant_percent, one_point, point
from bridge.water.conductivity import Cell, Compensation, Method
from bridge.water.measurement import MeasuringChain
from bridge.water.meter import HandMeter, MeterUnit
from bridge.water.standards import chosen
from bridge.water.uncertainty import StandardUncertainties, WaterKind, for_water

_COEFFICIENTS = {row.formula: row for _, row in electrochem.cond_data_McCleskey.iterrows()}

# CRC Handbook, as above: °C and µS/cm.
_AIRED = ((0.0, 0.58), (5.0, 0.68), (10.0, 0.79), (15.0, 0.89), (20.0, 0.99), (25.0, 1.10), (30.0, 1.20))

# CRC Handbook, after Wu, Koch and Pratt: potassium chloride of 0.01 mol/kg with its water.
_KCL = (
    (0.0, 773.50),
    (5.0, 891.64),
    (10.0, 1014.74),
    (15.0, 1142.34),
    (18.0, 1220.88),
    (20.0, 1274.02),
    (25.0, 1409.33),
    (30.0, 1547.83),
    (35.0, 1689.09),
)


@cache
def _density(t: float) -> float:
    return float(_Liquid(t + 273.15)["rho"])


@cache
def pure(t: float) -> float:
    return float(_Conductivity(_density(t), t + 273.15)) * 1e4


def salt(formula: str, molality: float, t: float) -> float:
    of = _COEFFICIENTS[formula]
    return 1e4 * float(
        electrochem.conductivity_McCleskey(
            T=t + 273.15,
            M=molality,
            lambda_coeffs=[of.c1, of.c2, of.c3],
            A_coeffs=[of.d1, of.d2, of.d3],
            B=of.B,
            multiplier=of.multiplier,
            rho=_density(t),
        )
    )


def _on_line(points: tuple[tuple[float, float], ...], t: float) -> float:
    for (below, low), (above, high) in pairwise(points):
        if below <= t <= above:
            return low + (high - low) * (t - below) / (above - below)
    raise ValueError(t)


def kcl_001(t: float) -> float:
    """Conductivity of 0.01 mol/kg potassium chloride, quadratic between the published points."""
    points = _KCL
    i = min(max(sum(c < t for c, _ in points), 1), len(points) - 2)
    (a, fa), (b, fb), (c, fc) = points[i - 1 : i + 2]
    return (
        fa * (t - b) * (t - c) / ((a - b) * (a - c))
        + fb * (t - a) * (t - c) / ((b - a) * (b - c))
        + fc * (t - a) * (t - b) / ((c - a) * (c - b))
    )


@dataclass(frozen=True)
class Water:
    """One water: the shares of its electrolytes by charge, and its carbon dioxide as a share of the air's."""

    salts: tuple[tuple[str, float], ...]
    carbon_dioxide: float = 0.0

    def us_cm(self, strength: float, t: float) -> float:
        """Conductivity at ``t`` °C with ``strength`` mmol/kg of charge."""
        # Beside other ions carbonic acid dissociates less, so this is its largest share.
        carbonic = math.sqrt(self.carbon_dioxide) * (_on_line(_AIRED, t) - pure(t))
        return (
            pure(t)
            + carbonic
            + sum(
                salt(formula, 0.001 * strength * share / _CHARGE.get(formula, 1), t)
                for formula, share in self.salts
            )
        )

    def strength(self, us_cm_25: float) -> float:
        """The charge at which this water conducts ``us_cm_25`` at 25 °C."""
        # Nearly a straight line, so that a secant needs few steps.
        low, high = 0.0, 1.0
        below, above = self.us_cm(low, 25.0), self.us_cm(high, 25.0)
        for _ in range(5):
            low, high = high, max(high + (us_cm_25 - above) * (high - low) / (above - below), 0.0)
            below, above = above, self.us_cm(high, 25.0)
            if high == low or abs(above - us_cm_25) < 1e-6 * us_cm_25:
                break
        return high


_CHARGE = {"CaCl2": 2, "MgCl2": 2, "Na2SO4": 2, "CaSO4": 2, "H2SO4": 2, "K2SO4": 2, "Na2CO3": 2}

Draw = Callable[[random.Random], Water]


def _mixed(dice: random.Random, *formulas: str) -> tuple[tuple[str, float], ...]:
    parts = [dice.expovariate(1.0) for _ in formulas]
    return tuple((formula, part / sum(parts)) for formula, part in zip(formulas, parts, strict=True))


WATERS: dict[str, tuple[WaterKind, Draw]] = {
    "sodium chloride": (WaterKind.EXCHANGE_PRODUCT, lambda _: Water((("NaCl", 1.0),))),
    "calcium chloride": (WaterKind.EXCHANGE_PRODUCT, lambda _: Water((("CaCl2", 1.0),))),
    "sodium hydrogencarbonate": (WaterKind.EXCHANGE_PRODUCT, lambda _: Water((("NaHCO3", 1.0),))),
    "hydrochloric acid": (WaterKind.EXCHANGE_PRODUCT, lambda _: Water((("HCl", 1.0),))),
    "sodium hydroxide": (WaterKind.EXCHANGE_PRODUCT, lambda _: Water((("NaOH", 1.0),))),
    "salt with some acid": (
        WaterKind.EXCHANGE_PRODUCT,
        lambda dice: Water(_mixed(dice, "HCl", "NaCl", "KCl")),
    ),
    "permeate": (
        WaterKind.PERMEATE,
        lambda dice: Water(_mixed(dice, "NaCl", "NaHCO3", "CaCl2", "Na2SO4"), dice.uniform(0.0, 9.0)),
    ),
    "distilled with carbonic acid": (
        WaterKind.DISTILLED,
        lambda dice: Water(_mixed(dice, "NaHCO3", "NaCl"), dice.uniform(0.3, 4.0)),
    ),
    "rain": (
        WaterKind.RAIN,
        lambda dice: Water(_mixed(dice, "H2SO4", "NH4Cl", "NaCl", "KNO3", "CaCl2"), dice.uniform(0.5, 2.0)),
    ),
    "tap": (
        WaterKind.TAP,
        lambda dice: Water(_mixed(dice, "NaHCO3", "CaCl2", "CaSO4", "NaCl", "KNO3", "MgCl2"), 4.0),
    ),
}


@dataclass(frozen=True)
class Instrument:
    """The truth about one cell with its circuit and its thermometer."""

    constant_per_cm: float
    offset_us: float
    lead_ohm: float
    circuit: float
    thermometer_k: float

    def reading(self, dice: random.Random, us_cm: float, t: float) -> tuple[float, float]:
        """What the controller sends in this water: µS and °C."""
        water_us = us_cm / self.constant_per_cm
        seen_us = water_us / (1.0 + water_us * self.lead_ohm * 1e-6) + self.offset_us
        return (
            round(self.circuit * seen_us * dice.gauss(1.0, 0.001), 2),
            round(t + self.thermometer_k + dice.gauss(0.0, 0.05), 2),
        )


def instrument(dice: random.Random, label_per_cm: float) -> Instrument:
    """A cell as it comes from its maker: its constant is within 5 % (one standard deviation) of the label."""
    return Instrument(
        label_per_cm * math.exp(dice.gauss(0.0, 0.05)),
        dice.gauss(0.0, 0.05),
        abs(dice.gauss(0.0, 0.5)),
        dice.gauss(1.0, 0.005),
        dice.gauss(0.0, 0.3),
    )


def bottle_us_cm(dice: random.Random, nominal_us_cm: float, t: float) -> float:
    """A bottled standard of potassium chloride, within ±1 % of its label."""
    return nominal_us_cm * kcl_001(t) / kcl_001(25.0) * dice.uniform(0.99, 1.01)


class Age(Enum):
    """How a cell came by its constant."""

    LABEL = "label"
    YOUNG = "calibrated within a month"
    OLD = "calibrated one to three years ago"


@dataclass(frozen=True)
class Pocket:
    """A hand meter as it truly is.

    The errors of meters in use are normal with the variance that a bound on a data sheet has if it is
    rectangular: an old meter is not held by its data sheet (common practice, no source).
    """

    meter: HandMeter
    gain: float
    zero: float
    """In its unit."""
    percent_per_k: float
    thermometer_k: float

    def shown(self, us_cm: float, t: float) -> float:
        """What the display shows in water of this conductivity at ``t`` °C."""
        meter = self.meter
        if meter.compensated:
            us_cm /= 1.0 + 0.01 * self.percent_per_k * (t + self.thermometer_k - 25.0)
        value = us_cm * (meter.factor if meter.unit is MeterUnit.PPM else 1.0)
        return max(round((value * self.gain + self.zero) / meter.resolution) * meter.resolution, 0.0)


METERS = (
    HandMeter("pocket ppm", MeterUnit.PPM, 1.0, 0.5, percent_of_full_scale=2.0, full_scale=999.0),
    HandMeter("compensated", MeterUnit.US_CM, 0.1, percent_of_reading=2.0),
    HandMeter(
        "uncompensated",
        MeterUnit.US_CM,
        0.1,
        percent_of_reading=0.5,
        percent_of_full_scale=1.0,
        full_scale=200.0,
        compensated=False,
    ),
)


def pocket(dice: random.Random, meter: HandMeter) -> Pocket:
    """One meter of this kind."""
    root = math.sqrt(3.0)
    return Pocket(
        meter,
        1.0 + dice.gauss(0.0, 0.01 * meter.percent_of_reading / root),
        dice.gauss(0.0, 0.01 * meter.percent_of_full_scale * meter.full_scale / root),
        2.0 if dice.random() < 0.8 else 1.9,
        dice.gauss(0.0, 0.5),
    )


YEAR_S = 31_557_600.0
LABEL_PER_CM = 0.1


def fitted(dice: random.Random, age: Age, kind: WaterKind) -> tuple[Instrument, MeasuringChain]:
    """A cell in use, and the chain as a bridge would have it."""
    true = instrument(dice, LABEL_PER_CM)
    compensation = Compensation(Method.NATURAL if kind is WaterKind.TAP else Method.PURE)
    if age is Age.LABEL:
        inputs = StandardUncertainties(cell_constant_percent=constant_percent(0.0))
        return true, MeasuringChain(Cell(LABEL_PER_CM), compensation, 0.5, for_water(inputs, kind))
    nominal, t = dice.choice((84.0, 1413.0)), dice.uniform(16.0, 29.0)
    seen_us, seen_c = true.reading(dice, bottle_us_cm(dice, nominal, t + dice.gauss(0.0, 0.1)), t)
    made = one_point(point(chosen(f"{nominal:g}"), seen_us, seen_c))
    years = dice.uniform(0.0, 0.08) if age is Age.YOUNG else dice.uniform(1.0, 3.0)
    past = PastCalibration(0.0, made.cell.constant_per_cm, made.own_percent)
    inputs = StandardUncertainties(
        cell_constant_percent=constant_percent(years * YEAR_S, [past]),
        calibration_percent_per_k=made.percent_per_k,
    )
    drifted = true.constant_per_cm * math.exp(0.05 * dice.gauss(0.0, 1.0) * years)
    return (
        replace(true, constant_per_cm=drifted),
        MeasuringChain(made.cell, compensation, 0.5, for_water(inputs, kind)),
    )
