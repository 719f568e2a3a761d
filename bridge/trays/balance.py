"""The water and the solids of a tray in a stretch of constant rates, exactly.

In any stretch of constant rates (q litres at c ppm in, e litres evaporated) the volume V and
the solids S follow dV = q - e - r and dS = q c - r S / V, where r is the run-off: zero under the spill level,
q - e at it. When no water stands in the tray, the pots dry, and e falls in proportion to what they hold.
"""

import math
from dataclasses import dataclass

from bridge.tank.mixing import Balance


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
