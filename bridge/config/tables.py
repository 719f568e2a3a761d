"""The parts that every table shares, and the mistakes in a table as sentences.

A sentence has the place, the value, and what would be right. A value is shown only if it cannot be a secret.
The value of an unknown key is hidden, because the key may be a misspelt password; a text with an ``@`` is
hidden, because it may be an address with a password.
"""

import difflib
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticCustomError

from bridge.errors import InputError, OutOfRangeError
from bridge.units import CONCENTRATION, MASS, VOLUME, Dimension

ID_PATTERN = r"^[a-z0-9]+(-[a-z0-9]+)*$"

T = TypeVar("T")

Keys = tuple[str | int, ...]
"""The path to a value: keys of tables, and indexes of lists."""


class Table(BaseModel):
    """A table that refuses unknown keys, numbers in quotation marks and infinities."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def positive(description: str, default: Any = None, **more: Any) -> Any:
    """Declare a number above 0."""
    return Field(default, gt=0, description=description, **more)


def from_zero(description: str, default: Any = None, **more: Any) -> Any:
    """Declare a number of 0 or more."""
    return Field(default, ge=0, description=description, **more)


def fraction(description: str, default: Any = None) -> Any:
    """Declare a fraction above 0 and up to 1."""
    return Field(default, gt=0, le=1, description=description)


def sound(make: Callable[[], T]) -> T:
    """Return the result of ``make``; what it refuses becomes a mistake of the table being validated."""
    try:
        return make()
    except (InputError, OutOfRangeError) as error:
        raise PydanticCustomError("refused", "{sentence}", {"sentence": str(error)}) from None


def refused(key: str, value: object, sentence: str) -> PydanticCustomError:
    """Make the refusal of a value that is wrong only beside other values of its table."""
    return PydanticCustomError("refused", "{sentence}", {"sentence": sentence, "key": key, "value": value})


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


SECRETS = {"hub": ("password", "username"), "page": ("token",)}
"""The keys that must not be in the file, by their table."""
RENAMED = {"advice_ppm": "target_ppm", "sender": "sensor"}
"""Keys of version 0.1, with the names that they have now."""
SECRET_KEYS = frozenset(key for keys in SECRETS.values() for key in keys)
_NOTHING = object()


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake."""

    keys: Keys
    sentence: str
    """What is wrong and what would be right; it follows the key and the value."""
    value: object = _NOTHING
    is_missing: bool = False
    """Whether the key itself is missing."""


@dataclass(slots=True)
class Mistakes:
    """The mistakes found in one file so far.

    Attributes:
        file: The name of the file in messages.
        origins: The environment variables that values came from.
        found: The mistakes.
    """

    file: str
    origins: dict[Keys, str] = field(default_factory=dict)
    found: list[Mistake] = field(default_factory=list)

    def add(self, keys: Keys, sentence: str, value: object = _NOTHING) -> None:
        """Note a mistake, once."""
        self.note(Mistake(keys, sentence, value))

    def note(self, mistake: Mistake) -> None:
        """Note a mistake, once."""
        if mistake not in self.found:
            self.found.append(mistake)

    def tried(self, keys: Keys, make: Callable[[], T]) -> T | None:
        """Return the result of ``make``; if it refuses, note the mistake and return None."""
        try:
            return make()
        except (InputError, OutOfRangeError) as error:
            self.add(keys, _sentence(error))
            return None

    def refuse(self) -> None:
        """Raise all mistakes as one error.

        Raises:
            InputError: There are mistakes: one line for each.
        """
        if self.found:
            raise InputError("\n".join(self._line(mistake) for mistake in self.found))

    def _line(self, mistake: Mistake) -> str:
        origin = self._origin(mistake.keys)
        place = self.file if origin is None else f"the environment variable {origin}"
        shown = _shown(mistake)
        what = dotted(mistake.keys) + ("" if shown is None else f" = {shown}")
        return f"{place}: {what}: {mistake.sentence}" if what else f"{place}: {mistake.sentence}"

    def _origin(self, keys: Keys) -> str | None:
        for length in range(len(keys), 0, -1):
            if keys[:length] in self.origins:
                return self.origins[keys[:length]]
        return None


def dotted(keys: Keys) -> str:
    """Write the path to a value as in TOML, with list entries counted from 1."""
    text = ""
    for key in keys:
        if isinstance(key, int):
            text += f"[{key + 1}]"
        else:
            text += f".{key}" if text else key
    return text


def _shown(mistake: Mistake) -> str | None:
    value = mistake.value
    if value is _NOTHING or isinstance(value, dict | list) or SECRET_KEYS.intersection(mistake.keys):
        return None
    if isinstance(value, str):
        return None if "@" in value else json.dumps(value, ensure_ascii=False)
    return json.dumps(value) if isinstance(value, bool) else str(value)


