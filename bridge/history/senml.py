"""SenML (Sensor Measurement Lists, RFC 8428) as JSON: makes packs from rows, and parses packs. Core.

Numbers have the unscaled SI units of the SenML registry (RFC 8428, section 12.1): siemens, S/m, cubic metres,
mass ratio. Times are seconds since 1970 with milliseconds. Name and time identify a record: a receiver that
gets it twice may drop either.
"""

import json
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from bridge.errors import InputError
from bridge.history.records import KINDS, Bucket, EntryRow, Kind, ReadingRow, Series, StampedRow, details
from bridge.history.rollup import MINUTE_MS

VERSION = 10
"""The version of SenML that RFC 8428 defines (section 4.4)."""
RELATIVE_BELOW_S = 2.0**28
"""Times below this are seconds from now, not since 1970 (section 4.5.3)."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*\Z")
"""Section 4.5.1."""

ENTRY_NUMBERS: dict[str, tuple[str, str | None, float]] = {
    "treated_l": ("treated-volume", "m3", 1e-3),
    "load_g": ("load", "kg", 1e-3),
    "at_ms": ("happened", "s", 1e-3),
    "cell_constant_per_cm": ("cell-constant-per-cm", None, 1.0),
    "offset_us": ("offset", "S", 1e-6),
    "standard_us_cm": ("standard", "S/m", 1e-4),
    "temperature_c": ("temperature", "Cel", 1.0),
    "uncertainty_percent": ("uncertainty", "/", 1e-2),
    "conductivity_25_us_cm": ("conductivity-25", "S/m", 1e-4),
    "dissolved_solids_ppm": ("solids", "/", 1e-6),
    "uncertainty_ppm": ("solids-uncertainty", "/", 1e-6),
    "meter_uncertainty_ppm": ("meter-uncertainty", "/", 1e-6),
    "undone_ms": ("undone", "s", 1e-3),
    "factor": ("factor", None, 1.0),
    "litres": ("volume", "m3", 1e-3),
    "started_ms": ("started", "s", 1e-3),
    "ended_ms": ("ended", "s", 1e-3),
    "volume_l": ("volume", "m3", 1e-3),
    "rinse_l": ("rinse-volume", "m3", 1e-3),
    "mean_ppm": ("mean-solids", "/", 1e-6),
    "left_l": ("left-volume", "m3", 1e-3),
    "left_low_l": ("left-volume-low", "m3", 1e-3),
    "left_high_l": ("left-volume-high", "m3", 1e-3),
    "left_days": ("left-time", "s", 86_400.0),
    "left_low_days": ("left-time-low", "s", 86_400.0),
    "left_high_days": ("left-time-high", "s", 86_400.0),
    "cover_days": ("cover-time", "s", 86_400.0),
}
"""The SenML name, unit and scale of each number of an entry. The registry of SenML units has none for a cell
constant and for a factor, which keep the unit of the row."""


@dataclass(frozen=True, slots=True)
class SenmlRecord:
    """One resolved record: absolute name, unit and time, and at most one kind of value."""

    name: str
    time_s: float
    unit: str | None = None
    value: float | None = None
    text: str | None = None
    flag: bool | None = None
    data: str | None = None
    """Octets as URL-safe base64."""
    total: float | None = None
    """The integrated sum."""
    update_s: float | None = None


def base_name(root: str, reservoir: str) -> str:
    """Return ``root/reservoir/``, or ``root/bridge/`` for rows of the whole bridge.

    Args:
        root: the first part of the name.
        reservoir: the reservoir; empty for the whole bridge.

    Raises:
        InputError: the name has other characters than letters, digits and ``- : . / _``, or does not begin
            with a letter or digit (RFC 8428, section 4.5.1).
    """
    name = f"{root}/{reservoir or 'bridge'}/"
    if not _NAME.match(name):
        raise InputError(
            f"{name!r} cannot be a SenML base name: it must begin with a letter or digit and hold only "
            "letters, digits and the characters - : . / _"
        )
    return name


def reading_records(
    row: ReadingRow, base: str, series: Sequence[Series] = tuple(Series)
) -> list[SenmlRecord]:
    """Convert a reading to records: one for each series with a value, the path, and the health."""
    time_s = row.stamp.utc_ms / 1000
    values = row.values
    out = [
        SenmlRecord(base + facts.senml_name, time_s, facts.senml_unit, scaled(value, facts.senml_scale))
        for one in series
        if (value := values[one]) is not None and math.isfinite(value)
        for facts in (one.facts,)
    ]
    out.append(SenmlRecord(base + "path", time_s, text=row.path.value))
    out.append(SenmlRecord(base + "health", time_s, text=row.health.word))
    return out


def entry_records(row: EntryRow, base: str) -> list[SenmlRecord]:
    """Convert an entry to records, one for each field that is not empty.

    A name is, for example, ``alarm/no-rise-while-open/change``.
    """
    kind = KINDS[type(row)]
    fields = details(row)
    prefix = base + kind.value + "/"
    if kind in (Kind.ALARM, Kind.EVENT):
        prefix += _safe(str(fields.pop(kind.value))) + "/"
    time_s = row.stamp.utc_ms / 1000
    out = []
    for field, value in fields.items():
        part, unit, scale = entry_facts(field)
        name = prefix + part
        if isinstance(value, bool):
            out.append(SenmlRecord(name, time_s, flag=value))
        elif isinstance(value, int | float):
            if math.isfinite(value):
                out.append(SenmlRecord(name, time_s, unit, scaled(float(value), scale)))
        elif value:
            out.append(SenmlRecord(name, time_s, text=str(value)))
    return out


def entry_facts(field: str) -> tuple[str, str | None, float]:
    """Return the SenML name, unit and scale of a field of an entry."""
    return ENTRY_NUMBERS.get(field, (field.replace("_", "-"), None, 1.0))


def bucket_records(bucket: Bucket, base: str, series: Sequence[Series] = tuple(Series)) -> list[SenmlRecord]:
    """Convert a roll-up to records such as ``.../minute/mean``, at the start of its span."""
    span = "minute" if bucket.span_ms == MINUTE_MS else "hour"
    time_s = bucket.start_ms / 1000
    out = []
    for one in series:
        cell = bucket.cells[one]
        if cell is None:
            continue
        facts = one.facts
        name = f"{base}{facts.senml_name}/{span}/"
        for part, value in (("min", cell.least), ("mean", cell.mean), ("max", cell.greatest)):
            out.append(SenmlRecord(name + part, time_s, facts.senml_unit, scaled(value, facts.senml_scale)))
        out.append(SenmlRecord(name + "count", time_s, "count", float(cell.count)))
    out.append(SenmlRecord(f"{base}health/{span}", time_s, text=bucket.health.word))
    return out


def row_records(row: StampedRow, root: str) -> list[SenmlRecord]:
    """Convert a row to records with absolute names."""
    base = base_name(root, row.reservoir)
    return reading_records(row, base) if isinstance(row, ReadingRow) else entry_records(row, base)


def pack(rows: Sequence[StampedRow], root: str) -> str:
    """Convert rows to one SenML pack (``application/senml+json``) with a base name and a base time.

    Args:
        rows: at least one row. If all have the same reservoir, the base name contains it.
        root: the first part of every name.
    """
    records = [record for row in rows for record in row_records(row, root)]
    names = {row.reservoir for row in rows}
    return write(records, base_name(root, names.pop()) if len(names) == 1 else f"{root}/")


def write(records: Sequence[SenmlRecord], base: str) -> str:
    """Write resolved records as a pack.

    A receiver that adds ``bt`` and ``t`` in double precision gets the exact time of each record, whatever
    else is in the pack. Otherwise a record that is sent again in another pack would seem to be new.

    Args:
        records: at least one record.
        base: the base name, which names that begin with it leave out.
    """
    base_s: float | None = None
    shorten = all(record.name.startswith(base) and len(record.name) > len(base) for record in records)
    out: list[dict[str, Any]] = []
    for record in records:
        item: dict[str, Any] = {}
        if not out and shorten:
            item["bn"] = base
        if base_s is None or base_s + _after(record.time_s, base_s) != record.time_s:
            base_s = _base_time(record.time_s)
            item["bt"] = _number(base_s)
        item["n"] = record.name[len(base) :] if shorten else record.name
        if record.unit is not None:
            item["u"] = record.unit
        after = _after(record.time_s, base_s)
        if after:
            item["t"] = _number(after)
        item |= _value_fields(record)
        out.append(item)
    return json.dumps(out, separators=(",", ":"), allow_nan=False)


def _after(time_s: float, base_s: float) -> float:
    """Return the seconds from the base time to a time, rounded to milliseconds."""
    return round(time_s - base_s, 3)


def _base_time(time_s: float) -> float:
    """A base time for this record and those after it, exact with :func:`_after`.

    Whole seconds, for they carry no rounding of their own into the sum; the time itself where it is finer
    than a millisecond.
    """
    whole_s = float(math.floor(time_s))
    return whole_s if whole_s + _after(time_s, whole_s) == time_s else time_s


def write_one(record: SenmlRecord) -> str:
    """One resolved record as a JSON object, for a list that is written as it comes."""
    item: dict[str, Any] = {"n": record.name}
    if record.unit is not None:
        item["u"] = record.unit
    item["t"] = _number(record.time_s)
    item |= _value_fields(record)
    return json.dumps(item, separators=(",", ":"), allow_nan=False)


def parse(text: str, *, now_s: float = 0.0) -> list[SenmlRecord]:
    """Parse a pack into resolved records: with absolute names and times, in chronological order.

    Args:
        text: the pack.
        now_s: the time from which relative times count.

    Raises:
        InputError: a record breaks a rule of RFC 8428.
    """
    try:
        items = json.loads(text)
    except ValueError as error:
        raise InputError(f"This is not JSON, so it is not a SenML pack: {error}.") from error
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
        raise InputError("A SenML pack is a JSON array of objects (RFC 8428, section 5).")
    base: dict[str, Any] = {}
    out = []
    for number, item in enumerate(items, start=1):
        base.update({key: value for key, value in item.items() if key in ("bn", "bt", "bu", "bv", "bs")})
        out.append(_resolve(item, base, f"Record {number} of the SenML pack", now_s))
    return sorted(out, key=lambda record: record.time_s)


def _resolve(item: dict[str, Any], base: dict[str, Any], where: str, now_s: float) -> SenmlRecord:
    strange = [key for key in item if key.endswith("_")]
    if strange:
        raise InputError(f"{where} needs a reader that understands {strange[0]!r} (RFC 8428, section 4.4).")
    if _real(item, "bver", where, VERSION) > VERSION:
        raise InputError(f"{where} has version {item['bver']}; version {VERSION} is known (section 4.4).")
    given = [key for key in ("v", "vs", "vb", "vd") if key in item]
    if len(given) > 1 or (not given and "s" not in item):
        raise InputError(
            f"{where} must have one value, or a sum (section 4.2); it has {', '.join(given) or 'none'}."
        )
    name = str(base.get("bn", "")) + str(item.get("n", ""))
    if not _NAME.match(name):
        raise InputError(f"{where} has the name {name!r}, which section 4.5.1 does not allow.")
    time_s = _real(base, "bt", where, 0.0) + _real(item, "t", where, 0.0)
    value = _real(item, "v", where, 0.0) + _real(base, "bv", where, 0.0) if "v" in item else None
    total = _real(item, "s", where, 0.0) + _real(base, "bs", where, 0.0) if "s" in item else None
    flag = item.get("vb")
    if "vb" in item and not isinstance(flag, bool):
        raise InputError(f"{where} has {flag!r} as a boolean value; true or false would be right.")
    for key in ("vs", "vd"):
        if key in item and not isinstance(item[key], str):
            raise InputError(f"{where} has {item[key]!r} for {key}; a string would be right.")
    unit = item.get("u", base.get("bu"))
    return SenmlRecord(
        name,
        time_s + now_s if time_s < RELATIVE_BELOW_S else time_s,
        None if unit is None else str(unit),
        value,
        item.get("vs"),
        flag,
        item.get("vd"),
        total,
        _real(item, "ut", where, 0.0) if "ut" in item else None,
    )


def _real(item: dict[str, Any], key: str, where: str, default: float) -> float:
    value = item.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"{where} has {value!r} for {key}; a number would be right.")
    return float(value)


def scaled(value: float, scale: float) -> float:
    """Convert a value to another unit, to ten digits. The log stores fewer."""
    return float(f"{value * scale:.10g}")


def _value_fields(record: SenmlRecord) -> dict[str, Any]:
    fields: Iterable[tuple[str, Any]] = (
        ("v", None if record.value is None else _number(record.value)),
        ("vs", record.text),
        ("vb", record.flag),
        ("vd", record.data),
        ("s", None if record.total is None else _number(record.total)),
        ("ut", None if record.update_s is None else _number(record.update_s)),
    )
    return {key: value for key, value in fields if value is not None}


def _number(value: float) -> float | int:
    return int(value) if value == int(value) and abs(value) < 2**53 else value


def _safe(word: str) -> str:
    return re.sub(r"[^A-Za-z0-9\-:./_]", "-", word) or "-"
