"""The whole configuration as a model: the bridge, the hub, and the reservoirs.

``[display]``: the units, the money and the time zone in which people are shown things.

``[page]``: the page on the home network. That the table is there switches it on.
"""

import difflib
import ipaddress
import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BeforeValidator, Field, SecretStr, field_validator, model_validator
from pydantic_core import PydanticCustomError
from pydantic_settings import BaseSettings, SettingsConfigDict

from bridge.config.by_hand import HandTable, ShelfTable
from bridge.config.plan import PagePlan
from bridge.config.reservoir import ReservoirTable
from bridge.config.tables import ID_PATTERN, Table, positive, refused, sound
from bridge.mqtt.announcements import AnnouncementTemplate, Each
from bridge.mqtt.broker import Secret
from bridge.mqtt.topics import Layout
from bridge.units import DisplayUnits, SolidsUnit, TemperatureUnit, VolumeUnit

LONGEST_CURRENCY = 8


def _also(spellings: Mapping[str, str]) -> BeforeValidator:
    """Other ways to write a unit, for keyboards that lack its sign."""

    def read(value: Any) -> Any:
        return spellings.get(value, value) if isinstance(value, str) else value

    return BeforeValidator(read)


Volume = Annotated[Literal["L", "US gal"], _also({"l": "L", "us-gal": "US gal"})]
Temperature = Annotated[Literal["°C", "°F"], _also({"C": "°C", "F": "°F"})]
# The micro sign U+00B5 and the Greek letter U+03BC look the same, and keyboards have either.
Solids = Annotated[Literal["ppm", "µS/cm"], _also({"uS/cm": "µS/cm", "\u03bcS/cm": "µS/cm"})]


class DisplayTable(Table):
    """``[display]``: how people are shown things. What the bridge publishes and records does not change."""

    volume: Volume = Field(default="L", description="the unit of volumes")
    temperature: Temperature = Field(default="°C", description="the unit of temperatures")
    solids: Solids = Field(
        default="ppm", description="whether dissolved solids are shown, or the conductivity behind them"
    )
    currency: str = Field(
        default="",
        max_length=LONGEST_CURRENCY,
        pattern=r"^[^\s\x00-\x1f\x7f-\x9f]*$",
        description=f'a code or a sign for money of at most {LONGEST_CURRENCY} characters, such as "EUR"',
    )
    zone: str | None = Field(
        default=None,
        min_length=1,
        description='a time zone by its IANA name, such as "Europe/Rome"; without it, that of the machine',
    )

    def core(self) -> DisplayUnits:
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
        # Besides a name that is not there: a folder of names, and a path that leads elsewhere.
        return False
    return True


def _no_such_zone(name: str) -> str:
    known = {zone.casefold(): zone for zone in available_timezones() if zone != "localtime"}
    if not known:
        return "cannot be looked up, as this machine has no table of time zones; install the package tzdata"
    # People know the town and forget the continent.
    towns = {key.rpartition("/")[2]: zone for key, zone in sorted(known.items())}
    wanted = name.casefold().replace(" ", "_")
    near = difflib.get_close_matches(wanted, known, 1, 0.75) or difflib.get_close_matches(
        wanted, towns, 1, 0.75
    )
    meant = f"did you mean '{(known | towns)[near[0]]}'?" if near else "it is a name such as 'Europe/Rome'"
    return f"there is no such time zone; {meant}"


PORT = 8375
SHORTEST_TOKEN = 16
"""Characters. With the limit on attempts nobody on the network guesses one of these."""
_LABEL = re.compile(r"[a-z0-9_]([a-z0-9_-]*[a-z0-9_])?", re.ASCII | re.IGNORECASE)


class PageTable(Table):
    """``[page]``."""

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
    token: SecretStr | None = Field(
        default=None,
        min_length=SHORTEST_TOKEN,
        max_length=256,
        description=f"the word that lets people act, {SHORTEST_TOKEN} to 256 characters",
        repr=False,
    )

    @field_validator("host")
    @classmethod
    def _an_address(cls, host: str) -> str:
        if host != "localhost":
            try:
                ipaddress.ip_address(host)
            except ValueError:
                raise _refused(
                    f"{host!r} is no address of this machine; give 127.0.0.1 for this machine alone, 0.0.0.0 "
                    "or :: for every network, or one of its own addresses",
                ) from None
        return host

    @field_validator("names")
    @classmethod
    def _host_names(cls, names: list[str]) -> list[str]:
        for name in names:
            if not all(_LABEL.fullmatch(label) for label in name.split(".")):
                raise _refused(f"{name!r} is no host name; give one without http:// and without a port")
        return [name.lower() for name in names]

    @field_validator("token")
    @classmethod
    def _one_word(cls, token: SecretStr | None) -> SecretStr | None:
        if token is not None and not re.fullmatch(r"[\x21-\x7e]+", token.get_secret_value()):
            raise _refused("must be one word of plain letters, digits and signs")
        return token

    def core(self, layout: Layout) -> PagePlan | None:
        """The page's part of the plan; None where it is switched off."""
        if not self.enabled:
            return None
        token = None if self.token is None else Secret(self.token.get_secret_value())
        return PagePlan(layout, self.host, self.port, tuple(self.names), token)


def warnings_on(page: PagePlan | None) -> Iterator[str]:
    """What is allowed and still worth a second thought, as sentences."""
    if page is None or page.host == "localhost" or ipaddress.ip_address(page.host).is_loopback:
        return
    yield (
        f"page: it listens on {page.host} without encryption, so that everybody on that network can look"
        + (" and can overhear the token of whoever acts" if page.token is not None else "")
        + "; never let it be reached from the internet"
    )


