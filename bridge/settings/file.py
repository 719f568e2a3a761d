"""The configuration: a TOML file, overrides from the environment, and secrets that are never in the file.

A value stands in the file, ``[hub] host = "localhost"``, or in the environment, where it counts more:
``CLEARWELL_HUB__HOST=localhost``. Two underscores go one table deeper; numbers, ``true``, lists and tables
are written as in TOML, texts as they are. An id of a reservoir has no underscores, so that ``NORTH_BARREL``
means ``north-barrel``.

The broker's user name and password, and the page's token, never stand in the file. They come from
``CLEARWELL_HUB__USERNAME``, ``CLEARWELL_HUB__PASSWORD`` and ``CLEARWELL_PAGE__TOKEN``, or from the files
``hub_username``, ``hub_password`` and ``page_token`` in a directory: the one named by ``secrets_dir``, or
else the one that systemd names by ``CREDENTIALS_DIRECTORY``.
"""

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    TomlConfigSettingsSource,
)

from bridge.display.units import DisplayUnits
from bridge.errors import InputError
from bridge.hub.topics import Layout
from bridge.plan import BridgePlan
from bridge.settings.by_hand import HandTable, ShelfTable, check_ids
from bridge.settings.calibration import in_force, newest, notes_on, place_of, values_of
from bridge.settings.mistakes import SECRETS, Mistakes, from_validation, similar
from bridge.settings.model import BridgeTable, HubTable, LogTable, Settings
from bridge.settings.page import warnings_on
from bridge.settings.plan import hub as hub_plan
from bridge.settings.plan import log as log_plan
from bridge.settings.plan import station
from bridge.settings.reservoir import ReservoirTable
from bridge.settings.table import Keys, Table, find, is_text
from bridge.settings.warnings import warnings_of

PREFIX = "CLEARWELL_"
CREDENTIALS = "CREDENTIALS_DIRECTORY"
STATE_DIRECTORY = "STATE_DIRECTORY"
LONGEST_SECRET = 65535
"""Bytes; MQTT carries no more."""

T = TypeVar("T", bound=Table)


@dataclass(frozen=True, slots=True)
class Configuration:
    """A configuration that is right."""

    plan: BridgePlan
    warnings: tuple[str, ...]
    """What is allowed and still worth a second thought, as sentences."""


def load(path: Path, environ: Mapping[str, str]) -> BridgePlan:
    """What the daemon is to do.

    :param path: the TOML file.
    :param environ: the environment, usually ``os.environ``.
    :raises InputError: the file is missing, is no TOML, or has mistakes: one line for each of them, with the
        file, the key, the value and what would be right. No secret is ever in it.
    """
    return read(path, environ).plan


def read(path: Path, environ: Mapping[str, str]) -> Configuration:
    """As :func:`load`, with the warnings."""
    mistakes = Mistakes(str(path))
    written = _written(path)
    _refuse_secrets(written, mistakes)
    overrides, mistakes.origins, strays = _overrides(environ, mistakes)
    secrets = _secrets(path, environ, written, overrides, mistakes)
    calibrations = newest(_calibration_places(path, environ, _over(written, overrides)))
    reservoir_tables = written.get("reservoir")
    sources = (overrides, secrets, values_of(calibrations, reservoir_tables), written)
    merged = _merged(sources)

    bridge = hub = log = page = None
    display = DisplayUnits()
    reservoirs: dict[str, ReservoirTable] = {}
    purifiers: dict[str, HandTable] = {}
    shelves: dict[str, ShelfTable] = {}
    try:
        settings = _settings(sources)
    except ValidationError as error:
        for details in error.errors(include_url=False):
            mistakes.note(from_validation(Settings, details))
        # What is right by itself is still looked at, so that one reading of the messages is enough.
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
        purifiers, shelves = settings.purifier, settings.shelf

    hub_part = None
    if hub is not None and bridge is not None:
        hub_part = hub_plan(hub, bridge, path.parent, mistakes)
    stations = [station(ident, table, mistakes) for ident, table in reservoirs.items()]
    page_part = None
    if page is not None and bridge is not None and (hub is None or hub_part is not None):
        layout = Layout(bridge.id, bridge.name) if hub_part is None else hub_part.layout
        page_part = page.core(layout)
    _check_ports(merged.get("reservoir"), mistakes)
    rooms = {room: merged.get(room, {}) for room in ("reservoir", "purifier", "shelf")}
    if all(isinstance(ids, dict) for ids in rooms.values()):
        check_ids({room: list(ids) for room, ids in rooms.items()}, mistakes)
    mistakes.refuse()
    log_part = None if log is None else log_plan(log, path.parent, environ.get(STATE_DIRECTORY))
    kept = tuple(in_force(one, calibrations, overrides) for one in stations if one is not None)
    by_hand = tuple(table.core(ident) for ident, table in purifiers.items())
    on_shelves = tuple(table.core(ident) for ident, table in shelves.items())
    plan = BridgePlan(kept, hub_part, log_part, display, by_hand, on_shelves, page_part)
    notes = notes_on(calibrations, reservoir_tables)
    return Configuration(
        plan, (*warnings_of(plan), *warnings_on(page_part), *_about_files(plan), *notes, *strays)
    )


