"""Reads a configuration: from its sources to the plan of the daemon, with every mistake in one message.

The sources, in the order in which they count: each may override those after it.

1. The environment: ``CLEARWELL_HUB__HOST=localhost`` sets ``[hub] host``. Two underscores go one table
   deeper. Numbers, ``true``, lists and tables are written as in TOML, texts as they are. Ids have no
   underscores, so ``NORTH_BARREL`` means ``north-barrel``.
2. Secret files: the broker's user name and password and the page's token never stand in the TOML file. They
   come from the environment, or from the files ``hub_username``, ``hub_password`` and ``page_token`` in the
   directory that ``secrets_dir`` names, or else in the one that systemd names by ``CREDENTIALS_DIRECTORY``.
3. The calibrations that ``clearwell calibrate`` wrote.
4. The TOML file.
"""

import os
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    InitSettingsSource,
    PydanticBaseSettingsSource,
    TomlConfigSettingsSource,
)

from bridge.config.building import hub_plan, log_plan, socket_path, station_plan
from bridge.config.by_hand import HandTable, MeterTable, ShelfTable
from bridge.config.calibration_file import in_force, newest, notes_on, place_of, values_of
from bridge.config.model import BridgeTable, HubTable, LogTable, Settings, warnings_on
from bridge.config.plan import BridgePlan
from bridge.config.reservoir import ReservoirTable
from bridge.config.tables import SECRETS, Mistake, Mistakes, Table, from_validation, similar
from bridge.config.toml_hints import toml_hint
from bridge.config.trays import trays_plan
from bridge.config.warnings import about_rating, warnings_of
from bridge.errors import InputError
from bridge.mqtt.topics import Layout
from bridge.station.plan import StationPlan
from bridge.units import DisplayUnits
from bridge.water.meter import HandMeter

PREFIX = "CLEARWELL_"
DELIMITER = "__"
CREDENTIALS = "CREDENTIALS_DIRECTORY"
LONGEST_SECRET_BYTES = 65535
"""MQTT carries no more."""
_TABLES_BY_ID = ("reservoir", "purifier", "shelf", "tray", "meter")


def settings_from(sources: tuple[PydanticBaseSettingsSource, ...]) -> Settings:
    """Build the model from sources of which an earlier one overrides a later one.

    Raises:
        pydantic.ValidationError: The values do not fit the model.
    """

    class Sourced(Settings):
        @classmethod
        def settings_customise_sources(
            cls, settings_cls: type[BaseSettings], *_: Any, **__: Any
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            return sources

    nothing_else: dict[str, Any] = {}
    return Sourced(**nothing_else)


def merged_from(sources: tuple[PydanticBaseSettingsSource, ...]) -> dict[str, Any]:
    """Merge the raw values of sources of which an earlier one overrides a later one."""
    merged: dict[str, Any] = {}
    for source in reversed(sources):
        merged = merge(merged, source())
    return merged


def merge(lower: dict[str, Any], upper: dict[str, Any]) -> dict[str, Any]:
    """Merge two tables key by key; where both have a value, ``upper`` counts."""
    both = dict(lower)
    for key, value in upper.items():
        below = both.get(key)
        both[key] = merge(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return both


def toml_source(path: Path, mistakes: Mistakes) -> TomlConfigSettingsSource:
    """Read the TOML file. Secrets that stand in it are noted as mistakes and taken out.

    Raises:
        InputError: There is no such file, it cannot be read, or it is not TOML.
    """
    try:
        if not path.is_file():
            what = "is not a file" if path.exists() else "there is no such file"
            raise InputError(f"{path}: {what}; give the path of a configuration in TOML")
        source = TomlConfigSettingsSource(Settings, path)
    except tomllib.TOMLDecodeError as error:
        hint = toml_hint(path.read_text("utf-8"), str(error))
        raise InputError(f"{path}: this is not TOML: {error}; {hint}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: this is not TOML, which is text in UTF-8; save it as UTF-8") from error
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); check the path and its rights"
        ) from error
    _refuse_secrets(source.toml_data, mistakes)
    return source


def _refuse_secrets(written: dict[str, Any], mistakes: Mistakes) -> None:
    for name, keys in SECRETS.items():
        table = written.get(name)
        if not isinstance(table, dict):
            continue
        for key in keys:
            if key not in table:
                continue
            del table[key]
            mistakes.add(
                (name, key),
                "must not stand in the file, because files are copied and shown around; give "
                f"{PREFIX}{name.upper()}{DELIMITER}{key.upper()} in the environment, or a file {name}_{key} "
                "in the directory that secrets_dir names",
            )


