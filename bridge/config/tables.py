"""The parts that every table shares: kinds of keys, and ways to find one by its path. Core."""

from collections.abc import Callable, Iterator
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from bridge.errors import InputError, OutOfRangeError
from bridge.estimate.verdict import TARGET_PPM
from bridge.units import CONCENTRATION, MASS, VOLUME, Dimension

ID_PATTERN = r"^[a-z0-9]+(-[a-z0-9]+)*$"

T = TypeVar("T")

Keys = tuple[str | int, ...]
"""The path to a value: keys of tables, and indexes of lists."""


class Table(BaseModel):
    """A table that refuses unknown keys, numbers in quotation marks and infinities."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


UNSTATED = "unstated"
TARGET_UNSTATED = f"{TARGET_PPM:g}, or half of limit_ppm if that is below {TARGET_PPM:g}"


def optional(description: str, unstated: str, **more: Any) -> Any:
    """Declare a key whose default is no constant.

    Args:
        description: What would be right, as part of a sentence.
        unstated: What holds without the key, for the manual.
        more: The bounds of the value.
    """
    return Field(None, description=description, json_schema_extra={UNSTATED: unstated}, **more)


def is_in_grains(values: object, key: str) -> bool:
    """Return whether a mass was written in grains, which count calcium carbonate in the trade of resin."""
    written = values.get(key) if isinstance(values, dict) else None
    return isinstance(written, str) and MASS.parse(written)[1] is MASS.unit("grain")


def positive(description: str, default: Any = None, unstated: str = "", **more: Any) -> Any:
    """Declare a number above 0, with a default or with what holds without the key."""
    return _number(description, default, unstated, gt=0, **more)


def from_zero(description: str, default: Any = None, unstated: str = "", **more: Any) -> Any:
    """Declare a number of 0 or more, with a default or with what holds without the key."""
    return _number(description, default, unstated, ge=0, **more)


def fraction(description: str, default: Any = None, unstated: str = "") -> Any:
    """Declare a fraction above 0 and up to 1, with a default or with what holds without the key."""
    return _number(description, default, unstated, gt=0, le=1)


def _number(description: str, default: Any, unstated: str, **bounds: Any) -> Any:
    if default is None:
        return optional(description, unstated, **bounds)
    return Field(default, description=description, **bounds)


def sound(make: Callable[[], T]) -> T:
    """Return the result of ``make``; what it refuses becomes a mistake of the table being validated."""
    try:
        return make()
    except (InputError, OutOfRangeError) as error:
        raise unfit(str(error)) from None


def refused(key: str, value: object, sentence: str) -> PydanticCustomError:
    """Make the refusal of a value that is wrong only beside other values of its table."""
    return PydanticCustomError("refused", "{sentence}", {"sentence": sentence, "key": key, "value": value})


def check_target(target_ppm: float | None, limit_ppm: float) -> None:
    """Refuse a target over the limit of its table."""
    if target_ppm is not None and target_ppm > limit_ppm:
        raise refused("target_ppm", target_ppm, f"must be at most limit_ppm = {limit_ppm:g}")


def unfit(sentence: str) -> PydanticCustomError:
    """Make the refusal of a value, or of a table whose keys do not go together."""
    return PydanticCustomError("refused", "{sentence}", {"sentence": sentence})


def given(table: BaseModel, *but: str) -> dict[str, Any]:
    """Return the values that were set, by key, so that all others keep the defaults of the core."""
    values = {key: getattr(table, key) for key in type(table).model_fields if key not in but}
    return {key: value for key, value in values.items() if value is not None}


def _plain(annotation: Any) -> Iterator[Any]:
    """List the types in an annotation without ``None``, ``Annotated`` and unions."""
    if get_origin(annotation) is Annotated:
        yield from _plain(get_args(annotation)[0])
    elif get_origin(annotation) in (None, dict, list, Literal):
        if annotation is not type(None):
            yield annotation
    else:
        for part in get_args(annotation):
            yield from _plain(part)


def tables(annotation: Any) -> list[type[BaseModel]]:
    """List the tables that an annotation allows."""
    return [one for one in _plain(annotation) if isinstance(one, type) and issubclass(one, BaseModel)]


def find(root: type[BaseModel], keys: Keys) -> tuple[Any, FieldInfo | None]:
    """Return the annotation at the end of a path and its field, or None for both if there is none."""
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
    """List the keys that the table at the end of a path may have."""
    return sorted({key for table in tables(find(root, keys)[0]) for key in table.model_fields})


def _quantity(dimension: Dimension) -> BeforeValidator:
    def read(value: Any) -> Any:
        return sound(lambda: dimension.read(value)) if isinstance(value, str) else value

    return BeforeValidator(read)


Litres = Annotated[float, _quantity(VOLUME)]
Ppm = Annotated[float, _quantity(CONCENTRATION)]
Grams = Annotated[float, _quantity(MASS)]
"""Quantities that may be written with a unit: a number, or a text such as ``"12 us-gal"``."""


def range_of(field_info: FieldInfo | None) -> str:
    """Return the bounds of a field in words, such as "above 0 and at most 60"; empty if it has none."""
    bounds: dict[str, float] = {}
    for one in () if field_info is None else field_info.metadata:
        bounds |= {name: getattr(one, name) for name in ("gt", "ge", "lt", "le") if hasattr(one, name)}
    low = (
        f"above {bounds['gt']:.10g}"
        if "gt" in bounds
        else f"{bounds['ge']:.10g} or more"
        if "ge" in bounds
        else ""
    )
    high = (
        f"below {bounds['lt']:.10g}"
        if "lt" in bounds
        else f"at most {bounds['le']:.10g}"
        if "le" in bounds
        else ""
    )
    if "ge" in bounds and "le" in bounds:
        return f"from {bounds['ge']:.10g} to {bounds['le']:.10g}"
    return " and ".join(part for part in (low, high) if part)