# --- sources --------------------------------------------------------------------------------------


class _Source(PydanticBaseSettingsSource):
    """Values that were gathered already."""

    def __init__(self, settings_cls: type[BaseSettings], values: dict[str, Any]) -> None:
        super().__init__(settings_cls)
        self._values = values

    def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:
        return self._values.get(field_name), field_name, False

    def __call__(self) -> dict[str, Any]:
        return self._values


def _settings(sources: tuple[dict[str, Any], ...]) -> Settings:
    """The model, from sources of which an earlier one counts more than a later one."""

    class Here(Settings):
        @classmethod
        def settings_customise_sources(
            cls, settings_cls: type[BaseSettings], *_: Any, **__: Any
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            return tuple(_Source(settings_cls, values) for values in sources)

    nothing_else: dict[str, Any] = {}
    return Here(**nothing_else)


def _merged(sources: tuple[dict[str, Any], ...]) -> dict[str, Any]:
    merged: dict[str, Any] = {}
    for values in reversed(sources):
        merged = _over(merged, values)
    return merged


def _over(lower: dict[str, Any], upper: dict[str, Any]) -> dict[str, Any]:
    both = dict(lower)
    for key, value in upper.items():
        below = both.get(key)
        both[key] = _over(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return both


def _written(path: Path) -> dict[str, Any]:
    """What stands in the file."""
    try:
        if not path.is_file():
            what = "is not a file" if path.exists() else "there is no such file"
            raise InputError(f"{path}: {what}; give the path of a configuration in TOML")
        values: dict[str, Any] = TomlConfigSettingsSource(Settings, path).toml_data
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: this is not TOML: {error}; correct that place") from error
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path}: this is not TOML, which is text in UTF-8; save the file as that"
        ) from error
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); check the path and its rights"
        ) from error
    return values


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
                "must not stand in the file, which is copied and shown around; give "
                f"{PREFIX}{name.upper()}__{key.upper()} in the environment, or a file {name}_{key} in the "
                "directory that secrets_dir names",
            )


def _overrides(
    environ: Mapping[str, str], mistakes: Mistakes
) -> tuple[dict[str, Any], dict[Keys, str], tuple[str, ...]]:
    """What the environment sets, which variable set it, and a sentence on each variable that sets nothing."""
    values: dict[str, Any] = {}
    origins: dict[Keys, str] = {}
    strays = []
    for name in sorted(name for name in environ if name.startswith(PREFIX)):
        parts = name[len(PREFIX) :].lower().split("__")
        if len(parts) == 1 and parts[0] not in Settings.model_fields:
            # Others may use the prefix too: a container's host sets variables after the names of services.
            known = [PREFIX + key.upper() for key in Settings.model_fields]
            strays.append(f"the environment variable {name} sets nothing here; {similar(name, known)}")
            continue
        if parts[0] in ("reservoir", "purifier", "shelf") and len(parts) > 1:
            parts[1] = parts[1].replace("_", "-")
        keys = tuple(parts)
        table = values
        for key in keys[:-1]:
            table = table.setdefault(key, {})
            if not isinstance(table, dict):
                break
        if not isinstance(table, dict) or "" in keys:
            mistakes.add((), f"the environment variable {name} leads into something that is not a table")
            continue
        table[keys[-1]] = _literal(keys, environ[name])
        origins[keys] = name
    return values, origins, tuple(strays)