class EnvironmentSource(EnvSettingsSource):
    """Values from variables such as ``CLEARWELL_HUB__HOST``, with lists and tables written as in TOML.

    Args:
        environ: The environment.
        mistakes: Receives variables that cannot set anything, and which variable set which key.

    Attributes:
        strays: A sentence for each variable with our prefix that sets nothing. Another program may use the
            prefix too: a container's host names variables after its services.
    """

    def __init__(self, environ: Mapping[str, str], mistakes: Mistakes) -> None:
        super().__init__(Settings, env_prefix=PREFIX.lower(), env_nested_delimiter=DELIMITER)
        by_keys: dict[tuple[str, ...], str] = {}
        strays = []
        for name in sorted(name for name in environ if name.startswith(PREFIX)):
            keys: tuple[str, ...] = tuple(name.removeprefix(PREFIX).lower().split(DELIMITER))
            if keys[0] not in Settings.model_fields:
                known = [PREFIX + key.upper() for key in Settings.model_fields]
                if len(keys) == 1:
                    strays.append(f"the environment variable {name} sets nothing; {similar(name, known)}")
                else:
                    mistakes.add(keys[:1], f"there is no such table; {similar(keys[0], list(SECTIONS))}")
                    by_keys[keys[:1]] = name
                continue
            if keys[0] in _TABLES_BY_ID and len(keys) > 1:
                keys = (keys[0], keys[1].replace("_", "-"), *keys[2:])
            by_keys[keys] = name
        self.strays = tuple(strays)
        self.env_vars = {}
        for keys, name in by_keys.items():
            above = [keys[:length] for length in range(1, len(keys)) if keys[:length] in by_keys]
            if "" in keys or any(not self._is_table(environ[by_keys[one]]) for one in above):
                mistakes.add((), f"the environment variable {name} leads into something that is not a table")
                continue
            self.env_vars[PREFIX.lower() + DELIMITER.join(keys)] = environ[name]
            mistakes.origins[keys] = name

    def decode_complex_value(self, field_name: str, field: FieldInfo, value: Any) -> Any:
        """Read a list or a table as TOML; anything else stays a text, which the model then refuses."""
        try:
            return tomllib.loads(f"value = {value}")["value"]
        except tomllib.TOMLDecodeError:
            return value

    def _is_table(self, text: str) -> bool:
        try:
            return isinstance(tomllib.loads(f"value = {text}")["value"], dict)
        except tomllib.TOMLDecodeError:
            return False


SECTIONS = tuple(name for name in Settings.model_fields if name != "secrets_dir")


class SecretFilesSource(PydanticBaseSettingsSource):
    """Secrets from a directory, each in a file of its own, for the tables that the configuration has.

    The secrets source of pydantic-settings takes any key from any file of the directory and strips the spaces
    of a password, so this one reads only the files that it knows.

    Args:
        base: The directory that a relative ``secrets_dir`` starts from.
        credentials: The directory that the service manager names, if any.
        values: The values of the environment over those of the file.
        mistakes: Receives what is wrong with the files.
    """

    def __init__(
        self, base: Path, credentials: str | None, values: Mapping[str, Any], mistakes: Mistakes
    ) -> None:
        super().__init__(Settings)
        tables = [name for name in SECRETS if isinstance(values.get(name), dict)]
        named = values.get("secrets_dir")
        directory = credentials if named is None else named
        self._found: dict[str, dict[str, str]] = {}
        if not tables or not directory or not isinstance(directory, str):
            return
        wanted = [(name, key) for name in tables for key in SECRETS[name]]
        for name, key in wanted:
            secret = _secret(base / directory / f"{name}_{key}", mistakes)
            if secret is not None:
                self._found.setdefault(name, {})[key] = secret
        if named is not None and not self._found:
            files = " or ".join(f"{name}_{key}" for name, key in wanted)
            mistakes.add(
                ("secrets_dir",), f"has no {files} in it; create the file, or correct the directory", named
            )

    def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:
        """Return the secrets of one table, as pydantic-settings asks for them."""
        return self._found.get(field_name), field_name, False

    def __call__(self) -> dict[str, Any]:
        """Return the secrets by table and key."""
        return dict(self._found)


def _secret(file: Path, mistakes: Mistakes) -> str | None:
    try:
        if not file.exists():
            return None
        secret = file.read_bytes()[: LONGEST_SECRET_BYTES + 1].decode().rstrip("\r\n")
    except (OSError, UnicodeDecodeError):
        mistakes.add(
            (), f"the secret in {file} cannot be read; it must be one line of text that you may read"
        )
        return None
    if not 0 < len(secret.encode()) <= LONGEST_SECRET_BYTES:
        mistakes.add((), f"the secret in {file} is empty or far too long; it must be one line of text")
    return secret


STATE_DIRECTORY = "STATE_DIRECTORY"

