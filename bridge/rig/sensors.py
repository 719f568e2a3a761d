"""The controller's inputs: cells, thermometers, level sensor, switches and pulses, with their faults. Core.

Every input has the noise and the resolution of its kind.

The conductivity of the rig's water has a salt part and a water part. The salt part follows temperature by
Walden's rule: conductivity times a power of the viscosity is constant. So the rig is independent of the
bridge's own compensation. The scenario has the exponent of the product. Viscosity of water: Kestin, Sokolov
and Wakeham, J. Phys. Chem. Ref. Data 7 (1978) 941 (coefficients from memory; the tests compare them with
IAPWS).
"""

import math
import random
from dataclasses import dataclass
from functools import lru_cache

from bridge.protocol.messages import FAILED, Feature, LocalFault, Value
from bridge.rig.faults import DISTURBANCES, FaultName, FaultPlan
from bridge.rig.scenario import NATURAL_WATER, CellError, Scenario, WaldenRule
from bridge.water.conductivity import pure_water_us_cm

_VISCOSITY_25_REL_20 = 10.0 ** ((20.0 - 25.0) / (25.0 + 96.0) * (1.2364 + 1.37e-3 * 5.0 + 5.7e-6 * 25.0))


def viscosity_ratio(temperature_c: float) -> float:
    """Return the viscosity of water divided by that at 25 °C, for 0 to 60 °C."""
    below_20 = 20.0 - temperature_c
    exponent = (
        below_20 / (temperature_c + 96.0) * (1.2364 - 1.37e-3 * below_20 + 5.7e-6 * below_20 * below_20)
    )
    return float(10.0**exponent) / _VISCOSITY_25_REL_20


# The argument is in hundredths, because a year has few different ones: the cache saves the powers.
@lru_cache(maxsize=8192)
def _factors(hundredths_c: int, walden: WaldenRule) -> tuple[float, float]:
    temperature_c = hundredths_c / 100.0
    exponent = walden.exponent + walden.bend_per_k * (25.0 - temperature_c)
    return viscosity_ratio(temperature_c) ** -exponent, pure_water_us_cm(temperature_c)


def conductivity_us_cm(
    ppm: float, factor: float, temperature_c: float, walden: WaldenRule = NATURAL_WATER
) -> float:
    """Return the conductivity of water, µS/cm.

    Args:
        ppm: Dissolved solids on the scale ``factor``.
        factor: ppm for each µS/cm at 25 °C.
        temperature_c: Temperature, 0 to 60 °C.
        walden: How the conductivity of these ions follows temperature.

    Returns:
        The conductivity at this temperature.
    """
    salt_ratio, water_us_cm = _factors(round(temperature_c * 100.0), walden)
    return ppm / factor * salt_ratio + water_us_cm


