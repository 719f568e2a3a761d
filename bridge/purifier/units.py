"""Units in which the trade states volumes and capacities, and their exact or published constants."""

import math

from bridge.errors import InputError

LITRES_PER_US_GALLON = 3.785411784
"""Exact: 231 cubic inches of 25.4 mm."""
MILLIGRAMS_PER_GRAIN = 64.79891
"""Exact: the international grain."""
PPM_PER_GRAIN_PER_US_GALLON = MILLIGRAMS_PER_GRAIN / LITRES_PER_US_GALLON
"""17.118 mg/L."""
LITRES_PER_CUBIC_FOOT = 28.316846592
"""Exact: a cube of 304.8 mm."""
CACO3_EQUIVALENT_WEIGHT_G = 50.04
"""Grams in one equivalent of calcium carbonate: molar mass 100.09 g/mol over two charges."""

_VOLUMES_L = {
    "l": 1.0,
    "ml": 0.001,
    "m3": 1000.0,
    "us-gal": LITRES_PER_US_GALLON,
    "ft3": LITRES_PER_CUBIC_FOOT,
}
_CONCENTRATIONS_PPM = {"ppm": 1.0, "mg/l": 1.0, "gpg": PPM_PER_GRAIN_PER_US_GALLON}
_MASSES_G = {"g": 1.0, "kg": 1000.0, "grain": MILLIGRAMS_PER_GRAIN / 1000.0}


def litres(value: float, unit: str) -> float:
    """A volume in litres; units ``l``, ``ml``, ``m3``, ``us-gal``, ``ft3``.

    Raises:
        InputError: an unknown unit, or a value that is negative or not finite.
    """
    return _convert("volume", value, unit, _VOLUMES_L)


def ppm(value: float, unit: str) -> float:
    """A concentration in ppm (mg/L); units ``ppm``, ``mg/l``, ``gpg`` (grains per US gallon).

    Raises:
        InputError: an unknown unit, or a value that is negative or not finite.
    """
    return _convert("concentration", value, unit, _CONCENTRATIONS_PPM)


def grams(value: float, unit: str) -> float:
    """A mass in grams; units ``g``, ``kg``, ``grain``.

    Raises:
        InputError: an unknown unit, or a value that is negative or not finite.
    """
    return _convert("mass", value, unit, _MASSES_G)


def _convert(quantity: str, value: float, unit: str, table: dict[str, float]) -> float:
    factor = table.get(unit.strip().lower())
    if factor is None:
        raise InputError(f"Unknown unit {unit!r} for a {quantity}; it must be one of {', '.join(table)}.")
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError(f"A {quantity} of {value:g} {unit}: it must be zero or more.")
    return value * factor