T = TypeVar("T", bound=Table)


@dataclass(frozen=True, slots=True)
class Configuration:
    """A configuration without mistakes."""

    plan: BridgePlan
    warnings: tuple[str, ...]
    """Sentences about values that are allowed but questionable."""


def load(path: Path, environ: Mapping[str, str]) -> BridgePlan:
    """Read a configuration and return its plan.

    Args:
        path: The TOML file.
        environ: The environment, usually ``os.environ``.

    Raises:
        InputError: The file is missing, is not TOML, or has mistakes: one line for each, with the file, the
            key, the value and what would be right. No line shows a secret.
    """
    return read(path, environ).plan


def read(path: Path, environ: Mapping[str, str]) -> Configuration:
    """Read a configuration as :func:`load` does, and return its plan with its warnings.

    Raises:
        InputError: As for :func:`load`.
    """
    mistakes = Mistakes(str(path))
    file = toml_source(path, mistakes)
    environment = EnvironmentSource(environ, mistakes)
    overrides = environment()
    values = merge(file.toml_data, overrides)
    secrets = SecretFilesSource(path.parent, environ.get(CREDENTIALS), values, mistakes)
    calibrations = newest(_calibration_places(path, environ, values))
    reservoir_tables = file.toml_data.get("reservoir")
    calibrated = InitSettingsSource(Settings, values_of(calibrations, reservoir_tables))
    sources = (environment, secrets, calibrated, file)
    merged = merged_from(sources)

    bridge = hub = log = page = None
    display = DisplayUnits()
    reservoirs: dict[str, ReservoirTable] = {}
    purifiers: dict[str, HandTable] = {}
    shelves: dict[str, ShelfTable] = {}
    meters: dict[str, MeterTable] = {}
    trays = settings = None
    try:
        settings = settings_from(sources)
    except ValidationError as error:
        for mistake in _about_environment(
            [from_validation(Settings, details) for details in error.errors(include_url=False)],
            file.toml_data,
            mistakes,
        ):
            mistakes.note(mistake)
        # Checks the other tables too, so that all mistakes are reported at once.
        hub = _part(HubTable, merged.get("hub"))
        bridge = _part(BridgeTable, merged.get("bridge", {}))
        log = _part(LogTable, merged.get("log", {}))
        tables = merged.get("reservoir")
        for ident, table in tables.items() if isinstance(tables, dict) else ():
            if (reservoir := _part(ReservoirTable, table)) is not None:
                reservoirs[ident] = reservoir
    else:
        bridge, hub, log, page = settings.bridge, settings.hub, settings.log, settings.page
        display = settings.display.core()
        reservoirs = dict(settings.reservoir)
        purifiers, shelves, meters = settings.purifier, settings.shelf, settings.meter
        waters = [*reservoirs, *purifiers, *shelves]
        trays = trays_plan(settings.tray, settings.weather, settings.round, waters, path.parent, mistakes)

    hub_part = None
    if hub is not None and bridge is not None:
        hub_part = hub_plan(hub, bridge, path.parent, mistakes)
    hand_meters = {ident: table.core(ident) for ident, table in meters.items()}
    stations = [station_plan(ident, table, mistakes) for ident, table in reservoirs.items()]
    for ident, table in reservoirs.items():
        if settings is not None and table.meter is not None and table.meter not in hand_meters:
            there = ", ".join(hand_meters) or "none"
            mistakes.add(
                ("reservoir", ident, "meter"), f"there is no table [meter.{table.meter}], only {there}"
            )
    page_part = None
    if page is not None and bridge is not None and (hub is None or hub_part is not None):
        layout = Layout(bridge.id, bridge.name) if hub_part is None else hub_part.layout
        page_part = page.core(layout)
    _check_ports(merged.get("reservoir"), mistakes)
    rooms = {room: merged.get(room, {}) for room in _TABLES_BY_ID}
    if all(isinstance(ids, dict) for ids in rooms.values()):
        _check_ids({room: list(ids) for room, ids in rooms.items()}, mistakes)
    mistakes.refuse()
    log_part = None if log is None else log_plan(log, path.parent, environ.get(STATE_DIRECTORY))
    kept = tuple(
        _with_meter(in_force(one, calibrations, overrides), reservoirs, hand_meters)
        for one in stations
        if one is not None
    )
    by_hand = tuple(table.core(ident) for ident, table in purifiers.items())
    on_shelves = tuple(table.core(ident) for ident, table in shelves.items())
    socket = None if bridge is None else socket_path(bridge, log_part, path.parent)
    plan = BridgePlan(
        stations=kept,
        hub=hub_part,
        log=log_part,
        display=display,
        by_hand=by_hand,
        shelves=on_shelves,
        meters=tuple(hand_meters.values()),
        page=page_part,
        socket=socket,
        trays=trays,
    )
    notes = notes_on(calibrations, reservoir_tables)
    ratings = [
        f"{room} {ident}: {sentence}"
        for room, tables in (("reservoir", reservoirs), ("purifier", purifiers))
        for ident, table in tables.items()
        if table.cartridge is not None
        for sentence in about_rating(table.cartridge, table.factor)
    ]
    return Configuration(
        plan,
        (
            *warnings_of(plan),
            *ratings,
            *warnings_on(page_part),
            *_about_files(plan),
            *notes,
            *environment.strays,
        ),
    )