_DRIFT_PER_HOUR = 0.01
_DRIFT_FLOOR = 0.05
_NOISY_RELATIVE = 0.3
_BUBBLES_RELATIVE = 0.02
_SCALE_MEGOHM_PER_HOUR = 10e-6
_PICK_UP_US, _PICK_UP_RELATIVE = 0.2, 0.02
_BEAT_HZ = 0.37
"""Mains frequency less the next multiple of the sampling frequency; neither is exact."""
_DITHER = 0.005
_HYSTERESIS_M = 0.015
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
        """Fit the inputs of the scenario."""
        self._fit = scenario.fittings
        self._factor = scenario.factor
        self._walden = scenario.walden
        self.product_error = scenario.fittings.product_error
        """The present error of the product cell. A fouled, cleaned or new cell has another one."""
        self.check_error = scenario.fittings.check_error
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
        self._float_at: float | None = None
        """The reading that belongs to the float's own height, while the float lags behind the water."""
        barrel = scenario.barrel
        travel = barrel.level_sensor_top_fraction - barrel.level_sensor_bottom_fraction
        self._reading_per_m = (self._fit.level_sensor_high - self._fit.level_sensor_low) / (
            travel * barrel.height_m
        )

    def measure(self, scene: Scene, plan: FaultPlan) -> Inputs:
        """Measure all inputs once.

        Args:
            scene: The true state.
            plan: The faults.

        Returns:
            The inputs.
        """
        fit = self._fit
        active = plan.active
        faults = LocalFault.NONE
        product_us, product_c = self._cell_of_product(scene, fit.product_cell_per_cm, self.product_error)
        feed_us: Value = None
        feed_c: Value = None
        if fit.check_cell_per_cm is not None:
            feed_us, feed_c = self._cell_of_product(scene, fit.check_cell_per_cm, self.check_error)
        elif self._has_feed:
            true_us = conductivity_us_cm(scene.feed_ppm, self._factor, scene.water_c) / fit.feed_cell_per_cm
            feed_us, feed_c = self._conductance(true_us), self._temperature(scene.water_c)
        level_sensor: Value = None
        if self._has_level_sensor:
            span = fit.level_sensor_high - fit.level_sensor_low
            noisy = (
                fit.level_sensor_low
                + span * scene.level_sensor
                + self._chance.gauss(0.0, fit.level_sensor_noise)
            )
            level_sensor = self._in_steps(noisy)
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
            self._float_at = None
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

    def _cell_of_product(self, scene: Scene, label_per_cm: float, error: CellError) -> tuple[Value, Value]:
        us_cm = conductivity_us_cm(scene.product_ppm, self._factor, scene.water_c, self._walden)
        shown_us = us_cm / label_per_cm * error.gain_at(scene.time_s) + error.offset_us
        return self._conductance(shown_us), self._temperature(scene.water_c + error.thermometer_k)

    def _conductance(self, true_us: float) -> float:
        fit = self._fit
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
        if isinstance(product_us, float) and not DISTURBANCES.isdisjoint(active):
            product_us = self._disturbed(scene.time_s, plan, product_us)
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

    def _disturbed(self, time_s: float, plan: FaultPlan, product_us: float) -> float:
        """Return the product conductance with scale, air and mains pick-up, in the order of the circuit."""
        step_us = self._fit.cell_step_us
        scaled = plan.active.get(FaultName.PROBE_SCALED)
        if scaled is not None:
            hours = (time_s - scaled.start_s) / _HOUR_S
            product_us /= 1.0 + product_us * _SCALE_MEGOHM_PER_HOUR * scaled.severity * hours
        air = plan.severity(FaultName.PROBE_HALF_WET)
        if air:
            product_us *= 0.5**air * math.exp(self._chance.gauss(0.0, _BUBBLES_RELATIVE))
        pick_up = plan.severity(FaultName.PROBE_MAINS_NOISE)
        if pick_up:
            swing_us = pick_up * (_PICK_UP_US + _PICK_UP_RELATIVE * product_us)
            product_us += swing_us * math.sin(2.0 * math.pi * _BEAT_HZ * time_s)
        return max(0.0, round(product_us / step_us) * step_us)

    def _level_faults(
        self, plan: FaultPlan, level_sensor: Value, low: bool | None, full: bool | None
    ) -> tuple[Value, bool | None, bool | None]:
        active = plan.active
        level_sensor = self._late_float(plan, level_sensor)
        if FaultName.LEVEL_DITHER in active and isinstance(level_sensor, float):
            level_sensor = self._in_steps(level_sensor + self._chance.uniform(-_DITHER, _DITHER))
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

    def _late_float(self, plan: FaultPlan, level_sensor: Value) -> Value:
        """Return the reading of a float that moves only when the water is far enough from it."""
        late = plan.severity(FaultName.FLOAT_HYSTERESIS) * _HYSTERESIS_M * self._reading_per_m
        if not late or not isinstance(level_sensor, float):
            self._float_at = None
            return level_sensor
        at = level_sensor if self._float_at is None else self._float_at
        self._float_at = min(max(at, level_sensor - late), level_sensor + late)
        return self._in_steps(self._float_at)

    def _in_steps(self, reading: float) -> float:
        steps = self._fit.level_sensor_steps
        return round(min(1.0, max(0.0, reading)) * steps) / steps

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
