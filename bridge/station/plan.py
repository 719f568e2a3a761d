"""The plan of one station: its identity, probes, level, limits and cartridge, as frozen values."""

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from bridge.guard.limits import Limits
from bridge.protocol.registers import ModbusMap
from bridge.purifier.cartridge import RATING_SD, Kind
from bridge.tank.level_sensor import LevelSettings
from bridge.water.calibration import DRIFT_PERCENT_PER_YEAR, SECONDS_PER_YEAR
from bridge.water.measurement import MeasuringChain
from bridge.water.meter import USUAL_METER, HandMeter
from bridge.water.probe import ProbeSettings


@dataclass(frozen=True, slots=True)
class StationIdentity:
    """The facts of a reservoir that do not change while the daemon runs."""

    reservoir: str
    """Id for topics: lower-case letters, digits and hyphens."""
    name: str
    capacity_l: float
    limit_ppm: float
    target_ppm: float
    factor: float
    """The factor, in ppm for each µS/cm at 25 °C: the scale of every ppm shown."""
    has_feed_probe: bool
    has_drain: bool
    has_volume: bool
    """False if only switches are fitted: they give a zone, but no volume."""
    has_forecast: bool = False
    """True if a cartridge is configured, so that there is a forecast."""
    has_check_cell: bool = False
    has_trays: bool = False
    """True if the watering round of some trays is shown with this reservoir."""
    needs_weather: bool = False
    """True if something uses the weather that the hub may send: trays, or the tank of a roof."""


CALIBRATION_DAYS = 366.0
"""A cell is calibrated again after this time, about once a season (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class CalibrationInForce:
    """The calibration behind the constant of a cell."""

    made: datetime
    standard: str
    cell_constant_percent: float
    """Standard uncertainty (k = 1) of the constant when it was made."""
    file: Path
    drift_percent_per_year: float = DRIFT_PERCENT_PER_YEAR
    """The standard uncertainty of the drift of this cell, see :mod:`bridge.water.calibration`."""
    age_s: float = 0.0
    """Its age when the plan was made."""

    def percent_after(self, percent: float, running_s: float) -> float:
        """Return the standard uncertainty of the constant, some time after the plan was made.

        Args:
            percent: That of the plan, which has the drift until then in it.
            running_s: The time since then.
        """
        years, later = self.age_s / SECONDS_PER_YEAR, (self.age_s + running_s) / SECONDS_PER_YEAR
        return math.sqrt(percent**2 + self.drift_percent_per_year**2 * (later**2 - years**2))


@dataclass(frozen=True, slots=True)
class ProbePlan:
    """One conductivity probe with its temperature sensor."""

    chain: MeasuringChain
    watch: ProbeSettings
    calibration: CalibrationInForce | None = None
    """None if the constant is from the configuration."""


@dataclass(frozen=True, slots=True)
class CartridgePlan:
    """The exchange cartridge, membrane or distiller of one purifier, for its forecast."""

    kind: Kind
    rated_g: float | None = None
    """The rated capacity of an exchange cartridge, or the allowed scale of a distiller, in grams."""
    rating_sd: float = RATING_SD
    """Relative standard deviation of the rating."""
    rejection_percent: float | None = None
    """The rated rejection of a membrane."""
    price: float | None = None
    lead_days: float = 7.0
    """Days from the order until a new cartridge is fitted."""


@dataclass(frozen=True, slots=True)
class StationPlan:
    """One reservoir with its purifier and its controller."""

    identity: StationIdentity
    port: str
    """Device path of the controller. Best is a path that stays the same: /dev/serial/by-id/..."""
    baud: int
    product: ProbePlan
    feed: ProbePlan | None
    """None if no feed cell is fitted."""
    feed_ppm: float | None
    """The assumed feed if no feed cell is fitted, for the load of the purifier."""
    level: LevelSettings
    limits: Limits
    litres_per_pulse: float | None
    """None if no flow sensor is fitted."""
    assumed_ppm: float
    """The assumed concentration of the reservoir at the first start, until a sample of it is sent."""
    rain_ppm: float | None = None
    """The concentration of a rise with the valve shut. None if no rain can fall in."""
    open_surface_m2: float = 0.0
    """The water surface that evaporates. 0 for a covered reservoir."""
    modbus: ModbusMap | None = None
    """The register map of a Modbus line. None for a controller with the line protocol."""
    controller_id: str | None = None
    """The id of the only controller that may open the valve. None for any controller."""
    cartridge: CartridgePlan | None = None
    """None for a purifier without a forecast."""
    check: ProbePlan | None = None
    """The check cell in the product, on the controller's second channel. None if none is fitted."""
    night_draw: float | None = None
    """The draw of plants in an hour of the night as a share of that by day. None if it is not known."""
    level_while_away: LevelSettings | None = None
    """The marks before and during an absence. None with switches only, whose places are fixed."""
    meter: HandMeter = USUAL_METER
    """The meter of hand measurements that hub and page send without naming one."""
