"""The whole configuration as one model: bridge, hub, log, page, display, and the tables with an id."""

import difflib
import ipaddress
import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BeforeValidator, Field, SecretStr, field_validator, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from bridge.config.by_hand import HandTable, MeterTable, RoundTable, ShelfTable, TrayTable, WeatherTable
from bridge.config.plan import PagePlan
from bridge.config.reservoir import ReservoirTable
from bridge.config.tables import (
    ID_PATTERN,
    Table,
    optional,
    positive,
    refused,
    sound,
    unfit,
)
from bridge.mqtt.announcements import AnnouncementTemplate, Each
from bridge.mqtt.broker import Secret
from bridge.mqtt.topics import Layout
from bridge.units import (
    CONDUCTIVITY,
    TEMPERATURE,
    VOLUME,
    Dimension,
    DisplayUnits,
    SolidsUnit,
    TemperatureUnit,
    VolumeUnit,
)

LONGEST_CURRENCY = 8


def _spelled(dimension: Dimension) -> BeforeValidator:
    """Accept every spelling of a unit."""

    def symbol(value: Any) -> Any:
        written = [one for one in dimension.units if isinstance(value, str) and one.is_written(value)]
        return written[0].symbol if written else value

    return BeforeValidator(symbol)


Volume = Annotated[Literal["L", "US gal"], _spelled(VOLUME)]
Temperature = Annotated[Literal["°C", "°F"], _spelled(TEMPERATURE)]
Solids = Annotated[Literal["ppm", "µS/cm"], _spelled(CONDUCTIVITY)]


class DisplayTable(Table):
    """``[display]``: how quantities are shown to people.

    Published and stored values stay in L, °C, ppm and UTC.
    """

    volume: Volume = Field(default="L", description="the unit of volumes")
    temperature: Temperature = Field(default="°C", description="the unit of temperatures")
    solids: Solids = Field(
        default="ppm", description="whether dissolved solids or the conductivity behind them are shown"
    )
    currency: str = Field(
        default="",
        max_length=LONGEST_CURRENCY,
        pattern=r"^[^\s\x00-\x1f\x7f-\x9f]*$",
        description=f'a code or a sign for money of at most {LONGEST_CURRENCY} characters, such as "EUR"',
    )
    zone: str | None = optional(
        'a time zone by its IANA name, such as "Europe/Rome"', "that of the machine", min_length=1
    )

    def core(self) -> DisplayUnits:
        """Make the units of the plan."""
        return DisplayUnits(
            VolumeUnit(self.volume),
            TemperatureUnit(self.temperature),
            SolidsUnit(self.solids),
            self.currency,
            self.zone,
        )

    @model_validator(mode="after")
    def _known_zone(self) -> "DisplayTable":
        if self.zone is not None and not _is_zone(self.zone):
            raise refused("zone", self.zone, _no_such_zone(self.zone))
        return self


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (OSError, ValueError, LookupError):
        # Also raised for a directory of zones and for a path that leads elsewhere.
        return False
    return True


def _no_such_zone(name: str) -> str:
    known = {zone.casefold(): zone for zone in available_timezones() if zone != "localtime"}
    if not known:
        return "cannot be checked: this machine has no table of time zones; install the package tzdata"
    # People often give the town alone.
    towns = {key.rpartition("/")[2]: zone for key, zone in sorted(known.items())}
    wanted = name.casefold().replace(" ", "_")
    near = difflib.get_close_matches(wanted, known, 1, 0.75) or difflib.get_close_matches(
        wanted, towns, 1, 0.75
    )
    meant = f"did you mean '{(known | towns)[near[0]]}'?" if near else "it is a name such as 'Europe/Rome'"
    return f"there is no such time zone; {meant}"


PORT = 8375
SHORTEST_TOKEN = 16
"""Characters: too many to guess with the few attempts that the page allows."""
_LABEL = re.compile(r"[a-z0-9_]([a-z0-9_-]*[a-z0-9_])?", re.ASCII | re.IGNORECASE)