def _literal(keys: Keys, text: str) -> Any:
    if is_text(find(Settings, keys)[0]):
        return text
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _secrets(
    path: Path,
    environ: Mapping[str, str],
    written: dict[str, Any],
    overrides: dict[str, Any],
    mistakes: Mistakes,
) -> dict[str, Any]:
    """What is secret from a directory, for each table that is there, if a directory is named."""
    wanted = [name for name in SECRETS if isinstance(written.get(name, overrides.get(name)), dict)]
    if not wanted:
        return {}
    named = overrides.get("secrets_dir", written.get("secrets_dir"))
    directory = environ.get(CREDENTIALS) if named is None else named
    if not directory or not isinstance(directory, str):
        return {}
    place = path.parent / directory
    places = [(name, key) for name in wanted for key in SECRETS[name]]
    found: dict[str, dict[str, str]] = {}
    for name, key in places:
        file = place / f"{name}_{key}"
        try:
            if not file.exists():
                continue
            secret = file.read_bytes()[: LONGEST_SECRET + 1].decode().rstrip("\r\n")
        except (OSError, UnicodeDecodeError):
            mistakes.add(
                (), f"the secret in {file} cannot be read; it must be one line of text, and yours to read"
            )
            continue
        found.setdefault(name, {})[key] = secret
        if not 0 < len(secret.encode()) <= LONGEST_SECRET:
            mistakes.add((), f"the secret in {file} is empty or far too long; it must be one line of text")
    if named is not None and not found:
        mistakes.add(
            ("secrets_dir",),
            f"has no {' or '.join(f'{name}_{key}' for name, key in places)} in it; create "
            "what is wanted or correct it",
            named,
        )
    return dict(found)


def _calibration_places(path: Path, environ: Mapping[str, str], values: dict[str, Any]) -> list[Path]:
    """Where calibrations may lie: beside the configuration, and beside its log."""
    log = _part(LogTable, values.get("log", {}))
    log_part = None if log is None else log_plan(log, path.parent, environ.get(STATE_DIRECTORY))
    return [place_of(path, None), place_of(path, None if log_part is None else log_part.path)]


# --- checks across tables -------------------------------------------------------------------------


def _part(model: type[T], values: Any) -> T | None:
    try:
        return None if values is None else model.model_validate(values)
    except ValidationError:
        return None


def _check_ports(tables: Any, mistakes: Mistakes) -> None:
    """No two reservoirs on one device, also when it has two names."""
    seen: dict[str, str] = {}
    for ident, table in tables.items() if isinstance(tables, dict) else ():
        port = table.get("port") if isinstance(table, dict) else None
        if not isinstance(port, str) or not port or "\0" in port:
            continue
        other = seen.setdefault(os.path.realpath(port), ident)
        if other != ident:
            mistakes.add(
                ("reservoir", ident, "port"),
                f"is the port of the reservoir '{other}' already; every reservoir needs a controller of its "
                "own",
                port,
            )


def _about_files(plan: BridgePlan) -> list[str]:
    """Sentences on files that the plan names and that are not there."""
    tls = None if plan.hub is None else plan.hub.broker.tls
    files = () if tls is None else (tls.ca_file, tls.cert_file, tls.key_file)
    return [
        f"the file {file} for TLS is not there, or not for this user to see; without it the hub stays away"
        for file in files
        if file is not None and not file.exists()
    ]
