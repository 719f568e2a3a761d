"""The mistakes in a configuration as sentences. Core.

A sentence has the place, the value, and what would be right. A value is shown only if it cannot be a secret.
The value of an unknown key is hidden, because the key may be a misspelt password; a text with an ``@`` is
hidden, because it may be an address with a password.
"""

import difflib
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from bridge.config.tables import Keys, find, keys_at, range_of
from bridge.errors import InputError, OutOfRangeError

T = TypeVar("T")

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
            bounds = range_of(field_info)
            words = f"must be {bounds}" if bounds else error["msg"].replace("Input should", "must")
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


_PLACE = re.compile(r"\(at line (\d+), column \d+\)")
_VALUE = r"^\s*[\w.\"'-]+\s*=\s*"
_NUMBER = r"[+-]?\d*\.?\d+"

_BY_LINE = (
    (r"[“”„‘’«»]", "write straight quotation marks (\" or '), not curly ones"),
    (r"^\s*//", "a comment begins with #, not with //"),
    (r";\s*(#.*)?$", "leave the semicolon out"),
    (rf"{_VALUE}(True|TRUE|yes|Yes|on|On)\b", "write true, in lower case"),
    (rf"{_VALUE}(False|FALSE|no|No|off|Off)\b", "write false, in lower case"),
    (rf"{_VALUE}\d+,\d+\s*(#.*)?$", "write a decimal point, such as 0.58, not a comma"),
    (rf"{_VALUE}[+-]?\.\d", "write a zero before the point, such as 0.58"),
    (rf"{_VALUE}[+-]?\d+\.(?!\d)", "write a digit after the point, such as 1.0"),
    (
        rf"{_VALUE}{_NUMBER}\s*[^\W\d_]",
        "write the number alone; the unit is in the key's name, or number and unit are in quotation marks",
    ),
    (rf"{_VALUE}[^\W\d_]", "put the text into quotation marks"),
    (rf"{_VALUE}(#.*)?$", "give a value after the equals sign"),
    (r"^\s*[\w.-]+\s*:", "write key = value, with an equals sign, not a colon"),
    (
        r"^\s*[{}]",
        "this looks like JSON; write tables such as [reservoir.barrel] and lines such as key = value",
    ),
)
"""A pattern of the line, and what would be right; the first one that fits counts."""

_BY_MESSAGE = (
    ("Illegal character '\\n'", "close the text with a quotation mark in the same line"),
    ("Expected ']' at the end of a table", "close the name of the table with ]"),
    ("Cannot declare", "this table stands further up already; put its keys there"),
    ("Cannot overwrite", "this key stands in the table already; keep one of the two"),
    ("'\\' in a string", "put a text with \\ between single quotation marks"),
)


def toml_hint(text: str, message: str) -> str:
    """Return what would be right at the place that a TOML reader refused.

    Args:
        text: The whole file.
        message: The reader's message, which ends with the line and the column.
    """
    if text.startswith("\ufeff"):
        return "save the file as UTF-8 without a byte order mark"
    for part, right in _BY_MESSAGE:
        if part in message:
            return right
    place = _PLACE.search(message)
    lines = text.split("\n")
    line = lines[int(place[1]) - 1].rstrip("\r") if place and int(place[1]) <= len(lines) else ""
    for pattern, right in _BY_LINE:
        if re.search(pattern, line):
            return right
    return "compare that line with an example in the directory config"