def _with_meter(
    station: StationPlan, reservoirs: Mapping[str, ReservoirTable], meters: Mapping[str, HandMeter]
) -> StationPlan:
    named = reservoirs[station.identity.reservoir].meter
    return station if named is None else replace(station, meter=meters[named])


def _calibration_places(path: Path, environ: Mapping[str, str], values: dict[str, Any]) -> list[Path]:
    log = _part(LogTable, values.get("log", {}))
    log_part = None if log is None else log_plan(log, path.parent, environ.get(STATE_DIRECTORY))
    return [place_of(path, None), place_of(path, None if log_part is None else log_part.path)]


def _about_environment(
    found: list[Mistake], written: Mapping[str, Any], mistakes: Mistakes
) -> Iterator[Mistake]:
    """Replaces what is missing in a table that only misspelt variables of the environment began."""
    for mistake in found:
        room = str(mistake.keys[0]) if mistake.keys else ""
        depth = 2 if room in _TABLES_BY_ID else 1
        table = mistake.keys[:depth]
        variables = [name for keys, name in mistakes.origins.items() if keys[:depth] == table]
        tables = written.get(room, {})
        in_file = room in written if depth == 1 else isinstance(tables, dict) and table[-1] in tables
        if in_file or not variables or not mistake.is_missing or len(mistake.keys) <= depth:
            yield mistake
        elif depth == 2 and tables:
            mistakes.origins[table] = variables[0]
            yield Mistake(table, f"the file has no such table; {similar(str(table[-1]), list(tables))}")
        elif not any(other.keys[:depth] == table and not other.is_missing for other in found):
            mistakes.origins[table] = variables[0]
            yield mistake


# --- checks across tables -------------------------------------------------------------------------


def _part(model: type[T], values: Any) -> T | None:
    try:
        return None if values is None else model.model_validate(values)
    except ValidationError:
        return None


def _check_ports(tables: Any, mistakes: Mistakes) -> None:
    # One device may have two names, so the real paths are compared.
    seen: dict[str, str] = {}
    for ident, table in tables.items() if isinstance(tables, dict) else ():
        port = table.get("port") if isinstance(table, dict) else None
        if not isinstance(port, str) or not port or "\0" in port:
            continue
        other = seen.setdefault(os.path.realpath(port), ident)
        if other != ident:
            mistakes.add(
                ("reservoir", ident, "port"),
                f"is already the port of the reservoir '{other}'; every reservoir needs its own controller",
                port,
            )


def _about_files(plan: BridgePlan) -> list[str]:
    tls = None if plan.hub is None else plan.hub.broker.tls
    files = () if tls is None else (tls.ca_file, tls.cert_file, tls.key_file)
    return [
        f"the file {file} for TLS is missing, or hidden from this user; without it the hub cannot be reached"
        for file in files
        if file is not None and not file.exists()
    ]


_TAKEN = frozenset({"rain", "jug", "tray", "feed", "reservoir", "product"})
"""Words that say what a sample is of, so that they cannot be the id of a purifier or a shelf."""


def _check_ids(tables: dict[str, list[str]], mistakes: Mistakes) -> None:
    """Check that no two tables share an id, because the log knows them by their ids alone.

    Args:
        tables: The ids by the kind of their table.
        mistakes: Receives the mistakes.
    """
    seen: dict[str, str] = {}
    for room, idents in tables.items():
        for ident in idents:
            if room not in ("reservoir", "tray") and ident in _TAKEN:
                words = ", ".join(sorted(_TAKEN))
                sentence = f"this word already says what a sample is of ({words}); choose another id"
                mistakes.add((room, ident), sentence)
            elif ident in seen:
                mistakes.add((room, ident), f"[{seen[ident]}.{ident}] already has this id; choose another")
            seen.setdefault(ident, room)
    if not any(room != "tray" for room in seen.values()):
        mistakes.add(
            ("reservoir",),
            "is missing; give at least one table [reservoir.<id>], such as [reservoir.barrel], or "
            "[purifier.<id>] for a purifier that is kept by hand",
        )
