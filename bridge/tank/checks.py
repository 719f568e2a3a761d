"""The two checks that every part of the tank needs, with one wording."""

import math

from bridge.errors import OutOfRangeError

# Rounding on the way through a volume and back may pass an end by this share of the range.
_ROUNDING = 1e-9


def positive(where: str, what: str, value: float, unit: str) -> None:
    """Refuse a ``value`` that is not a number above 0.

    Raises:
        OutOfRangeError: with the place, the quantity and what would be right.
    """
    if not 0.0 < value < math.inf:
        raise OutOfRangeError(f"{where}: {what} is {value:g} {unit}; it must be a number above 0.")


def not_negative(where: str, what: str, value: float, unit: str) -> None:
    """Refuse a ``value`` that is not a number of 0 or more.

    Raises:
        OutOfRangeError: with the place, the quantity and what would be right.
    """
    if not 0.0 <= value < math.inf:
        raise OutOfRangeError(f"{where}: {what} is {value:g} {unit}; it must be a number of 0 or more.")


def within(where: str, what: str, value: float, top: float, unit: str) -> float:
    """``value`` if it lies in 0 to ``top``; an end passed by rounding alone counts as the end.

    Raises:
        OutOfRangeError: with the place, the quantity and the range.
    """
    if 0.0 <= value <= top:
        return value
    if -_ROUNDING * top <= value <= top * (1.0 + _ROUNDING):
        return 0.0 if value < 0.0 else top
    raise OutOfRangeError(f"{where}: {what} is {value:g} {unit}; this tank holds 0 to {top:g} {unit}.")
