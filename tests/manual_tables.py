"""The parts of the manual that the program's own model makes: ``python -m tests.manual_tables`` writes them.

A page marks such a part with ``<!-- from the model: NAME -->`` and ``<!-- end -->``. The text between the two
is replaced; everything else on the page is written by hand. A test compares each part with the model.
"""

import re
import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, SecretStr
from pydantic.fields import FieldInfo

from bridge.config.model import Settings
from bridge.config.tables import UNSTATED, range_of

CONFIGURATION = Path(__file__).parents[1] / "bridge" / "manual" / "configuration.md"
PART = re.compile(r"<!-- from the model: (\S+) -->\n(.*?)<!-- end -->", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Section:
    """The tables of a configuration that have the same keys.

    Attributes:
        models: Their model; several where a ``kind`` chooses among them.
        paths: The tables, such as ``reservoir.ID.product``.
    """

    models: tuple[type[BaseModel], ...]
    paths: list[str]

    def __str__(self) -> str:
        first, *others = [f"`{path if path.startswith('[') else f'[{path}]'}`" for path in self.paths] or [
            "All tables"
        ]
        said = _said(self.models[0]) if self.paths and len(self.models) == 1 else ""
        if others:
            said = f"{said} The same for {' and '.join(others)}."
        lines = [f"### {first}", "", *([said, ""] if said else [])]
        return "\n".join(
            [*lines, "| key | meaning | value | default |", "|---|---|---|---|", *self._rows(), ""]
        )

    def _rows(self) -> Iterator[str]:
        for key in dict.fromkeys(key for model in self.models for key in model.model_fields):
            having = [model for model in self.models if key in model.model_fields]
            fields = [model.model_fields[key] for model in having]
            meaning = fields[0].description or "the word that chooses the other keys"
            if len(having) < len(self.models):
                kinds = [word for model in having for word in _words(model.model_fields["kind"].annotation)]
                meaning += f" ({', '.join(kinds)})"
            value = ", ".join(dict.fromkeys(map(_value, fields)))
            yield f"| `{key}` | {meaning} | {value} | {_default(fields[0])} |".replace("<id>", "ID")


def sections() -> dict[str, Section]:
    """Return every section of a configuration, by the first of its tables; that of the whole is ``all``."""
    whole = Section((Settings,), [])
    found: dict[tuple[type[BaseModel], ...], Section] = {whole.models: whole}
    _gather(Settings, "", found)
    return {section.paths[0].strip("[]") if section.paths else "all": section for section in found.values()}


def _gather(model: type[BaseModel], path: str, found: dict[tuple[type[BaseModel], ...], Section]) -> None:
    for key, field in model.model_fields.items():
        within: dict[str, list[type[BaseModel]]] = {}
        for template, table in _tables(field.annotation, f"{path}.{key}".lstrip(".")):
            within.setdefault(template, []).append(table)
        for template, tables in within.items():
            section = found.setdefault(tuple(tables), Section(tuple(tables), []))
            section.paths.append(template)
            for table in tables:
                _gather(table, template.strip("[]"), found)


def _tables(annotation: Any, path: str) -> Iterator[tuple[str, type[BaseModel]]]:
    """List the tables in an annotation, each with its name in a configuration."""
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is dict:
        yield from _tables(parts[1], f"{path}.ID")
    elif origin is list:
        yield from _tables(parts[0], f"[[{path}]]")
    elif origin is Annotated:
        yield from _tables(parts[0], path)
    elif origin in (Union, types.UnionType):
        for part in parts:
            yield from _tables(part, path)
    elif isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield path, annotation


def _said(model: type[BaseModel]) -> str:
    """Return what the docstring of a table says, without the name of the table."""
    first = re.sub(r"^``.*``( with .*)?: ", "", " ".join((model.__doc__ or "").split()))
    return first[:1].upper() + first[1:].replace("``", "`")


def _words(annotation: Any) -> list[str]:
    """Return the words that a value may have, and none if there are more than these."""
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is Literal:
        return [f"`{part}`" for part in parts]
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return [f"`{one.value}`" for one in annotation]
    if origin in (Annotated, Union, types.UnionType):
        return [word for part in parts for word in _words(part)]
    return []


def _value(field: FieldInfo) -> str:
    annotation = field.annotation
    words = _words(annotation)
    if words:
        return " or ".join(filter(None, (", ".join(words[:-1]), words[-1])))
    tables = [path for path, _ in _tables(annotation, "")]
    if tables:
        return "table" if tables[0] == "" else "tables"
    kinds = set(_kinds(annotation))
    if list in kinds:
        return "list"
    for kind, name in ((SecretStr, "secret"), (bool, "`true` or `false`"), (str, "text")):
        if kind in kinds:
            return name
    bounds = range_of(field)
    number = "whole number" if int in kinds else "number"
    with_unit = ", or text with a unit" if BeforeValidator in kinds or _validated(field) else ""
    return (f"{number}, {bounds}" if bounds else number) + with_unit


def _validated(field: FieldInfo) -> bool:
    return any(isinstance(one, BeforeValidator) for one in field.metadata)


def _kinds(annotation: Any) -> Iterator[type]:
    origin, parts = get_origin(annotation), get_args(annotation)
    if origin is list:
        yield list
    elif origin is Annotated:
        yield from (type(part) for part in parts[1:])
        yield from _kinds(parts[0])
    elif origin in (Union, types.UnionType):
        for part in parts:
            yield from _kinds(part)
    elif isinstance(annotation, type):
        yield annotation


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "needed"
    value = field.get_default(call_default_factory=True)
    if value is None:
        extra = field.json_schema_extra
        words = extra.get(UNSTATED) if isinstance(extra, Mapping) else None
        assert isinstance(words, str), f"{field} has no default and no words for what holds without it"
        assert words, f"{field} has no default and no words for what holds without it"
        return words
    if isinstance(value, BaseModel):
        return "its defaults"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, float | int):
        return f"`{value:.10g}`"
    if isinstance(value, str):
        return f'`"{value}"`' if value else "none"
    return "none" if not value else f"`[{', '.join(f'{one:g}' for one in value)}]`"


def renewed(page: str) -> str:
    """Return a page with every marked part as the model has it."""
    made = sections()
    return PART.sub(lambda part: f"<!-- from the model: {part[1]} -->\n{made[part[1]]}<!-- end -->", page)


if __name__ == "__main__":
    CONFIGURATION.write_text(renewed(CONFIGURATION.read_text("utf-8")), "utf-8")
