"""The configuration: from its sources to what the daemon is to do, with every mistake in one message.

Where the values come from is told in :mod:`bridge.config.sources`.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from bridge.config.building import hub as hub_plan
from bridge.config.building import log as log_plan
from bridge.config.building import station
from bridge.config.by_hand import HandTable, ShelfTable, check_ids
from bridge.config.calibration_file import in_force, newest, notes_on, place_of, values_of
from bridge.config.mistakes import Mistakes, from_validation
from bridge.config.model import BridgeTable, HubTable, LogTable, Settings, warnings_on
from bridge.config.plan import BridgePlan
from bridge.config.reservoir import ReservoirTable
from bridge.config.sources import (
    merged_from,
    over,
    overrides_in,
    refuse_secrets,
    secrets_for,
    settings_from,
    written_in,
)
from bridge.config.tables import Table
from bridge.config.warnings import warnings_of
from bridge.mqtt.topics import Layout
from bridge.units import DisplayUnits

STATE_DIRECTORY = "STATE_DIRECTORY"

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
    written = written_in(path)
    refuse_secrets(written, mistakes)
    overrides, mistakes.origins, strays = overrides_in(environ, mistakes)
    secrets = secrets_for(path, environ, written, overrides, mistakes)
    calibrations = newest(_calibration_places(path, environ, over(written, overrides)))
    reservoir_tables = written.get("reservoir")
    sources = (overrides, secrets, values_of(calibrations, reservoir_tables), written)
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
