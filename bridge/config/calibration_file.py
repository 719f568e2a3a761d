"""The file of calibrations that ``clearwell calibrate`` writes and the daemon reads over the configuration.

``clearwell-calibration.toml`` is beside the log, or beside the configuration if no log is kept; both places
are searched. It holds every calibration ever made. The newest one of each cell overrides the configuration,
and the environment overrides that.
"""

import json
import os
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from pydantic import AwareDatetime, Field, ValidationError

from bridge.config.mistakes import Mistakes, from_validation
from bridge.config.tables import ID_PATTERN, Table, from_zero
from bridge.errors import InputError
from bridge.station.plan import CalibrationInForce, ProbePlan, StationPlan
from bridge.water.calibration import PastCalibration, constant_percent, drift_percent_per_year
from bridge.water.conductivity import (
    LARGEST_CONSTANT_PER_CM,
    LARGEST_OFFSET_US,
    SMALLEST_CONSTANT_PER_CM,
)

NAME = "clearwell-calibration.toml"
_HEAD = """\
# Written by `clearwell calibrate`, and read over the configuration: of each cell the newest calibration
# counts. The older ones are its history. To go back to an earlier one, take out those after it.
"""


class CalibrationTable(Table):
    """``[[calibration]]``: one cell in one or two standard solutions."""

    reservoir: str = Field(pattern=ID_PATTERN, description="the id of the reservoir")
    cell: Literal["product", "feed", "check_cell"] = Field(description="'product', 'feed' or 'check_cell'")
    made: AwareDatetime = Field(description="when, with the offset from UTC, such as 2025-04-01T10:00:00Z")
    standard: str = Field(min_length=1, description="the standard solution, or two with a plus sign between")
    temperature_c: float = Field(description="the temperature of the solution in °C")
    cell_constant_per_cm: float = Field(
        ge=SMALLEST_CONSTANT_PER_CM,
        le=LARGEST_CONSTANT_PER_CM,
        description="the cell constant in cm⁻¹",
    )
    offset_us: float = Field(ge=-LARGEST_OFFSET_US, le=LARGEST_OFFSET_US, description="the offset in µS")
    cell_constant_percent: float = from_zero(
        "the standard uncertainty (k = 1) of the constant, in per cent", ...
    )
    own_percent: float | None = from_zero(
        "the same without the error of the thermometer, which the readings share; missing in older files"
    )
    percent_per_k: float | None = Field(
        default=None, description="the change of the constant, in per cent for each K of the thermometer"
    )
    before_cell_constant_per_cm: float = Field(description="the constant that counted before, in cm⁻¹")
    before_offset_us: float = Field(description="the offset that counted before, in µS")
    configured_cell_constant_per_cm: float = Field(
        description="the constant that stood in the configuration at that time, in cm⁻¹"
    )


class _File(Table):
    calibration: list[CalibrationTable] = Field(default_factory=list, description="tables of calibrations")


@dataclass(frozen=True, slots=True)
class Found:
    """The newest calibration of one cell, and its file."""

    table: CalibrationTable
    file: Path
    past: tuple[PastCalibration, ...]
    """Every calibration of this cell."""

    def age_s(self, now_s: float) -> float:
        """The age of the newest calibration; 0 for one in the future, while a clock is not set."""
        return max(now_s - self.table.made.timestamp(), 0.0)


Newest = dict[tuple[str, str], Found]
"""By reservoir and cell."""


def place_of(configuration: Path, log: Path | None) -> Path:
    """Return the file to write to: beside the log, or beside the configuration if there is no log."""
    return (configuration if log is None else log).parent / NAME


def newest(places: Sequence[Path]) -> Newest:
    """Find the newest calibration of each cell in those of these files that exist.

    Raises:
        InputError: A file is wrong: one line for each mistake.
    """
    found: Newest = {}
    for path in dict.fromkeys(places):
        for table in history(path):
            key = (table.reservoir, table.cell)
            past = (*(found[key].past if key in found else ()), _past(table))
            if key not in found or table.made >= found[key].table.made:
                found[key] = Found(table, path, past)
            else:
                found[key] = replace(found[key], past=past)
    return found


def _past(table: CalibrationTable) -> PastCalibration:
    percent = table.cell_constant_percent if table.own_percent is None else table.own_percent
    return PastCalibration(table.made.timestamp(), table.cell_constant_per_cm, percent)


def history(path: Path) -> list[CalibrationTable]:
    """Read every calibration in a file, in the order of the file; none if there is no file.

    Raises:
        InputError: The file cannot be read or is wrong.
    """
    try:
        values = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path}: the calibrations cannot be read ({error}); correct that, or move the file away"
        ) from error
    try:
        return _File.model_validate(values).calibration
    except ValidationError as error:
        mistakes = Mistakes(str(path))
        for details in error.errors(include_url=False):
            mistakes.note(from_validation(_File, details))
        mistakes.refuse()
        raise InputError(f"{path}: {error}") from error


