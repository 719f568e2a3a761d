"""How much tap water a tank of rain can take under the limit, if both readings are uncertain. Core."""

import math
from dataclasses import dataclass

from bridge.errors import InputError


@dataclass(frozen=True, slots=True)
class Water:
    """A water's dissolved solids in ppm, and the expanded uncertainty (k = 2) of that reading in ppm."""

    ppm: float
    expanded_ppm: float

    def __post_init__(self) -> None:
        for value in (self.ppm, self.expanded_ppm):
            if not (math.isfinite(value) and value >= 0.0):
                raise InputError(
                    f"Blend: {self.ppm:g} ± {self.expanded_ppm:g} ppm; both must be zero or more."
                )


@dataclass(frozen=True, slots=True)
class Blend:
    """The tap water that may be added.

    Attributes:
        share: The share of tap water in the blend that keeps its upper end (k = 2) under the limit.
        share_at_best: The share that brings the readings without their uncertainty just to the limit.
        tap_l: The litres of tap water, limited by the room in the tank.
        blend: The water that results.
        assumed: The assumptions in words.
    """

    share: float
    share_at_best: float
    tap_l: float
    blend: Water
    assumed: tuple[str, ...]


def tap_into_rain(rain_l: float, room_l: float, rain: Water, tap: Water, limit_ppm: float) -> Blend:
    """Compute the litres of tap water that keep a tank of rain under the limit.

    Solids mix by volume, near enough, in dilute water.

    Args:
        rain_l: The litres of rain in the tank.
        room_l: The litres that still fit.
        rain: The rain, on the limit's scale.
        tap: The tap water, on the limit's scale.
        limit_ppm: The limit of the blend.

    Raises:
        InputError: A volume is negative, or the limit is not above zero.
    """
    for what, value in (("rain", rain_l), ("room", room_l)):
        if not (math.isfinite(value) and value >= 0.0):
            raise InputError(f"Blend: {value:g} L of {what}; it must be zero or more.")
    if not (math.isfinite(limit_ppm) and limit_ppm > 0.0):
        raise InputError(f"Blend: a limit of {limit_ppm:g} ppm; it must be above zero.")
    share = _largest_share(rain, tap, limit_ppm)
    at_best = _largest_share(Water(rain.ppm, 0.0), Water(tap.ppm, 0.0), limit_ppm)
    wanted = rain_l * share / (1.0 - share) if share < 1.0 else math.inf
    tap_l = min(wanted, room_l)
    real = tap_l / (tap_l + rain_l) if tap_l > 0.0 else 0.0
    assumed = (
        f"rain {rain.ppm:g} ± {rain.expanded_ppm:g} ppm",
        f"tap {tap.ppm:g} ± {tap.expanded_ppm:g} ppm",
        f"limit {limit_ppm:g} ppm with the upper end (k = 2) under it",
        "dissolved solids mix by volume",
    )
    return Blend(share, at_best, tap_l, _mixed(rain, tap, real), assumed)


def _largest_share(rain: Water, tap: Water, limit_ppm: float) -> float:
    """Find the largest share whose upper end is at most the limit; the upper end is convex in the share."""
    if _upper(rain, tap, 1.0) <= limit_ppm:
        return 1.0
    if _upper(rain, tap, 0.0) > limit_ppm:
        return 0.0
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _upper(rain, tap, middle) <= limit_ppm else (low, middle)
    return low


def _upper(rain: Water, tap: Water, share: float) -> float:
    blend = _mixed(rain, tap, share)
    return blend.ppm + blend.expanded_ppm


def _mixed(rain: Water, tap: Water, share: float) -> Water:
    return Water(
        share * tap.ppm + (1.0 - share) * rain.ppm,
        math.hypot(share * tap.expanded_ppm, (1.0 - share) * rain.expanded_ppm),
    )
