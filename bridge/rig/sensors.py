"""The controller's inputs: cells, thermometers, level sensor, switches and pulses, with their faults. Core.

Every input has the noise and the resolution of its kind.

The conductivity of the rig's water has a salt part and a water part. The salt part follows temperature by
Walden's rule: conductivity times a power of the viscosity is constant. So the rig is independent of the
bridge's own compensation. The exponent is fitted to hard natural waters. Viscosity of water: Kestin, Sokolov
and Wakeham, J. Phys. Chem. Ref. Data 7 (1978) 941 (coefficients from memory; the tests compare them with
IAPWS).
"""

import math
import random
from dataclasses import dataclass
from functools import lru_cache

from bridge.protocol.messages import FAILED, Feature, LocalFault, Value
from bridge.rig.faults import FaultName, FaultPlan
from bridge.rig.scenario import Scenario
from bridge.water.conductivity import pure_water_us_cm

_WALDEN_EXPONENT = 0.93
_VISCOSITY_25_REL_20 = 10.0 ** ((20.0 - 25.0) / (25.0 + 96.0) * (1.2364 + 1.37e-3 * 5.0 + 5.7e-6 * 25.0))


def viscosity_ratio(temperature_c: float) -> float:
    """Returns the viscosity of water divided by that at 25 °C, for 0 to 60 °C."""
    below_20 = 20.0 - temperature_c
    exponent = (
        below_20 / (temperature_c + 96.0) * (1.2364 - 1.37e-3 * below_20 + 5.7e-6 * below_20 * below_20)
    )
    return float(10.0**exponent) / _VISCOSITY_25_REL_20


# The argument is in hundredths, because a year has few different ones: the cache saves the powers.
@lru_cache(maxsize=8192)
def _factors(hundredths_c: int) -> tuple[float, float]:
    temperature_c = hundredths_c / 100.0
    return viscosity_ratio(temperature_c) ** -_WALDEN_EXPONENT, pure_water_us_cm(temperature_c)


def conductivity_us_cm(ppm: float, factor: float, temperature_c: float) -> float:
    """Returns the conductivity of water, µS/cm.

    Args:
        ppm: Dissolved solids on the scale ``factor``.
        factor: ppm for each µS/cm at 25 °C.
        temperature_c: Temperature, 0 to 60 °C.

    Returns:
        The conductivity at this temperature.
    """
    salt_ratio, water_us_cm = _factors(round(temperature_c * 100.0))
    return ppm / factor * salt_ratio + water_us_cm


_DRIFT_PER_HOUR = 0.01
_DRIFT_FLOOR = 0.05
_NOISY_RELATIVE = 0.3
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Scene:
    """The true state at the inputs."""

    time_s: float
    product_ppm: float
    feed_ppm: float
    water_c: float
    level_sensor: float
    """True position of the level sensor's float, 0 to 1."""
    low_covered: bool
    full_covered: bool
    overflow_up: bool
    """The overflow float with its faults: the same signal that shuts the valve."""
    flowed_l: float
    """Product litres since the start."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """One cycle of the controller's measurements."""

    product_us: Value
    product_c: Value
    feed_us: Value
    feed_c: Value
    level_sensor: Value
    switch_low: bool | None
    switch_full: bool | None
    switch_overflow: bool | None
    pulses_total: int | None
    """Pulses since the start of the world; the controller counts from its reset."""
    faults: LocalFault


