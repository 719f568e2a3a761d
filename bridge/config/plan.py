"""What the daemon is to do, as frozen values: the configuration after it was read, checked and converted.

``bridge.config`` makes these from a file and the environment; everything else reads only these.
"""

from dataclasses import dataclass
from pathlib import Path

from bridge.forecast.by_hand import HandPlan, ShelfPlan
from bridge.history.limits import LogSettings
from bridge.mqtt.announcements import AnnouncementTemplate
from bridge.mqtt.broker import BrokerSettings, Secret
from bridge.mqtt.topics import Layout
from bridge.station.plan import StationPlan
from bridge.units import DisplayUnits


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
