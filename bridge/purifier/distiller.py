"""A distiller has nothing to exhaust: what counts is the scale it has boiled out of the feed."""

import math

from bridge.errors import InputError


def scale_g(volume_l: float, carbonate_hardness_ppm: float) -> float:
    """Grams of scale in the boiler, at most: all carbonate hardness (ppm as calcium carbonate) boiled so far.

    Raises:
        InputError: a negative or non-finite value.
    """
    for what, value in (("volume", volume_l), ("carbonate hardness", carbonate_hardness_ppm)):
        if not (math.isfinite(value) and value >= 0.0):
            raise InputError(f"Distiller: {what} is {value:g}; it must be zero or more.")
    return volume_l * carbonate_hardness_ppm / 1000.0


def litres_to_descaling(since_last_l: float, carbonate_hardness_ppm: float, allowed_g: float) -> float:
    """Litres that may still be boiled before ``allowed_g`` of scale have gathered; 0 when it is due.

    Raises:
        InputError: a negative or non-finite value, or an allowance that is not above zero.
    """
    if not (math.isfinite(allowed_g) and allowed_g > 0.0):
        raise InputError(f"Distiller: {allowed_g:g} g of scale allowed; it must be above zero.")
    room_g = allowed_g - scale_g(since_last_l, carbonate_hardness_ppm)
    if carbonate_hardness_ppm == 0.0:
        return math.inf
    return max(room_g, 0.0) * 1000.0 / carbonate_hardness_ppm
