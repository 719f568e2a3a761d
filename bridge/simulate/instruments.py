"""The true errors of the instruments of a garden, and the calibrations and hand readings that come from them.

The bridge states the uncertainty of a label, a calibration, a thermometer and a hand meter. Here the true
errors are drawn from the distributions that these statements stand for (common practice, no source):

    cell constant      its label is wrong by 5 % (one standard deviation)
    drift              5 % a year (one standard deviation), at a constant rate for each cell
    offset, circuit    0.05 µS and 0.5 %
    thermometer        0.3 K
    hand meter         the standard deviation that the bound of its data sheet has if it is rectangular
    bottled standard   within 1 % of its label
    dust and leaves    0.03 ppm a day in the median garden, with a spread of a factor of 1.8 between gardens
    open surface       the grower's figure is wrong by 30 %

A third of the cells has its label, a third was calibrated within a month, a third one to three years ago.
Half of the growers calibrate once in the half-year, with the errors of their own thermometer and bottle.

The salts of the product follow the temperature as neutral salts, as an acid or as an alkali: beds are spent
in three ways. The powers of the viscosity are those of sodium chloride, hydrochloric acid and sodium
hydroxide from 2 to 34 °C (limiting conductivities of McCleskey et al., Geochim. Cosmochim. Acta 77 (2012)
369). Hydrogen ions do not move through water as other ions do, so the power of an acid is far smaller.
"""

import math
import random
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from bridge.rig.scenario import NATURAL_WATER, CellError, Scenario, WaldenRule
from bridge.rig.sensors import conductivity_us_cm
from bridge.simulate.gardens import Garden
from bridge.station.plan import CalibrationInForce, ProbePlan
from bridge.water.calibration import (
    SECONDS_PER_YEAR,
    Calibration,
    PastCalibration,
    constant_percent,
    drift_percent_per_year,
    one_point,
    point,
)
from bridge.water.meter import USUAL_METER, HandMeter, MeterUnit
from bridge.water.standards import chosen, value_us_cm
from bridge.water.uncertainty import LABEL_PERCENT

DRIFT_SD = 0.05
_STANDARD = chosen("84")
_DUST_PPM_DAY = 0.075
"""One standard deviation of a dusty day, and every second day is one: 0.4 times this is the mean."""
_DUST_SPREAD, _SURFACE_SPREAD = 0.6, 0.3
"""Standard deviations of the logarithms."""
SALT, ACID, ALKALI = WaldenRule(0.891, 0.0007), WaldenRule(0.634, 0.0016), WaldenRule(0.737)
_SPREADS = {SALT: 0.03, ACID: 0.01, ALKALI: 0.01}
"""Standard deviations of the power between salts, between acids and between alkalis."""
_MADE = datetime(2026, 1, 1, tzinfo=UTC)
_FILE = Path("simulated")
_ROOT_3 = math.sqrt(3.0)
METERS = (
    USUAL_METER,
    HandMeter("better", MeterUnit.US_CM, 0.1, percent_of_reading=2.0),
    HandMeter("low-range", MeterUnit.US_CM, 0.1, percent_of_full_scale=1.0, full_scale=200.0),
)


@dataclass(frozen=True, slots=True)
class TrueMeter:
    """One hand meter with its true errors."""

    meter: HandMeter
    gain: float
    zero: float
    """In its unit."""
    percent_per_k: float
    """Its compensation, which most meters have fixed."""

    def ppm(self, scenario: Scenario, ppm: float, celsius: float) -> float:
        """Return what a person reads off and sends, on the scale of the reservoir, for water of ``ppm``."""
        us_cm = conductivity_us_cm(ppm, scenario.factor, celsius, scenario.walden)
        per_us = self.meter.factor if self.meter.unit is MeterUnit.PPM else 1.0
        value = us_cm / (1.0 + 0.01 * self.percent_per_k * (celsius - 25.0)) * per_us * self.gain + self.zero
        step = self.meter.resolution
        return max(round(value / step) * step, 0.0) / per_us * scenario.factor


def true_meter(chance: random.Random, meter: HandMeter) -> TrueMeter:
    """Draw one meter of a kind."""
    return TrueMeter(
        meter,
        1.0 + chance.gauss(0.0, 0.01 * meter.percent_of_reading / _ROOT_3),
        chance.gauss(0.0, 0.01 * meter.percent_of_full_scale * meter.full_scale / _ROOT_3),
        2.0 if chance.random() < 0.8 else 1.9,
    )


def true_cell(chance: random.Random) -> CellError:
    """Draw the errors of a cell as it comes from its maker."""
    return CellError(
        gain=math.exp(chance.gauss(0.0, 0.01 * LABEL_PERCENT)) * chance.gauss(1.0, 0.005),
        drift_per_year=chance.gauss(0.0, DRIFT_SD),
        offset_us=chance.gauss(0.0, 0.05),
        thermometer_k=chance.gauss(0.0, 0.3),
    )


def calibration(chance: random.Random, label_per_cm: float, error: CellError, time_s: float) -> Calibration:
    """Return what a grower finds in a bottled standard at this time of the world."""
    celsius = chance.uniform(16.0, 28.0)
    solution_us_cm = value_us_cm(_STANDARD, celsius + chance.gauss(0.0, 0.1)) * chance.uniform(0.99, 1.01)
    shown_us = solution_us_cm / label_per_cm * error.gain_at(time_s) + error.offset_us
    shown_us *= chance.gauss(1.0, 0.001)
    return one_point(point(_STANDARD, shown_us, celsius + error.thermometer_k))