class Sensors:
    """Measures a scene; mutable: it has the random state of the noise and the stuck values."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        """Fits the inputs of the scenario."""
        self._fit = scenario.fittings
        self._factor = scenario.factor
        self._chance = random.Random(f"{seed}/sensors")
        # Computed once, because operations on flags are slow and every reading needs them.
        features = scenario.fittings.features
        self._has_feed = bool(features & Feature.FEED_CELL)
        self._has_level_sensor = bool(features & Feature.LEVEL_SENSOR)
        self._has_low = bool(features & Feature.SWITCH_LOW)
        self._has_full = bool(features & Feature.SWITCH_FULL)
        self._has_overflow = bool(features & Feature.SWITCH_OVERFLOW)
        self._has_pulses = bool(features & Feature.FLOW_PULSES)
        self._stuck_us: Value = None
        self._stuck_level: tuple[Value, bool | None, bool | None] | None = None

    def measure(self, scene: Scene, plan: FaultPlan) -> Inputs:
        """Measures all inputs once.

        Args:
            scene: The true state.
            plan: The faults.

        Returns:
            The inputs.
        """
        fit = self._fit
        active = plan.active
        faults = LocalFault.NONE
        product_us: Value = self._cell(scene.product_ppm, scene.water_c, fit.product_cell_per_cm)
        product_c: Value = self._temperature(scene.water_c)
        feed_us: Value = None
        feed_c: Value = None
        if self._has_feed:
            feed_us = self._cell(scene.feed_ppm, scene.water_c, fit.feed_cell_per_cm)
            feed_c = self._temperature(scene.water_c)
        level_sensor: Value = None
        if self._has_level_sensor:
            span = fit.level_sensor_high - fit.level_sensor_low
            noisy = (
                fit.level_sensor_low
                + span * scene.level_sensor
                + self._chance.gauss(0.0, fit.level_sensor_noise)
            )
            level_sensor = round(min(1.0, max(0.0, noisy)) * fit.level_sensor_steps) / fit.level_sensor_steps
        low = scene.low_covered if self._has_low else None
        full = scene.full_covered if self._has_full else None
        if active:
            product_us, product_c, feed_us, feed_c = self._cell_faults(
                scene, plan, product_us, product_c, feed_us, feed_c
            )
            level_sensor, low, full = self._level_faults(plan, level_sensor, low, full)
            faults = self._flags(plan)
        else:
            self._stuck_us = product_us
            self._stuck_level = (level_sensor, low, full)
        if isinstance(product_us, float) and product_us > fit.cell_limit_us:
            product_us = FAILED
            faults |= LocalFault.CELL_RANGE
        if isinstance(feed_us, float) and feed_us > fit.cell_limit_us:
            feed_us = FAILED
        return Inputs(
            product_us,
            product_c,
            feed_us,
            feed_c,
            level_sensor,
            low,
            full,
            scene.overflow_up if self._has_overflow else None,
            int(scene.flowed_l * fit.pulses_per_l) if self._has_pulses else None,
            faults,
        )

    def _cell(self, ppm: float, temperature_c: float, cell_per_cm: float) -> float:
        fit = self._fit
        true_us = conductivity_us_cm(ppm, self._factor, temperature_c) / cell_per_cm
        noise = self._chance.gauss(0.0, 1.0)
        noisy_us = true_us + noise * math.hypot(true_us * fit.cell_noise_relative, fit.cell_noise_us)
        return max(0.0, round(noisy_us / fit.cell_step_us) * fit.cell_step_us)

    def _temperature(self, temperature_c: float) -> float:
        fit = self._fit
        noisy_c = temperature_c + self._chance.gauss(0.0, fit.temperature_noise_c)
        return round(noisy_c / fit.temperature_step_c) * fit.temperature_step_c

    def _cell_faults(
        self,
        scene: Scene,
        plan: FaultPlan,
        product_us: Value,
        product_c: Value,
        feed_us: Value,
        feed_c: Value,
    ) -> tuple[Value, Value, Value, Value]:
        active = plan.active
        if FaultName.PROBES_SWAPPED in active and isinstance(feed_us, float):
            # The plugs are swapped, so each cell keeps its own cell constant.
            product_us, feed_us = feed_us, product_us
            product_c, feed_c = feed_c, product_c
        drift = active.get(FaultName.PROBE_DRIFT)
        if drift is not None and isinstance(product_us, float):
            hours = (scene.time_s - drift.start_s) / _HOUR_S
            product_us *= max(_DRIFT_FLOOR, math.exp(-_DRIFT_PER_HOUR * drift.severity * hours))
        noisy = plan.severity(FaultName.PROBE_NOISY)
        if noisy and isinstance(product_us, float):
            product_us *= math.exp(self._chance.gauss(0.0, _NOISY_RELATIVE * noisy))
        if FaultName.PROBE_DRY in active:
            product_us = max(0.0, round(self._chance.gauss(0.0, 0.001), 3))
        if FaultName.PROBE_SHORTED in active:
            product_us = 10.0 * self._fit.cell_limit_us
        if FaultName.PROBE_STUCK in active:
            if self._stuck_us is None:
                self._stuck_us = product_us
            product_us = self._stuck_us
        else:
            self._stuck_us = product_us
        if FaultName.FEED_PROBE_DRY in active and feed_us is not None:
            feed_us = 0.0
        if FaultName.TEMPERATURE_OPEN in active or FaultName.TEMPERATURE_SHORTED in active:
            product_c = FAILED
        return product_us, product_c, feed_us, feed_c

    def _level_faults(
        self, plan: FaultPlan, level_sensor: Value, low: bool | None, full: bool | None
    ) -> tuple[Value, bool | None, bool | None]:
        active = plan.active
        if FaultName.FLOAT_STUCK in active:
            if self._stuck_level is None:
                self._stuck_level = (level_sensor, low, full)
            if level_sensor is not None:
                level_sensor = self._stuck_level[0]
            else:
                _, low, full = self._stuck_level
        else:
            self._stuck_level = (level_sensor, low, full)
        if FaultName.FLOATS_CONTRADICT in active:
            if low is not None and full is not None:
                low, full = False, True
            elif isinstance(level_sensor, float):
                level_sensor = 1.0 - level_sensor
        if level_sensor is not None and (
            FaultName.LEVEL_SENSOR_OPEN in active or FaultName.LEVEL_SENSOR_SHORTED in active
        ):
            level_sensor = FAILED
        return level_sensor, low, full

    def _flags(self, plan: FaultPlan) -> LocalFault:
        active = plan.active
        faults = LocalFault.NONE
        if FaultName.TEMPERATURE_OPEN in active:
            faults |= LocalFault.TEMPERATURE_OPEN
        if FaultName.TEMPERATURE_SHORTED in active:
            faults |= LocalFault.TEMPERATURE_SHORT
        if self._has_level_sensor:
            if FaultName.LEVEL_SENSOR_OPEN in active:
                faults |= LocalFault.LEVEL_SENSOR_OPEN
            if FaultName.LEVEL_SENSOR_SHORTED in active:
                faults |= LocalFault.LEVEL_SENSOR_SHORT
        return faults
