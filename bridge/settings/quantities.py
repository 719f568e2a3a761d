"""Quantities of the configuration that may stand with a unit: a number, or a text such as ``"12 us-gal"``."""

from typing import Annotated, Any

from pydantic import BeforeValidator

from bridge import units
from bridge.errors import InputError
from bridge.settings.table import sound


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