def _refused(sentence: str) -> PydanticCustomError:
    return PydanticCustomError("refused", "{sentence}", {"sentence": sentence})


ReservoirId = Annotated[str, Field(pattern=ID_PATTERN)]


class BridgeTable(Table):
    """``[bridge]``: its names."""

    id: str = Field(
        default="clearwell",
        pattern=ID_PATTERN,
        description='lower-case letters and digits in groups joined by hyphens, such as "garden-bridge"',
    )
    name: str = Field(default="Clearwell", min_length=1, description="what people call the bridge")


class TlsTable(Table):
    """``hub.tls``: encryption. An empty table trusts the authorities of the operating system."""

    ca_file: str | None = Field(
        default=None, min_length=1, description="the authority's certificate, a PEM file"
    )
    cert_file: str | None = Field(default=None, min_length=1, description="a client certificate, a PEM file")
    key_file: str | None = Field(
        default=None, min_length=1, description="the client certificate's key, a PEM file"
    )


class AnnouncementTable(Table):
    """``[[hub.announcement]]``: one message by template."""

    topic: str = Field(min_length=1, description="the topic, with places such as ${reservoir}")
    payload: str = Field(description="the payload, with places such as ${reservoir_name}")
    each: Literal["bridge", "reservoir", "property"] = Field(
        description="what it is sent for: 'bridge', 'reservoir' or 'property'"
    )
    retain: bool = Field(default=True, description="whether the broker keeps it")
    escape_json: bool = Field(default=True, description="true where the payload is JSON")
    only: list[str] = Field(
        default_factory=list, description="the properties it is for, such as 'product/ppm'; all if empty"
    )

    def core(self) -> AnnouncementTemplate:
        return AnnouncementTemplate(
            self.topic, self.payload, Each(self.each), self.retain, self.escape_json, tuple(self.only)
        )

    @model_validator(mode="after")
    def _sound(self) -> "AnnouncementTable":
        sound(self.core)
        return self


class HubTable(Table):
    """``[hub]``: the broker, and what is said to it."""

    host: str = Field(
        pattern=r"^[^\s@/]+$",
        description='the broker\'s name or address and nothing else, such as "localhost"',
    )
    port: int | None = Field(default=None, ge=1, le=65535, description="the broker's port")
    client_id: str | None = Field(
        default=None, min_length=1, description="an id that no other client of the broker uses"
    )
    username: str | None = Field(default=None, min_length=1, description="the user name", repr=False)
    password: SecretStr | None = Field(default=None, description="the password", repr=False)
    version: Literal["5", "3.1.1"] = Field(default="5", description="the version of MQTT")
    tls: TlsTable | None = Field(
        default=None, description="a table; an empty one trusts the system's authorities"
    )
    keepalive_s: int = Field(default=30, ge=5, le=3600, description="how long the broker waits, in seconds")
    prefix: str = Field(
        default="homie",
        pattern=r"^[^/+#$\x00-\x1f]+$",
        description="the first level of every topic, one word",
    )
    heartbeat_s: float = positive("how often every value is published at least, in seconds", 300.0)
    announcement: list[AnnouncementTable] = Field(default_factory=list, description="tables of announcements")


class OutboxTable(Table):
    """``log.outbox``: what is sent to the hub's log, as SenML records."""

    enabled: bool = Field(default=True, description="whether records are sent at all")
    every_s: float = Field(
        default=10.0, ge=0, le=3600, description="at most one reading in so many seconds; 0 for all"
    )
    limit_mib: int = Field(default=32, ge=1, le=4096, description="how much may wait for the broker, in MiB")


class LogTable(Table):
    """``[log]``: what is kept on disk."""

    enabled: bool = Field(
        default=True, description="whether a log is kept; without one nothing survives a restart"
    )
    path: str | None = Field(default=None, min_length=1, description="the file of the log")
    raw_days: int = Field(default=14, ge=1, le=3660, description="how long readings are kept, in days")
    years: int = Field(default=20, ge=1, le=100, description="how long everything else is kept, in years")
    outbox: OutboxTable = Field(default=OutboxTable(), description="a table about the hub's log")


class Settings(BaseSettings):
    """Everything that can be set.

    Read it with :func:`bridge.config.loading.read`, which knows the sources.
    """

    model_config = SettingsConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)

    secrets_dir: str | None = Field(
        default=None,
        min_length=1,
        description="a directory with the files hub_username, hub_password and page_token",
    )
    bridge: BridgeTable = Field(default=BridgeTable(), description="a table with 'id' and 'name'")
    log: LogTable = Field(default=LogTable(), description="a table about the log on disk")
    hub: HubTable | None = Field(default=None, description="a table about the broker, with 'host'")
    page: PageTable | None = Field(default=None, description="a table about the page on the home network")
    display: DisplayTable = Field(
        default=DisplayTable(), description="a table about the units in which people are shown things"
    )
    reservoir: dict[ReservoirId, ReservoirTable] = Field(
        default_factory=dict,
        description="at least one table [reservoir.<id>], such as [reservoir.barrel]",
    )
    purifier: dict[ReservoirId, HandTable] = Field(
        default_factory=dict,
        description="tables [purifier.<id>], such as [purifier.pitcher], of purifiers that are kept by hand",
    )
    shelf: dict[ReservoirId, ShelfTable] = Field(
        default_factory=dict,
        description="tables [shelf.<id>], such as [shelf.jugs], of water that stands in jugs",
    )
