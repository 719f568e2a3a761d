"""The whole configuration as a model: the bridge, the hub, and the reservoirs."""

from typing import Annotated, Literal

from pydantic import Field, SecretStr, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from bridge.mqtt.announcements import AnnouncementTemplate, Each
from bridge.settings.by_hand import HandTable, ShelfTable
from bridge.settings.display import DisplayTable
from bridge.settings.page import PageTable
from bridge.settings.reservoir import ReservoirTable
from bridge.settings.table import ID_PATTERN, Table, positive, sound

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
    """Everything that can be set. Read it with :func:`bridge.settings.file.read`, which knows the sources."""

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
