"""How much tap water a tank of rain can take and stay under the limit, both readings being uncertain."""

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
    """What may be added.

    ``share`` is the tap water's share of the finished blend that keeps its upper end (k = 2) under the limit,
    ``share_at_best`` the one that brings the bare readings just to the limit. ``tap_l`` is what that share
    means for the rain there is and the room in the tank; ``blend`` is the water it makes.
    """

    share: float
    share_at_best: float
    tap_l: float
    blend: Water
    assumed: tuple[str, ...]


def tap_into_rain(rain_l: float, room_l: float, rain: Water, tap: Water, limit_ppm: float) -> Blend:
    """Litres of tap water that a tank of rain can take and stay under the limit.

    Args:
        rain_l: litres of rain in the tank.
        room_l: litres that still fit.
        rain, tap: the two waters, on the limit's scale; solids mix by volume, near enough, in dilute water.
        limit_ppm: the limit of the blend.

    Raises:
        InputError: a negative volume, or a limit that is not above zero.
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
    """The largest share whose upper end is at most the limit; the upper end is convex in the share."""
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
