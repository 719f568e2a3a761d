"""Reads a configuration: from its sources to the plan of the daemon, with every mistake in one message.

The sources, in the order in which they count: each may override those after it.

1. The environment.
2. Secret files: the broker's user name and password and the page's token. They come from the environment, or
   from the files ``hub_username``, ``hub_password`` and ``page_token`` in the directory that ``secrets_dir``
   names, or else in the one that systemd names by ``CREDENTIALS_DIRECTORY``.
3. The calibrations that ``clearwell calibrate`` wrote.
4. The TOML file.
"""

import os
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic_settings import InitSettingsSource

from bridge.config.building import hub_plan, log_plan, socket_path, station_plan
from bridge.config.by_hand import HandTable, MeterTable, ShelfTable, trays_plan
from bridge.config.calibration_file import in_force, newest, notes_on, place_of, values_of
from bridge.config.mistakes import Mistake, Mistakes, from_validation, similar
from bridge.config.model import BridgeTable, HubTable, LogTable, Settings, warnings_on
from bridge.config.plan import BridgePlan, TraysPlan
from bridge.config.reservoir import ReservoirTable
from bridge.config.sources import (
    CREDENTIALS,
    TABLES_BY_ID,
    EnvironmentSource,
    SecretFilesSource,
    merge,
    merged_from,
    settings_from,
    toml_source,
)
from bridge.config.tables import Table
from bridge.config.warnings import about_rating, warnings_of
from bridge.mqtt.topics import Layout
from bridge.station.plan import StationPlan
from bridge.units import DisplayUnits
from bridge.water.meter import HandMeter

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
    now_s = time.time()
    reservoir_tables = file.toml_data.get("reservoir")
    calibrated = InitSettingsSource(Settings, values_of(calibrations, reservoir_tables, now_s))
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
    rooms = {room: merged.get(room, {}) for room in TABLES_BY_ID}
    if all(isinstance(ids, dict) for ids in rooms.values()):
        _check_ids({room: list(ids) for room, ids in rooms.items()}, mistakes)
    mistakes.refuse()
    log_part = None if log is None else log_plan(log, path.parent, environ.get(STATE_DIRECTORY))
    kept = tuple(
        _with_meter(in_force(one, calibrations, overrides, now_s), reservoirs, hand_meters)
        for one in stations
        if one is not None
    )
    by_hand = tuple(table.core(ident) for ident, table in purifiers.items())
    on_shelves = tuple(table.core(ident) for ident, table in shelves.items())
    if trays is not None or any(shelf.roof is not None for shelf in on_shelves):
        kept = tuple(_with_garden(one, trays, [other.identity.reservoir for other in kept]) for one in kept)
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


def _with_garden(station: StationPlan, trays: TraysPlan | None, reservoirs: Sequence[str]) -> StationPlan:
    """Return a station that takes the weather, and shows the round of its trays if it has some."""
    has_trays = trays is not None and bool(trays.shown_with(station.identity.reservoir, reservoirs))
    return replace(station, identity=replace(station.identity, has_trays=has_trays, needs_weather=True))


def _calibration_places(path: Path, environ: Mapping[str, str], values: dict[str, Any]) -> list[Path]:
    log = _part(LogTable, values.get("log", {}))
    log_part = None if log is None else log_plan(log, path.parent, environ.get(STATE_DIRECTORY))
    return [place_of(path, None), place_of(path, None if log_part is None else log_part.path)]


def _about_environment(
    found: list[Mistake], written: Mapping[str, Any], mistakes: Mistakes
) -> Iterator[Mistake]:
    """Replace what is missing in a table that only misspelt variables of the environment began."""
    for mistake in found:
        room = str(mistake.keys[0]) if mistake.keys else ""
        depth = 2 if room in TABLES_BY_ID else 1
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
