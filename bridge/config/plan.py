"""The plan: the configuration as frozen values after it was read, checked and converted, and its warnings.

The other files of this room make the plan from a file and the environment; other rooms read only the plan.
A warning is about a value that a configuration may have but that is questionable.
"""

import ipaddress
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from bridge.config.modbus import CANNOT_PROMISE
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
from bridge.water.conductivity import Method
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


_CHANGING = ("/dev/ttyUSB", "/dev/ttyACM")


def warnings_of(plan: BridgePlan) -> tuple[str, ...]:
    """Return the warnings about a plan, those about the broker first."""
    found = [] if plan.hub is None else list(_about_broker(plan.hub.broker))
    for station in plan.stations:
        found += [f"reservoir {station.identity.reservoir}: {sentence}" for sentence in _about(station)]
    return tuple(found)


def is_this_machine(host: str) -> bool:
    """Return whether a host name or address is this machine, without asking a name server."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _about_broker(broker: BrokerSettings) -> Iterator[str]:
    if broker.tls is not None or is_this_machine(broker.host):
        return
    if broker.password is not None:
        yield (
            f"hub: the password travels in clear to {broker.host}, and anyone who reads it there can "
            "command the bridge; add the table hub.tls"
        )
    else:
        yield (
            f"hub: nothing between here and {broker.host} is encrypted, and no password is given, so anyone "
            "on that network can read everything and send commands; add the table hub.tls, a user name and a "
            "password"
        )


def _about(station: StationPlan) -> Iterator[str]:
    limits, product = station.limits, station.product.chain.compensation
    if not limits.has_overflow_float:
        yield (
            "no overflow float is fitted, so if the level sensor sticks only the bounds on time and volume "
            "stop a fill; fit one, and in any case an overflow pipe to a drain"
        )
    if product.method is Method.OFF:
        yield (
            "the product is not compensated for its temperature, so cold water seems purer and warm water "
            'less pure than it is; product.method = "pure" suits purified water'
        )
    if station.feed is not None:
        method = station.feed.chain.compensation.method
        low_c, high_c = method.range_c
        if not low_c <= limits.temperature_low_c <= limits.temperature_high_c <= high_c:
            yield (
                f"the feed is not measured below {low_c:g} and above {high_c:g} °C, where its method "
                f"'{method.value}' ends, but water may flow from {limits.temperature_low_c:g} to "
                f"{limits.temperature_high_c:g} °C"
            )
    if station.modbus is not None:
        plain = [relay for relay in (station.modbus.valve, station.modbus.drain) if relay is not None]
        if any(relay.time_limit_register is None for relay in plain):
            yield CANNOT_PROMISE
    if station.level.level_sensor is None and station.litres_per_pulse is None:
        yield (
            "with switches only and no flow sensor the volume of a fill is not known; only its time is "
            f"bounded, now by {limits.fill_max_s / 3600.0:g} h: set guard.fill_max_s a little "
            "above the time of a fill"
        )
    if station.port.startswith(_CHANGING):
        yield (
            f"the port {station.port} may name another device after a restart; the links in "
            "/dev/serial/by-id do not change"
        )
