"""The water and the solids of a tray: their balance in a stretch of constant rates, exactly, and the flush.

In any stretch of constant rates (q litres at c ppm in, e litres evaporated) the volume V and
the solids S follow dV = q - e - r and dS = q c - r S / V, where r is the run-off: zero under the spill level,
q - e at it. When no water stands in the tray, the pots dry, and e falls in proportion to what they hold.

The cycles of concentration of a tray, a term of cooling towers, are the ratio of the tray's concentration to
that of the added water. There are two ways to lower it. Pour water through the tray while it overflows: the
water that runs off is a well-stirred mixture. Or tip a part out and refill. Soil and moss hold water too, and
release their solids slowly: measure again a day later.
"""

import math
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.tank.shapes import not_negative, positive


@dataclass(frozen=True, slots=True)
class Balance:
    """Water in litres and dissolved solids in milligrams, because these add up and ppm do not.

    Raises:
        OutOfRangeError: If a value is negative or not finite.
    """

    volume_l: float = 0.0
    solids_mg: float = 0.0

    def __post_init__(self) -> None:
        not_negative("Balance", "the volume", self.volume_l, "L")
        not_negative("Balance", "the dissolved solids", self.solids_mg, "mg")

    @property
    def ppm(self) -> float:
        """Dissolved solids in mg/L. Without water it is 0 without solids, and infinity with a dry residue."""
        if self.volume_l > 0.0:
            return self.solids_mg / self.volume_l
        return math.inf if self.solids_mg > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class Flow:
    """The result of a stretch of constant rates."""

    balance: Balance
    run_off_l: float
    run_off_mg: float


def mixed(
    start: Balance,
    inflow_l: float,
    inflow_ppm: float,
    evaporated_l: float,
    spill_l: float,
    held_l: float = 0.0,
) -> Flow:
    """Return the water after a stretch in which inflow and evaporation have constant rates.

    The volume passes up to three ranges, each with its own solution: under ``held_l`` the draw-off falls in
    proportion to the water that is left, above it the volume is linear, at ``spill_l`` the mixture runs off.

    Args:
        start: The water at first. What stands above the spill level runs off at once.
        inflow_l: The litres that flow in.
        inflow_ppm: Their dissolved solids.
        evaporated_l: The litres that evaporate or are drawn by the pots while water stands in the tray.
        spill_l: The volume above which water runs off.
        held_l: The volume that moss and soil hold, from which the draw-off becomes slower.
    """
    volume, solids, left = start.volume_l, start.solids_mg, 1.0
    run_off_l = max(volume - spill_l, 0.0)
    run_off_mg = solids * run_off_l / volume if run_off_l > 0.0 else 0.0
    volume, solids = volume - run_off_l, solids - run_off_mg
    net_l, added_mg = inflow_l - evaporated_l, inflow_l * inflow_ppm
    if volume < held_l:
        volume, left = _soaking(volume, inflow_l, evaporated_l, held_l)
        solids += (1.0 - left) * added_mg
    if left > 0.0 and net_l < 0.0:
        # Until no water stands in the tray.
        time = min((held_l - volume) / net_l, left)
        volume, solids, left = volume + time * net_l, solids + time * added_mg, left - time
        if left > 0.0:
            volume = _drying(held_l, left * inflow_l, left * evaporated_l, held_l)
            solids, left = solids + left * added_mg, 0.0
    elif left > 0.0 and net_l > 0.0:
        # Until the tray runs over.
        time = min((spill_l - volume) / net_l, left)
        volume, solids, left = volume + time * net_l, solids + time * added_mg, left - time
        if left > 0.0:
            steady = added_mg * spill_l / net_l
            after = steady + (solids - steady) * math.exp(-left * net_l / spill_l)
            run_off_l += left * net_l
            run_off_mg += solids + left * added_mg - after
            volume, solids = spill_l, after
    elif left > 0.0:
        solids += left * added_mg
    return Flow(Balance(max(volume, 0.0), solids), run_off_l, run_off_mg)


def _soaking(volume_l: float, inflow_l: float, evaporated_l: float, held_l: float) -> tuple[float, float]:
    """Return the volume under ``held_l``, and the share of the time that is left when it has reached that."""
    if inflow_l <= evaporated_l:
        return _drying(volume_l, inflow_l, evaporated_l, held_l), 0.0
    if evaporated_l < 1e-9 * inflow_l:
        time = (held_l - volume_l) / inflow_l
    else:
        steady_l = inflow_l * held_l / evaporated_l
        time = held_l / evaporated_l * math.log((steady_l - volume_l) / (steady_l - held_l))
    if time >= 1.0:
        return _drying(volume_l, inflow_l, evaporated_l, held_l), 0.0
    return held_l, 1.0 - time


def _drying(volume_l: float, inflow_l: float, evaporated_l: float, held_l: float) -> float:
    """Return the volume under ``held_l`` after dV = q - e V / held."""
    if held_l <= 0.0:
        return 0.0
    rate = evaporated_l / held_l
    if rate < 1e-9:
        return volume_l + inflow_l
    return volume_l * math.exp(-rate) - inflow_l / rate * math.expm1(-rate)


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
