"""The plan of one station: its identity, probes, level, limits and cartridge, as frozen values."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from bridge.guard.limits import Limits
from bridge.protocol.registers import ModbusMap
from bridge.purifier.capacity import RATING_SD
from bridge.purifier.cartridge import Kind
from bridge.tank.level_settings import LevelSettings
from bridge.water.measurement import MeasuringChain
from bridge.water.probe import ProbeSettings


@dataclass(frozen=True, slots=True)
class StationIdentity:
    """What does not change while the daemon runs."""

    reservoir: str
    """Id fit for a topic: lower-case letters, digits and hyphens."""
    name: str
    capacity_l: float
    limit_ppm: float
    target_ppm: float
    factor: float
    """ppm for each µS/cm at 25 °C; the scale of every ppm shown."""
    has_feed_probe: bool
    has_drain: bool
    has_volume: bool
    """False where only switches are fitted: then a zone is known, and no volume."""
    has_forecast: bool = False
    """A cartridge is configured, so that its end is forecast."""


@dataclass(frozen=True, slots=True)
class CalibrationInForce:
    """The calibration that a cell's constant comes from."""

    made: datetime
    standard: str
    cell_constant_percent: float
    """Standard uncertainty (k = 1) of the constant."""
    file: Path


@dataclass(frozen=True, slots=True)
class ProbePlan:
    """One conductivity probe with its temperature sensor."""

    chain: MeasuringChain
    watch: ProbeSettings
    calibration: CalibrationInForce | None = None
    """None where the constant is the configuration's own."""


@dataclass(frozen=True, slots=True)
class CartridgePlan:
    """The exchange cartridge, membrane or distiller of one purifier, for its forecast."""

    kind: Kind
    rated_g: float | None = None
    """What an exchange cartridge takes up, or the scale that a distiller may gather, in grams."""
    rating_sd: float = RATING_SD
    """Relative standard deviation of the rating."""
    rejection_percent: float | None = None
    """A membrane's rated rejection."""
    price: float | None = None
    lead_days: float = 7.0
    """From the order until a new one is fitted."""


@dataclass(frozen=True, slots=True)
class StationPlan:
    """One reservoir with its purifier and its controller."""

    identity: StationIdentity
    port: str
    """Device path of the controller, best one that stays the same: /dev/serial/by-id/..."""
    baud: int
    product: ProbePlan
    feed: ProbePlan | None
    """None where no feed cell is fitted."""
    feed_ppm: float | None
    """What the feed is taken to be where no feed cell is fitted, for the purifier's load."""
    level: LevelSettings
    limits: Limits
    litres_per_pulse: float | None
    """None where no flow sensor is fitted."""
    assumed_ppm: float
    """What the reservoir is taken to hold at the first start, until a sample of it is sent."""
    rain_ppm: float | None = None
    """What a rise of the level with the valve shut brings in; None where no rain can fall in."""
    modbus: ModbusMap | None = None
    """What is where on a Modbus line; None where a controller speaks the line protocol."""
    cartridge: CartridgePlan | None = None
    """None: nothing is forecast of the purifier."""
