"""What the daemon is to do, as frozen values: the configuration after it was read, checked and converted.

``bridge.settings`` makes these from a file and the environment; everything else reads only these.
"""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from bridge.display.units import DisplayUnits
from bridge.guard.limits import Limits
from bridge.history.limits import LogSettings
from bridge.hub.announcements import AnnouncementTemplate
from bridge.hub.broker import BrokerSettings, Secret
from bridge.hub.topics import Layout
from bridge.hub.view import StationIdentity
from bridge.purifier.capacity import RATING_SD
from bridge.purifier.cartridge import Kind
from bridge.tank.level_settings import LevelSettings
from bridge.water.measurement import MeasuringChain
from bridge.water.probe import ProbeSettings
from bridge.wire.registers import ModbusMap


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


@dataclass(frozen=True, slots=True)
class HandPlan:
    """A purifier without probe and float, whose litres and readings a person enters."""

    ident: str
    """Its word in the log and on the command line."""
    name: str
    factor: float
    """The scale of every ppm of it."""
    limit_ppm: float
    advice_ppm: float
    feed_ppm: float | None
    """What the feed is taken to be until a sample of it is entered."""
    cartridge: CartridgePlan
    other_cost_per_l: float = 0.0
    """Money for one litre beside the cartridge: energy, water."""


@dataclass(frozen=True, slots=True)
class ShelfPlan:
    """Water in jugs on a shelf, bought or made elsewhere, whose litres a person enters."""

    ident: str
    name: str
    factor: float
    limit_ppm: float
    advice_ppm: float
    price_per_l: float | None = None
    lead_days: float = 7.0
    """From the order, or the decision to go for more, until it stands on the shelf."""


@dataclass(frozen=True, slots=True)
class HubPlan:
    """The broker, and what is said to it."""

    broker: BrokerSettings
    layout: Layout
    announcements: tuple[AnnouncementTemplate, ...] = ()
    heartbeat_s: float = 300.0


@dataclass(frozen=True, slots=True)
class PagePlan:
    """The page on the home network."""

    layout: Layout
    """The names that commands are read by, with or without a broker."""
    host: str = "127.0.0.1"
    port: int = 8375
    """0: any free one."""
    names: tuple[str, ...] = ()
    """Host names by which browsers may address it, besides its address and the names of loopback."""
    token: Secret | None = None
    """None: the page only shows."""


@dataclass(frozen=True, slots=True)
class LogPlan:
    """The log on disk."""

    path: Path
    settings: LogSettings


@dataclass(frozen=True, slots=True)
class BridgePlan:
    """Everything one daemon does."""

    stations: tuple[StationPlan, ...]
    hub: HubPlan | None
    """None: no broker; the guard works all the same."""
    log: LogPlan | None = None
    """None: nothing is kept, and nothing survives a restart."""
    display: DisplayUnits = DisplayUnits()
    """How people are shown things; nothing that is published or kept depends on it."""
    by_hand: tuple[HandPlan, ...] = ()
    """Purifiers that are kept by hand; the daemon has nothing to do with them."""
    shelves: tuple[ShelfPlan, ...] = ()
    page: PagePlan | None = None
    """None: no page is served."""

    @property
    def kept_by_hand(self) -> dict[str, HandPlan | ShelfPlan]:
        """Purifiers and shelves by their words."""
        kept: tuple[HandPlan | ShelfPlan, ...] = (*self.by_hand, *self.shelves)
        return {one.ident: one for one in kept}
