"""A tray under the pots: how far its water has thickened, and the flush that brings it back.

What evaporates leaves its solids behind, so the water in a tray thickens however pure the water given is.
Cycles of concentration, the cooling trade's measure, say how many times over. Two ways bring a tray back:
pour the given water through it while it runs over (what runs off is a mixture, well stirred), or tip part of
it out and fill up. Soil and moss hold water too and give their solids off slowly: measure again a day later.
"""

import math
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.tank.shapes import not_negative, positive

_SHARE_OF_THE_ROOM = 0.9


@dataclass(frozen=True, slots=True)
class Flush:
    """What brings a tray back under its limit; both are zero when it is there already.

    ``through_l`` is the water to pour through while the tray runs over, ``exchange_l`` what to tip out and
    replace instead, in litres. ``ppm_after`` is what the tray then has.
    """

    through_l: float
    exchange_l: float
    ppm_after: float


def cycles(tray_ppm: float, given_ppm: float) -> float:
    """Cycles of concentration: the tray's dissolved solids over those of the water it was given.

    Below 1 rain has thinned it. Both in ppm on one scale.

    Raises:
        OutOfRangeError: a negative or non-finite value.
        InputError: given water of 0 ppm, against which nothing can be counted.
    """
    not_negative("Tray", "the concentration", tray_ppm, "ppm")
    not_negative("Given water", "the concentration", given_ppm, "ppm")
    if given_ppm == 0.0:
        raise InputError(
            "Given water: 0 ppm; cycles of concentration cannot be counted against it. Measure it with a "
            "meter that shows µS/cm with a decimal."
        )
    return tray_ppm / given_ppm


def flush(
    volume_l: float, tray_ppm: float, given_ppm: float, limit_ppm: float, expanded_ppm: float = 0.0
) -> Flush:
    """The flush that brings a tray with its uncertainty under the limit.

    Poured through, a well-stirred tray falls towards the given water as ``exp(-poured / volume)``. The aim is
    nine tenths of the way from the given water to the limit less ``expanded_ppm``, so that the tray ends
    under the limit and not on it.

    Args:
        volume_l: water standing in the tray, litres.
        tray_ppm: its dissolved solids.
        given_ppm: those of the water to flush with, on the same scale.
        limit_ppm: the limit on the same scale.
        expanded_ppm: expanded uncertainty (k = 2) of the tray's reading.

    Raises:
        OutOfRangeError: a negative or non-finite value, a tray without water, or a limit of zero.
        InputError: given water that is not under the limit less the uncertainty: no flush with it can help.
    """
    positive("Tray", "the volume", volume_l, "L")
    not_negative("Tray", "the concentration", tray_ppm, "ppm")
    not_negative("Given water", "the concentration", given_ppm, "ppm")
    positive("Tray", "the limit", limit_ppm, "ppm")
    not_negative("Tray", "the uncertainty", expanded_ppm, "ppm")
    room_ppm = limit_ppm - expanded_ppm - given_ppm
    if room_ppm <= 0.0:
        raise InputError(
            f"Tray: no flush with {given_ppm:g} ppm brings it under a limit of {limit_ppm:g} ppm with "
            f"± {expanded_ppm:g} ppm of uncertainty; give purer water."
        )
    if tray_ppm + expanded_ppm < limit_ppm:
        return Flush(0.0, 0.0, tray_ppm)
    aim_ppm = given_ppm + _SHARE_OF_THE_ROOM * room_ppm
    excess = (tray_ppm - given_ppm) / (aim_ppm - given_ppm)
    return Flush(volume_l * math.log(excess), volume_l * (1.0 - 1.0 / excess), aim_ppm)


def run_off_share(given_ppm: float, keep_ppm: float) -> float:
    """The share of the water given that has to run off for the tray to settle at ``keep_ppm``: given / keep.

    In the long run as much solids must leave as come in.

    Raises:
        OutOfRangeError: a negative or non-finite value, or a ``keep_ppm`` that is not above zero.
        InputError: given water over what is to be kept.
    """
    not_negative("Given water", "the concentration", given_ppm, "ppm")
    positive("Tray", "the concentration to be kept", keep_ppm, "ppm")
    if given_ppm > keep_ppm:
        raise InputError(
            f"Tray: water of {given_ppm:g} ppm cannot keep it at {keep_ppm:g} ppm; give purer water."
        )
    return given_ppm / keep_ppm