def from_validation(root: type[BaseModel], error: ErrorDetails) -> Mistake:
    """Turn an error of the model into a mistake."""
    keys = _without_kind(error["loc"])
    if keys and keys[-1] == "[key]":
        return Mistake(
            keys[:-1],
            "this id cannot be part of a topic; use lower-case letters and digits, in groups joined by "
            "hyphens, such as north-barrel",
        )
    value, field_info = error["input"], find(root, keys)[1]
    context = error.get("ctx", {})
    description = "" if field_info is None or not field_info.description else field_info.description
    match error["type"]:
        case "missing":
            return Mistake(keys, f"is missing; give {description}", is_missing=True)
        case "extra_forbidden":
            return Mistake(keys, _unknown(root, keys))
        case "refused":
            if "key" in context:
                return Mistake((*keys, context["key"]), context["sentence"], context["value"])
            return Mistake(keys, _sentence(context["sentence"]))
        case "literal_error" | "union_tag_invalid" | "union_tag_not_found":
            return _not_one_of(keys, value, context, error["type"])
        case "model_type" | "model_attributes_type" | "dict_type" | "mapping_type":
            return Mistake(keys, f"must be a table{_more(description)}")
        case "float_type" | "int_type" | "bool_type" | "string_type" | "list_type" | "finite_number":
            return Mistake(keys, f"must be {_KINDS[error['type']]}{_more(description)}", value)
        case "too_short" | "too_long" if keys and isinstance(keys[-1], int):
            return Mistake(keys, f"has {len(value)} numbers; every entry is a pair{_more(description)}")
        case "too_short" if not value:
            return Mistake(keys, f"is empty; give {description}")
        case "greater_than" | "greater_than_equal" | "less_than" | "less_than_equal":
            words = _range(field_info) or error["msg"].replace("Input should", "must")
            return Mistake(keys, f"{words}{_more(description)}", value)
        case _:
            return Mistake(keys, f"does not fit; give {description}" if description else error["msg"], value)


_KINDS = {
    "float_type": "a number without quotation marks",
    "int_type": "a whole number without quotation marks",
    "bool_type": "true or false, without quotation marks",
    "string_type": "a text in quotation marks",
    "list_type": "a list in square brackets",
    "finite_number": "a finite number",
}


def _sentence(error: object) -> str:
    # The line begins with the place already.
    return str(error).removeprefix("hub: ")


def _more(description: str) -> str:
    return f"; it is {description}" if description else ""


_SHAPE_KINDS = ("upright-cylinder", "horizontal-cylinder", "box", "tapered-barrel", "strapping-table")


def _without_kind(location: tuple[int | str, ...]) -> Keys:
    # The model puts the kind of a shape into the path; the file does not.
    return tuple(
        key
        for place, key in enumerate(location)
        if not (place and location[place - 1] == "shape" and key in _SHAPE_KINDS)
    )


def similar(word: str, known: list[str]) -> str:
    """End a sentence about an unknown word with the nearest known one, or with all of them."""
    near = difflib.get_close_matches(word, known, 1)
    return f"did you mean '{near[0]}'?" if near else f"there are {', '.join(known)}"


def _unknown(root: type[BaseModel], keys: Keys) -> str:
    known = keys_at(root, keys[:-1])
    new = RENAMED.get(str(keys[-1]))
    if new in known:
        return f"this key is now called '{new}'; rename it"
    if keys[0] in SECRETS:
        known = [key for key in known if key not in SECRET_KEYS]
    return f"there is no such key; {similar(str(keys[-1]), known)}"


def _not_one_of(keys: Keys, value: Any, context: Mapping[str, Any], kind: str) -> Mistake:
    if kind == "literal_error":
        words = str(context["expected"])
        near = _near(value, words)
        return Mistake(keys, f"must be {words}{near}", value)
    words = ", ".join(f"'{one}'" for one in _SHAPE_KINDS)
    if kind == "union_tag_not_found":
        return Mistake((*keys, "kind"), f"is missing; give one of {words}")
    return Mistake((*keys, "kind"), f"must be one of {words}{_near(context['tag'], words)}", context["tag"])


def _near(value: object, words: str) -> str:
    known = [word.strip(" '") for word in words.replace(" or ", ", ").split(",")]
    near = difflib.get_close_matches(str(value), known, 1)
    return f"; did you mean '{near[0]}'?" if near else ""


def _range(field_info: FieldInfo | None) -> str | None:
    """Put the bounds of a field into words."""
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
    if not (low or high):
        return None
    return f"must be {low} and {high}" if low and high else f"must be {low or high}"