class PageTable(Table):
    """``[page]``: the page on the home network. The table, even an empty one, switches it on."""

    enabled: bool = Field(default=True, description="whether the page is served")
    host: str = Field(
        default="127.0.0.1",
        description="the address to listen on: 127.0.0.1 for this machine alone, 0.0.0.0 for every network",
    )
    port: int = Field(default=PORT, ge=1, le=65535, description="the port to listen on")
    names: list[str] = Field(
        default_factory=list,
        description='the host names by which browsers reach it, such as "garden-pi.local"',
    )
    token: SecretStr | None = optional(
        f"the word that allows people to send commands, {SHORTEST_TOKEN} to 256 characters",
        "the page takes no commands",
        min_length=SHORTEST_TOKEN,
        max_length=256,
        repr=False,
    )

    @field_validator("host")
    @classmethod
    def _an_address(cls, host: str) -> str:
        if host != "localhost":
            try:
                ipaddress.ip_address(host)
            except ValueError:
                raise unfit(
                    f"{host!r} is not an address of this machine; give 127.0.0.1 for this machine alone, "
                    "0.0.0.0 or :: for every network, or one of its own addresses",
                ) from None
        return host

    @field_validator("names")
    @classmethod
    def _host_names(cls, names: list[str]) -> list[str]:
        for name in names:
            if not all(_LABEL.fullmatch(label) for label in name.split(".")):
                raise unfit(f"{name!r} is not a host name; give one without http:// and without a port")
        return [name.lower() for name in names]

    @field_validator("token")
    @classmethod
    def _one_word(cls, token: SecretStr | None) -> SecretStr | None:
        if token is not None and not re.fullmatch(r"[\x21-\x7e]+", token.get_secret_value()):
            raise unfit("must be one word of plain letters, digits and signs")
        return token

    def core(self, layout: Layout) -> PagePlan | None:
        """Make the page's part of the plan; None if it is switched off."""
        if not self.enabled:
            return None
        token = None if self.token is None else Secret(self.token.get_secret_value())
        return PagePlan(layout, self.host, self.port, tuple(self.names), token)


def warnings_on(page: PagePlan | None) -> Iterator[str]:
    """Return warnings about a page that other machines can reach."""
    if page is None or page.host == "localhost" or ipaddress.ip_address(page.host).is_loopback:
        return
    yield (
        f"page: it listens on {page.host} without encryption, so that everybody on that network can see it"
        + (" and can overhear the token of a person who sends a command" if page.token is not None else "")
        + "; never make it reachable from the internet"
    )


ReservoirId = Annotated[str, Field(pattern=ID_PATTERN)]


class BridgeTable(Table):
    """``[bridge]``: the names of the bridge, and its socket."""

    id: str = Field(
        default="clearwell",
        pattern=ID_PATTERN,
        description="its id on the hub: lower-case letters and digits in groups joined by hyphens, such as "
        '"garden-bridge"',
    )
    name: str = Field(default="Clearwell", min_length=1, description="what people call the bridge")
    socket: str | None = optional(
        "the file of the socket for commands on the same machine",
        "beside the log, with its name and `.socket`",
        min_length=1,
    )


class TlsTable(Table):
    """``hub.tls``: encryption of the connection to the broker."""

    ca_file: str | None = optional(
        "the authority's certificate, a PEM file", "the authorities of the operating system", min_length=1
    )
    cert_file: str | None = optional(
        "a client certificate, a PEM file", "no client certificate", min_length=1
    )
    key_file: str | None = optional(
        "the client certificate's key, a PEM file", "no client certificate", min_length=1
    )


class AnnouncementTable(Table):
    """``[[hub.announcement]]``: one message by template."""

    topic: str = Field(min_length=1, description="the topic, with placeholders such as ${reservoir}")
    payload: str = Field(description="the payload, with placeholders such as ${reservoir_name}")
    each: Literal["bridge", "reservoir", "property"] = Field(
        description="what each message is about: 'bridge', 'reservoir' or 'property'"
    )
    retain: bool = Field(default=True, description="whether the broker keeps it")
    escape_json: bool = Field(default=True, description="true if the payload is JSON")
    only: list[str] = Field(
        default_factory=list, description="the properties to announce, such as 'product/ppm'; all if empty"
    )

    def core(self) -> AnnouncementTemplate:
        """Make the template of the plan."""
        return AnnouncementTemplate(
            self.topic, self.payload, Each(self.each), self.retain, self.escape_json, tuple(self.only)
        )

    @model_validator(mode="after")
    def _sound(self) -> "AnnouncementTable":
        sound(self.core)
        return self