def values_of(found: Newest, tables: object, now_s: float) -> dict[str, Any]:
    """Return the calibrations of the cells that the configuration has, as tables of a configuration.

    Args:
        found: The calibrations.
        tables: The tables of the reservoirs.
        now_s: The present time, UTC seconds: the uncertainty of a constant grows with its age.
    """
    values: dict[str, Any] = {}
    for (reservoir, name), one in found.items():
        if _probe_table(tables, reservoir, name) is None:
            continue
        values.setdefault(reservoir, {})[name] = {
            "cell_constant_per_cm": one.table.cell_constant_per_cm,
            "offset_us": one.table.offset_us,
            "uncertainty": {"cell_constant_percent": constant_percent(now_s, one.past)},
        }
    return {"reservoir": values} if values else {}


def notes_on(found: Newest, tables: object) -> tuple[str, ...]:
    """Return warnings about calibrations that disagree with the configuration."""
    notes = []
    for (reservoir, name), one in found.items():
        probe = _probe_table(tables, reservoir, name)
        where = f"{one.file} has a calibration of {one.table.made:%Y-%m-%d} for {reservoir}.{name}"
        if probe is None:
            notes.append(f"{where}, a cell that is not in the configuration; it has no effect")
            continue
        configured = probe.get("cell_constant_per_cm")
        if configured != one.table.configured_cell_constant_per_cm:
            notes.append(
                f"{where}, and the cell constant in the configuration has changed since (from "
                f"{one.table.configured_cell_constant_per_cm:g} to {configured} cm⁻¹); the calibration "
                "counts. If the cell is new, calibrate it, or remove the old calibrations from that file"
            )
    return tuple(notes)


def in_force(station: StationPlan, found: Newest, overrides: Mapping[str, Any], now_s: float) -> StationPlan:
    """Add to a plan which calibration each cell has; a cell that the environment sets has none."""
    ident = station.identity.reservoir

    def known(probe: ProbePlan | None, name: str) -> ProbePlan | None:
        return None if probe is None else _known(probe, ident, name, found, overrides, now_s)

    return replace(
        station,
        product=_known(station.product, ident, "product", found, overrides, now_s),
        feed=known(station.feed, "feed"),
        check=known(station.check, "check_cell"),
    )


def _known(
    probe: ProbePlan, reservoir: str, name: str, found: Newest, overrides: Mapping[str, Any], now_s: float
) -> ProbePlan:
    one = found.get((reservoir, name))
    over = _probe_table(overrides.get("reservoir"), reservoir, name) or {}
    if one is None or "cell_constant_per_cm" in over:
        return probe
    table = one.table
    calibration = CalibrationInForce(
        table.made,
        table.standard,
        table.cell_constant_percent,
        one.file,
        drift_percent_per_year(one.past),
        one.age_s(now_s),
    )
    chain = probe.chain
    if table.own_percent is not None and table.percent_per_k is not None and "uncertainty" not in over:
        uncertainties = replace(chain.uncertainties, calibration_percent_per_k=table.percent_per_k)
        chain = replace(chain, uncertainties=uncertainties)
    return replace(probe, chain=chain, calibration=calibration)


def _probe_table(tables: object, reservoir: str, name: str) -> dict[str, Any] | None:
    table = tables.get(reservoir) if isinstance(tables, dict) else None
    probe = table.get(name) if isinstance(table, dict) else None
    return probe if isinstance(probe, dict) else None


def append(path: Path, table: CalibrationTable) -> None:
    """Add a calibration to the file.

    The file is replaced as a whole, so that a power cut leaves either the old one or the new one.

    Raises:
        InputError: The present file is wrong, or the new one cannot be written.
    """
    history(path)
    try:
        before = path.read_text("utf-8") if path.exists() else _HEAD
        text = before.rstrip("\n") + "\n\n" + _written(table)
        new = path.with_name(path.name + ".new")
        with new.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            new.chmod(path.stat().st_mode & 0o777)
        new.replace(path)
    except OSError as error:
        raise InputError(
            f"{path}: the calibration cannot be written ({error.strerror}); run this as the daemon's user, "
            "or allow this user to write into that directory"
        ) from error


def _written(table: CalibrationTable) -> str:
    lines = ["[[calibration]]"]
    for key, value in table.model_dump(exclude_none=True).items():
        if isinstance(value, datetime):
            text = value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        else:
            # A JSON string is a TOML string, and repr() of a finite float is a TOML float.
            text = json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(float(value))
        lines.append(f"{key} = {text}")
    return "\n".join(lines) + "\n"
