"""The demands of the Homie convention 5 on one value and on one description. Nothing of the bridge is used.

Source: The Homie Convention, version 5, https://homieiot.github.io/specification/ (CC BY 4.0). Each function
returns sentences; no sentence means that nothing is wrong.
"""

import json
import math
import re
from collections.abc import Iterator
from typing import Any

import jsonschema

ID = re.compile(r"[a-z0-9-]+\Z")
INTEGER = re.compile(r"-?[0-9]+\Z")
FLOAT = re.compile(r"-?[0-9]+(\.[0-9]*)?([eE]-?[0-9]+)?\Z|-?\.[0-9]+([eE]-?[0-9]+)?\Z")
DATETIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:?\d\d)?\Z")
DURATION = re.compile(r"PT(?=.)(\d+H)?(\d+M)?(\d+S)?\Z")
STATES = frozenset({"init", "ready", "disconnected", "sleeping", "lost"})
LEVELS = frozenset({"debug", "info", "warn", "error", "fatal"})
DATATYPES = frozenset(
    {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
)
COLORS = frozenset({"rgb", "hsv", "xyz"})
DESCRIPTION_FREE = frozenset({"init", "disconnected", "lost", None})
"""The states in which a description may change. None is a device that was never there."""

FIELDS: dict[str, dict[str, type]] = {
    "device": {
        "homie": str, "version": int, "nodes": dict, "name": str, "type": str, "children": list, "root": str,
        "parent": str, "extensions": list,
    },
    "node": {"name": str, "type": str, "properties": dict},
    "property": {
        "name": str, "datatype": str, "format": str, "settable": bool, "retained": bool, "unit": str,
    },
}  # fmt: skip


def text_of(payload: bytes) -> tuple[str, list[str]]:
    """Returns a payload as text, with its faults."""
    try:
        text = payload.decode()
    except UnicodeDecodeError:
        return payload.decode(errors="replace"), ["the payload is not UTF-8"]
    return text, ["the payload has a byte order mark"] if text.startswith("\ufeff") else []


def value_faults(declared: dict[str, Any], text: str) -> list[str]:
    """Checks one value against the datatype and the format of its property."""
    datatype, form = declared.get("datatype"), declared.get("format")
    if datatype == "string":
        return []
    if text in ("", "\0"):
        return [f"an empty string is no {datatype}"]
    if datatype in ("integer", "float"):
        return _number_faults(str(datatype), form, text)
    if datatype == "boolean":
        return [] if text in ("true", "false") else [f"{text!r} is no boolean"]
    if datatype == "enum":
        return [] if text in str(form).split(",") else [f"{text!r} is none of {form!r}"]
    if datatype == "datetime":
        return [] if DATETIME.match(text) else [f"{text!r} is no date and time of ISO 8601"]
    if datatype == "duration":
        return [] if DURATION.match(text) else [f"{text!r} is no duration PTxHxMxS"]
    if datatype == "color":
        return _color_faults(str(form), text)
    if datatype == "json":
        return _json_faults(form, text)
    return [f"the datatype {datatype!r} is unknown"]


def _number_faults(datatype: str, form: str | None, text: str) -> list[str]:
    if not (INTEGER if datatype == "integer" else FLOAT).match(text):
        return [f"{text!r} is no {datatype}"]
    number = float(text)
    if math.isinf(number) or (datatype == "integer" and not -(2**63) <= int(text) < 2**63):
        return [f"{text!r} has more than 64 bits"]
    low, high, step = bounds_of(form)
    if step is not None:
        base = low if low is not None else high
        if base is not None:
            number = base + round((number - base) / step) * step
    if (low is not None and number < low) or (high is not None and number > high):
        return [f"{text!r} is outside {form!r}"]
    return []


def bounds_of(form: str | None) -> tuple[float | None, float | None, float | None]:
    """Returns minimum, maximum and step of a format."""
    parts = [*(form or ":").split(":"), "", ""]
    low, high, step = (float(part) if part else None for part in parts[:3])
    return low, high, step


def _color_faults(form: str, text: str) -> list[str]:
    kind, *numbers = text.split(",")
    top = {"rgb": (255, 255, 255), "hsv": (360, 100, 100), "xyz": (1, 1)}.get(kind)
    if top is None or kind not in form.split(","):
        return [f"{text!r} is no color of {form!r}"]
    right = len(numbers) == len(top) and all(
        FLOAT.match(one) and 0 <= float(one) <= most for one, most in zip(numbers, top, strict=True)
    )
    return [] if right else [f"{text!r} is no color"]


def _json_faults(form: str | None, text: str) -> list[str]:
    try:
        value = json.loads(text)
    except ValueError:
        return [f"{text!r} is no JSON"]
    if not isinstance(value, list | dict):
        return [f"{text!r} is neither an array nor an object"]
    if form is not None:
        try:
            jsonschema.validate(value, json.loads(form))
        except jsonschema.ValidationError as error:
            return [f"{text!r} does not follow its schema: {error.message}"]
    return []


def format_faults(declared: dict[str, Any]) -> list[str]:
    """Checks the format of a property."""
    datatype, form = declared.get("datatype"), declared.get("format")
    if datatype in ("enum", "color") and not form:
        return [f"{datatype} needs a format"]
    if form is None or not isinstance(form, str):
        return []
    parts = form.split(":") if datatype in ("integer", "float") else form.split(",")
    if datatype in ("integer", "float"):
        number = INTEGER if datatype == "integer" else FLOAT
        if len(parts) not in (2, 3) or any(part and not number.match(part) for part in parts):
            return [f"{form!r} is not min:max:step"]
        low, high, step = bounds_of(form)
        if (low is not None and high is not None and low > high) or (step is not None and step <= 0):
            return [f"{form!r} contradicts itself"]
    elif datatype == "enum" and ("" in parts or len(set(parts)) < len(parts)):
        return [f"{form!r} has an empty value or one twice"]
    elif datatype == "color" and not set(parts) <= COLORS:
        return [f"{form!r} has unknown colors"]
    elif datatype == "boolean" and (len(parts) != 2 or "" in parts):
        return [f"{form!r} has not exactly two entries"]
    elif datatype == "json":
        try:
            jsonschema.validators.validator_for(schema := json.loads(form)).check_schema(schema)
        except (ValueError, jsonschema.SchemaError):
            return [f"{form!r} is no JSON schema"]
    return []


def _typed(what: str, value: object) -> Iterator[str]:
    fields = FIELDS[what]
    if not isinstance(value, dict):
        yield f"the {what} is no object"
        return
    for name, field in value.items():
        wanted = fields.get(name)
        if wanted is None:
            yield f"the {what} has the unknown field {name!r}"
        elif not isinstance(field, wanted) or (wanted is int and isinstance(field, bool)):
            yield f"the field {name!r} of the {what} is no {wanted.__name__}: {field!r}"


def description_faults(device: str, document: object) -> list[str]:
    """Checks a whole description."""
    faults = list(_typed("device", document))
    if not isinstance(document, dict) or not isinstance(document.get("nodes", {}), dict):
        return faults
    if not re.match(r"5\.\d+\Z", str(document.get("homie"))):
        faults.append(f"the version of the convention is {document.get('homie')!r}, not 5.x")
    faults += [f"the field {name!r} is missing" for name in ("homie", "version") if name not in document]
    if document.get("root") == device or document.get("parent") == device:
        faults.append("the device names itself as root or parent")
    faults += [
        f"{one!r} is no ID"
        for one in [device, *document.get("children", []), document.get("root", device)]
        if not ID.match(str(one))
    ]
    for node_id, node in document.get("nodes", {}).items():
        faults += [f"{node_id}: {fault}" for fault in _typed("node", node)]
        if not isinstance(node, dict) or not isinstance(node.get("properties", {}), dict):
            continue
        if not ID.match(node_id):
            faults.append(f"{node_id!r} is no ID")
        for id_, declared in node.get("properties", {}).items():
            own = list(_typed("property", declared))
            if not isinstance(declared, dict):
                faults += own
                continue
            own += format_faults(declared)
            if declared.get("datatype") not in DATATYPES:
                own.append(f"the datatype is {declared.get('datatype')!r}")
            if not ID.match(id_):
                own.append(f"{id_!r} is no ID")
            faults += [f"{node_id}/{id_}: {fault}" for fault in own]
    return faults