class HubTable(Table):
    """``[hub]``: the broker and the topics.

    Without this table there is no hub, and the guard works all the same.
    """

    host: str = Field(
        pattern=r"^[^\s@/]+$",
        description='the broker\'s name or address and nothing else, such as "localhost"',
    )
    port: int | None = optional("the broker's port", "1883, or 8883 with `[hub.tls]`", ge=1, le=65535)
    client_id: str | None = optional(
        "an id that no other client of the broker uses", "the id of the bridge", min_length=1
    )
    username: str | None = optional("the user name", "no user name", min_length=1, repr=False)
    password: SecretStr | None = optional("the password", "no password", repr=False)
    version: Literal["5", "3.1.1"] = Field(default="5", description="the version of MQTT")
    tls: TlsTable | None = optional("a table; an empty one trusts the system's authorities", "no encryption")
    keepalive_s: int = Field(default=30, ge=5, le=3600, description="the keep-alive time of MQTT, in seconds")
    prefix: str = Field(
        default="homie",
        pattern=r"^[^/+#$\x00-\x1f]+$",
        description="the first level of every topic, one word",
    )
    heartbeat_s: float = positive("the longest time until every value is published again, in seconds", 300.0)
    announcement: list[AnnouncementTable] = Field(default_factory=list, description="tables of announcements")

    @field_validator("host")
    @classmethod
    def _without_port(cls, host: str) -> str:
        # An address of IPv6 has more than one colon.
        if re.fullmatch(r"[^:]+:\d*", host):
            name, _, port = host.partition(":")
            raise unfit(f'{host!r} has a port; write host = "{name}" and port = {port or 1883} apart')
        return host


class OutboxTable(Table):
    """``[log.outbox]``: the SenML records that are sent to the hub's log."""

    enabled: bool = Field(default=True, description="whether records are sent at all")
    every_s: float = Field(
        default=10.0, ge=0, le=3600, description="at most one reading in so many seconds; 0 for all"
    )
    limit_mib: int = Field(default=32, ge=1, le=4096, description="how much may wait for the broker, in MiB")


class LogTable(Table):
    """``[log]``: the log on disk."""

    enabled: bool = Field(
        default=True, description="whether a log is kept; without a log nothing survives a restart"
    )
    path: str | None = optional(
        "the file of the log",
        "`clearwell.db` in systemd's state directory, or beside the configuration",
        min_length=1,
    )
    raw_days: int = Field(default=14, ge=1, le=3660, description="how long readings are kept, in days")
    years: int = Field(default=20, ge=1, le=100, description="how long everything else is kept, in years")
    outbox: OutboxTable = Field(default=OutboxTable(), description="a table about the hub's log")


class Settings(BaseSettings):
    """All keys of a configuration; :func:`bridge.config.loading.read` builds it from its sources."""

    model_config = SettingsConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)

    secrets_dir: str | None = optional(
        "a directory with the files hub_username, hub_password and page_token",
        "the one that systemd names in `CREDENTIALS_DIRECTORY`",
        min_length=1,
    )
    bridge: BridgeTable = Field(default=BridgeTable(), description="a table with 'id' and 'name'")
    log: LogTable = Field(default=LogTable(), description="a table about the log on disk")
    hub: HubTable | None = optional("a table about the broker, with 'host'", "no hub")
    page: PageTable | None = optional("a table about the page on the home network", "no page")
    display: DisplayTable = Field(
        default=DisplayTable(), description="a table about the units that are shown to people"
    )
    reservoir: dict[ReservoirId, ReservoirTable] = Field(
        default_factory=dict,
        description="at least one table [reservoir.<id>], such as [reservoir.barrel]",
    )
    purifier: dict[ReservoirId, HandTable] = Field(
        default_factory=dict,
        description="tables [purifier.<id>], such as [purifier.pitcher], of purifiers kept by hand",
    )
    shelf: dict[ReservoirId, ShelfTable] = Field(
        default_factory=dict,
        description="tables [shelf.<id>], such as [shelf.jugs], of water that stands in jugs",
    )
    meter: dict[ReservoirId, MeterTable] = Field(
        default_factory=dict, description="tables [meter.<id>], such as [meter.pen], of hand meters"
    )
    tray: dict[ReservoirId, TrayTable] = Field(
        default_factory=dict,
        description="tables [tray.<id>], such as [tray.south-bench], in the order of the benches",
    )
    weather: WeatherTable | None = optional(
        "a table about the place of the trays", "the trays are judged without weather"
    )
    round: RoundTable = Field(default=RoundTable(), description="a table about the watering round")