def calibrated(probe: ProbePlan, made: Calibration, age_s: float = 0.0) -> ProbePlan:
    """Return the plan of a cell after its calibration, as the bridge has it after a start."""
    past = (PastCalibration(0.0, made.cell.constant_per_cm, made.own_percent),)
    uncertainties = replace(
        probe.chain.uncertainties,
        cell_constant_percent=constant_percent(age_s, past),
        calibration_percent_per_k=made.percent_per_k,
    )
    in_force = CalibrationInForce(
        datetime.fromtimestamp(_MADE.timestamp() - age_s, UTC),
        made.standard_id,
        made.constant_uncertainty_percent,
        _FILE,
        drift_percent_per_year(past),
        age_s,
    )
    return replace(probe, chain=replace(probe.chain, cell=made.cell, uncertainties=uncertainties),
                   calibration=in_force)  # fmt: skip


def ions_of_bed(chance: random.Random) -> WaldenRule:
    """Draw how the conductivity of the ions behind an exchange bed follows temperature."""
    return ions_like(chance.choices((SALT, ACID, ALKALI), (0.6, 0.2, 0.2))[0], chance)


def ions_like(kind: WaldenRule, chance: random.Random) -> WaldenRule:
    """Draw one salt, acid or alkali of a kind."""
    return replace(kind, exponent=kind.exponent + chance.gauss(0.0, _SPREADS[kind]))


@dataclass(frozen=True, slots=True)
class Instruments:
    """The instruments of one garden for one span."""

    meter: TrueMeter
    calibrates_at: float | None
    """The share of the span after which the grower calibrates; None if not in this span."""
    keeps_records: bool
    """Whether the grower samples the reservoir every few weeks without an alarm."""
    honest_hub: bool
    """Whether samples from the hub are of the water, also in a span with faults."""


def cell_ratio(place: Garden, error: CellError, time_s: float) -> float:
    """Return what the bridge reads for each true µS/cm, by its plan, at this time of the world."""
    label_per_cm = place.scenario.fittings.product_cell_per_cm
    return error.gain_at(time_s) * place.plan.product.chain.cell.constant_per_cm / label_per_cm


EXACT_INSTRUMENTS = Instruments(TrueMeter(USUAL_METER, 1.0, 0.0, 2.0), None, False, False)
"""Those of a garden that is no part of a campaign, such as that of a scene."""


def fitted(place: Garden, seed: str) -> tuple[Garden, Instruments]:
    """Draw the instruments of a garden, and the salts and the first water that they measure.

    Args:
        place: The garden with exact instruments.
        seed: The seed of the span.

    Returns:
        The garden with the true errors in its scenario and the calibration in its plan, and the instruments.
    """
    chance = random.Random(f"{seed}/instruments")
    scenario, plan = place.scenario, place.plan
    error, age_s = true_cell(chance), 0.0
    label_per_cm = scenario.fittings.product_cell_per_cm
    kind = chance.randrange(3)
    if kind:
        age_s = SECONDS_PER_YEAR * (chance.uniform(0.0, 0.08) if kind == 1 else chance.uniform(1.0, 3.0))
        made = calibration(chance, label_per_cm, error, 0.0)
        product = calibrated(plan.product, made, age_s)
        # It was found before it drifted to its gain of today.
        error = replace(error, gain=error.gain_at(age_s))
        plan = replace(plan, product=product)
    meter = true_meter(chance, chance.choice(METERS))
    if meter.meter is not USUAL_METER:
        plan = replace(plan, meter=meter.meter)
    behind_bed = ions_of_bed(chance)
    scenario = replace(
        scenario,
        walden=NATURAL_WATER if scenario.membrane is not None else behind_bed,
        fittings=replace(scenario.fittings, product_error=error),
        cartridge=replace(scenario.cartridge, floor_ppm=0.1 * 100.0 ** chance.random()),
        # Nobody has measured the first water.
        barrel=replace(
            scenario.barrel,
            start_ppm=min(abs(chance.gauss(plan.assumed_ppm, 15.0)), 40.0),
            dust_ppm_day=_DUST_PPM_DAY * math.exp(chance.gauss(0.0, _DUST_SPREAD)),
        ),
    )
    guessed_m2 = plan.open_surface_m2 * math.exp(chance.gauss(0.0, _SURFACE_SPREAD))
    plan = replace(plan, open_surface_m2=guessed_m2)
    at = chance.uniform(0.1, 0.9) if chance.random() < 0.5 else None
    instruments = Instruments(meter, at, chance.random() < 0.5, chance.random() < 0.5)
    return replace(place, scenario=scenario, plan=plan), instruments


def recalibrated(place: Garden, chance: random.Random, error: CellError, time_s: float) -> Garden:
    """Return the garden after its grower has calibrated the product cell.

    Args:
        place: The garden.
        chance: The chance of bottle and thermometer.
        error: The present error of the cell.
        time_s: World seconds.
    """
    label_per_cm = place.scenario.fittings.product_cell_per_cm
    made = calibration(chance, label_per_cm, error, time_s)
    return replace(place, plan=replace(place.plan, product=calibrated(place.plan.product, made)))
