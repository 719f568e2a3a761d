"""The flush of a tray, and the share of the water that must run off to make a flush needless.

The cycles of concentration of a tray, a term of cooling towers, are the ratio of the tray's concentration to
that of the added water. There are two ways to lower it. Pour water through the tray while it overflows: the
water that runs off is a well-stirred mixture. Or tip a part out and refill. Soil and moss hold water too, and
release their solids slowly: measure again a day later.
"""

import math
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.tank.shapes import not_negative, positive

_SHARE_OF_THE_ROOM = 0.9


@dataclass(frozen=True, slots=True)
class Flush:
    """The flush that brings a tray under its limit. Both volumes are zero if the tray is already under it.

    Attributes:
        through_l: the litres to pour through while the tray overflows.
        exchange_l: instead of that, the litres to tip out and replace.
        ppm_after: the concentration of the tray after either.
    """

    through_l: float
    exchange_l: float
    ppm_after: float


def cycles(tray_ppm: float, given_ppm: float) -> float:
    """Return the cycles of concentration: the ppm of the tray over the ppm of the added water, on one scale.

    Below 1 rain has diluted the tray.

    Raises:
        OutOfRangeError: If a value is negative or not finite.
        InputError: If the added water has 0 ppm: then the ratio is not defined.
    """
    not_negative("Tray", "the concentration", tray_ppm, "ppm")
    not_negative("Given water", "the concentration", given_ppm, "ppm")
    if given_ppm == 0.0:
        raise InputError(
            "Given water: 0 ppm; the cycles of concentration are not defined. Measure the water with a meter "
            "that shows µS/cm with a decimal."
        )
    return tray_ppm / given_ppm


def flush(
    volume_l: float, tray_ppm: float, given_ppm: float, limit_ppm: float, expanded_ppm: float = 0.0
) -> Flush:
    """Return the flush that brings a tray under the limit, with its uncertainty.

    While water is poured through, the concentration of a well-stirred tray approaches that of the added water
    as ``exp(-poured / volume)``. The aim is the concentration of the added water plus nine tenths of the
    distance to the limit less ``expanded_ppm``, so that the tray ends under the limit and not at it.

    Args:
        volume_l: the water in the tray, litres.
        tray_ppm: its dissolved solids.
        given_ppm: the dissolved solids of the water for the flush, on the same scale.
        limit_ppm: the limit on the same scale.
        expanded_ppm: expanded uncertainty (k = 2) of the tray's reading.

    Raises:
        OutOfRangeError: If a value is negative or not finite, or if the volume or the limit is zero.
        InputError: If the added water is not under the limit less the uncertainty: then no flush can help.
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
    """Return the share of the added water that must run off to keep the tray at ``keep_ppm``: given / keep.

    In the long term the outflow of solids must equal the inflow.

    Raises:
        OutOfRangeError: If a value is negative or not finite, or if ``keep_ppm`` is not above zero.
        InputError: If the added water has more than ``keep_ppm``.
    """
    not_negative("Given water", "the concentration", given_ppm, "ppm")
    positive("Tray", "the concentration to be kept", keep_ppm, "ppm")
    if given_ppm > keep_ppm:
        raise InputError(
            f"Tray: water of {given_ppm:g} ppm cannot keep it at {keep_ppm:g} ppm; give purer water."
        )
    return given_ppm / keep_ppm
