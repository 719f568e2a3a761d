"""Reads a configuration: from its sources to the plan of the daemon, with every mistake in one message.

:mod:`bridge.config.sources` describes where the values come from.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_settings import InitSettingsSource

from bridge.config.building import hub_plan, log_plan, station_plan
from bridge.config.by_hand import HandTable, ShelfTable, check_ids
from bridge.config.calibration_file import in_force, newest, notes_on, place_of, values_of
from bridge.config.mistakes import Mistakes, from_validation
from bridge.config.model import BridgeTable, HubTable, LogTable, Settings, warnings_on
from bridge.config.plan import BridgePlan
from bridge.config.reservoir import ReservoirTable
from bridge.config.sources import (
    CREDENTIALS,
    EnvironmentSource,
    SecretFilesSource,
    merge,
    merged_from,
    settings_from,
    toml_source,
)
from bridge.config.tables import Table
from bridge.config.warnings import warnings_of
from bridge.mqtt.topics import Layout
from bridge.units import DisplayUnits

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
    try:
        settings = settings_from(sources)
    except ValidationError as error:
        for details in error.errors(include_url=False):
            mistakes.note(from_validation(Settings, details))
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
        purifiers, shelves = settings.purifier, settings.shelf

    hub_part = None
    if hub is not None and bridge is not None:
        hub_part = hub_plan(hub, bridge, path.parent, mistakes)
    stations = [station_plan(ident, table, mistakes) for ident, table in reservoirs.items()]
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
    plan = BridgePlan(
        stations=kept,
        hub=hub_part,
        log=log_part,
        display=display,
        by_hand=by_hand,
        shelves=on_shelves,
        page=page_part,
    )
    notes = notes_on(calibrations, reservoir_tables)
    return Configuration(
        plan, (*warnings_of(plan), *warnings_on(page_part), *_about_files(plan), *notes, *environment.strays)
    )


def _calibration_places(path: Path, environ: Mapping[str, str], values: dict[str, Any]) -> list[Path]:
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
