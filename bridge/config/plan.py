"""The plan: the configuration as frozen values after it was read, checked and converted.

The other files of this room make the plan from a file and the environment; other rooms read only the plan.
"""

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bridge.forecast.by_hand import HandPlan, ShelfPlan
from bridge.history.waiting import LogSettings
from bridge.mqtt.announcements import AnnouncementTemplate
from bridge.mqtt.broker import BrokerSettings, Secret
from bridge.mqtt.topics import Layout
from bridge.station.plan import StationPlan
from bridge.tank.evapotranspiration import Site
from bridge.trays.round import RoundSettings
from bridge.trays.tray import TrayPlan
from bridge.units import DisplayUnits
from bridge.water.meter import HandMeter


@dataclass(frozen=True, slots=True)
class HubPlan:
    """The broker and the topics."""

    broker: BrokerSettings
    layout: Layout
    announcements: tuple[AnnouncementTemplate, ...] = ()
    heartbeat_s: float = 300.0


@dataclass(frozen=True, slots=True)
class PagePlan:
    """The page on the home network."""

    layout: Layout
    """The names in commands, with or without a broker."""
    host: str = "127.0.0.1"
    port: int = 8375
    """0 means any free port."""
    names: tuple[str, ...] = ()
    """Host names that browsers may use, besides the address and the names of loopback."""
    token: Secret | None = None
    """None: the page shows everything and takes no commands."""


@dataclass(frozen=True, slots=True)
class LogPlan:
    """The log on disk."""

    path: Path
    settings: LogSettings


@dataclass(frozen=True, slots=True)
class TraysPlan:
    """The trays in the order of the benches, their place and their round."""

    trays: tuple[TrayPlan, ...]
    settings: RoundSettings
    site: Site | None = None
    """None: the latitude is not known, so the weather is not used."""
    weather_file: Path | None = None
    temperature_of: str | None = None
    """The reservoir whose controller's temperature follows that of the air."""

    def shown_with(self, reservoir: str, reservoirs: Sequence[str]) -> frozenset[str]:
        """Return the waters whose trays are shown with a reservoir: its own; the first one has the rest too.

        Args:
            reservoir: The id of the reservoir.
            reservoirs: The ids of all reservoirs with a controller, in their order.
        """
        fed_from = {tray.fed_from for tray in self.trays}
        first = bool(reservoirs) and reservoir == reservoirs[0]
        return frozenset(fed_from & {reservoir} | (fed_from - set(reservoirs) if first else set()))


@dataclass(frozen=True, slots=True)
class BridgePlan:
    """Everything that one daemon does."""

    stations: tuple[StationPlan, ...]
    hub: HubPlan | None
    """None: there is no broker, and the guard works all the same."""
    log: LogPlan | None = None
    """None: no log is kept, and nothing survives a restart."""
    display: DisplayUnits = DisplayUnits()
    """The units shown to people; published and kept values do not depend on them."""
    by_hand: tuple[HandPlan, ...] = ()
    """Purifiers that are kept by hand, which the daemon does not use."""
    shelves: tuple[ShelfPlan, ...] = ()
    meters: tuple[HandMeter, ...] = ()
    page: PagePlan | None = None
    """None: no page is served."""
    socket: Path | None = None
    """The daemon's socket for commands on the same machine. None: it takes no such commands."""
    trays: TraysPlan | None = None
    """None: there are no trays."""

    @property
    def kept_by_hand(self) -> dict[str, HandPlan | ShelfPlan]:
        """Purifiers and shelves by their ids."""
        kept: tuple[HandPlan | ShelfPlan, ...] = (*self.by_hand, *self.shelves)
        return {one.ident: one for one in kept}

    @property
    def factors(self) -> dict[str, float]:
        """The scale of each water by its id, in ppm for each µS/cm at 25 °C."""
        of_reservoirs = {one.identity.reservoir: one.identity.factor for one in self.stations}
        return of_reservoirs | {ident: one.factor for ident, one in self.kept_by_hand.items()}


def is_this_machine(host: str) -> bool:
    """Return whether a host name or address is this machine, without asking a name server."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
