"""Quantities of the configuration that may stand with a unit: a number, or a text such as ``"12 us-gal"``.

Values that follow from others where nobody gave them.

What every table of the configuration has in common, and how to find a key in one.
"""

from collections.abc import Callable, Iterator
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from bridge import units
from bridge.errors import InputError
from bridge.water.solids import TARGET_PPM


def usual_target_ppm(limit_ppm: float) -> float:
    """The target beside a limit, in ppm: 25, or half the limit where 25 would be over it."""
    return TARGET_PPM if limit_ppm >= TARGET_PPM else 0.5 * limit_ppm


ID_PATTERN = r"^[a-z0-9]+(-[a-z0-9]+)*$"

T = TypeVar("T")

Keys = tuple[str | int, ...]
"""The way to a value: keys of tables, and places in lists."""


class Table(BaseModel):
    """A table of the file: no unknown keys, no numbers in quotation marks, no infinities."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def positive(description: str, default: Any = None, **more: Any) -> Any:
    """A number above 0."""
    return Field(default, gt=0, description=description, **more)


def from_zero(description: str, default: Any = None, **more: Any) -> Any:
    """A number of 0 or more."""
    return Field(default, ge=0, description=description, **more)


def fraction(description: str, default: Any = None) -> Any:
    """A part of a whole, above 0 and up to 1."""
    return Field(default, gt=0, le=1, description=description)


def sound(make: Callable[[], T]) -> T:
    """What ``make`` makes; its refusal becomes one of the mistakes found while a table is validated."""
    try:
        return make()
    except InputError as error:
        raise PydanticCustomError("refused", "{sentence}", {"sentence": str(error)}) from None


def refused(key: str, value: object, sentence: str) -> PydanticCustomError:
    """The refusal of one value of a table, for what only shows beside its neighbours."""
    return PydanticCustomError("refused", "{sentence}", {"sentence": sentence, "key": key, "value": value})


def given(table: BaseModel, *but: str) -> dict[str, Any]:
    """The values that were set, by key, so that all others keep the defaults of whatever they are for."""
    values = {key: getattr(table, key) for key in type(table).model_fields if key not in but}
    return {key: value for key, value in values.items() if value is not None}


def _plain(annotation: Any) -> Iterator[Any]:
    """The types behind an annotation, without ``None``, ``Annotated`` and unions."""
    if get_origin(annotation) is Annotated:
        yield from _plain(get_args(annotation)[0])
    elif get_origin(annotation) in (None, dict, list, Literal):
        if annotation is not type(None):
            yield annotation
    else:
        for part in get_args(annotation):
            yield from _plain(part)


def tables(annotation: Any) -> list[type[BaseModel]]:
    """The tables that an annotation allows."""
    return [one for one in _plain(annotation) if isinstance(one, type) and issubclass(one, BaseModel)]


def find(root: type[BaseModel], keys: Keys) -> tuple[Any, FieldInfo | None]:
    """The annotation at the end of the way, and the field it belongs to; None for both if there is none."""
    annotation: Any = root
    field: FieldInfo | None = None
    for key in keys:
        found: Any = None
        for one in _plain(annotation):
            if isinstance(one, type) and issubclass(one, BaseModel):
                here = one.model_fields.get(str(key))
                if here is not None:
                    found, field = here.annotation, here
            elif get_origin(one) in (dict, list):
                found = get_args(one)[-1]
        if found is None:
            return None, None
        annotation = found
    return annotation, field


def keys_at(root: type[BaseModel], keys: Keys) -> list[str]:
    """The keys that the table at the end of the way may have."""
    return sorted({key for table in tables(find(root, keys)[0]) for key in table.model_fields})


def is_text(annotation: Any) -> bool:
    """Whether a text is meant there, so that a text from the environment is taken as it is."""
    kinds = list(_plain(annotation))
    return bool(kinds) and all(
        get_origin(kind) is Literal or (isinstance(kind, type) and kind.__name__ in ("str", "SecretStr"))
        for kind in kinds
    )


def with_unit(text: str, convert: Any, bare: str) -> float:
    """``"18 gpg"`` through the converter of its quantity; a bare number counts in the unit ``bare``.

    Raises:
        InputError: no number, an unknown unit or a negative value.
    """
    number, _, unit = text.strip().partition(" ")
    try:
        value = float(number)
    except ValueError:
        raise InputError(f"{text!r} must be a number and a unit, such as '10 {bare}'.") from None
    converted: float = convert(value, unit.strip() or bare)
    return converted


def _quantity(convert: Any, bare: str) -> BeforeValidator:
    def read(value: Any) -> Any:
        return sound(lambda: with_unit(value, convert, bare)) if isinstance(value, str) else value

    return BeforeValidator(read)


Litres = Annotated[float, _quantity(units.litres, "l")]
Ppm = Annotated[float, _quantity(units.ppm, "ppm")]
Grams = Annotated[float, _quantity(units.grams, "g")]
