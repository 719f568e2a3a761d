"""The mixing balance of a well-mixed reservoir, and of the tray under the pots.

Water that leaves through the tap takes its share of the solids with it. Water that evaporates leaves its
solids behind, so the concentration rises, even if only good water flows in. The balance is in litres and
milligrams, because these are additive and ppm are not. ppm are mg/L, on the same scale of dissolved solids
for all water.

The cycles of concentration of a tray, a term of cooling towers, are the ratio of the tray's concentration to
that of the added water. There are two ways to lower it. Pour water through the tray while it overflows: the
water that runs off is a well-stirred mixture. Or tip a part out and refill. Soil and moss hold water too, and
release their solids slowly: measure again a day later.
"""

import math
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.tank.shapes import not_negative, positive

# The smallest volume after a measured zero. It is negligible in the balance, but it keeps the concentration,
# so that a level sensor that reads zero for a moment does not turn the reservoir into pure water.
_FILM_L = 1e-6


@dataclass(frozen=True, slots=True)
class Balance:
    """Water in litres and dissolved solids in milligrams.

    Raises:
        OutOfRangeError: If a value is negative or not finite.
    """

    volume_l: float = 0.0
    solids_mg: float = 0.0

    def __post_init__(self) -> None:
        not_negative("Balance", "the volume", self.volume_l, "L")
        not_negative("Balance", "the dissolved solids", self.solids_mg, "mg")

    @classmethod
    def of_water(cls, volume_l: float, ppm: float) -> "Balance":
        """Return the balance of ``volume_l`` litres of ``ppm``."""
        not_negative("Balance", "the concentration", ppm, "ppm")
        return cls(volume_l, volume_l * ppm)

    @property
    def ppm(self) -> float:
        """Dissolved solids in mg/L.

        Without water it is 0 without solids, and infinity with a dry residue.
        """
        if self.volume_l > 0.0:
            return self.solids_mg / self.volume_l
        return math.inf if self.solids_mg > 0.0 else 0.0


def inflow(balance: Balance, volume_l: float, ppm: float) -> Balance:
    """Return the balance after an inflow of ``volume_l`` litres of ``ppm``.

    Raises:
        OutOfRangeError: If a value is negative or not finite. This holds for every function of this module.
    """
    not_negative("Inflow", "the volume", volume_l, "L")
    not_negative("Inflow", "the concentration", ppm, "ppm")
    return Balance(balance.volume_l + volume_l, balance.solids_mg + volume_l * ppm)


def rain(balance: Balance, volume_l: float, ppm: float = 10.0) -> Balance:
    """Return the balance after ``volume_l`` litres of rain.

    The default of 10 ppm is a cautious round value for roof water, from memory and without a source. An own
    measurement is better.
    """
    return inflow(balance, volume_l, ppm)


def draw_off(balance: Balance, volume_l: float) -> Balance:
    """Return the balance after a draw-off of ``volume_l`` litres, or of all water if there is less."""
    not_negative("Draw-off", "the volume", volume_l, "L")
    if volume_l >= balance.volume_l:
        # A dry residue does not leave through the tap.
        return Balance() if balance.volume_l > 0.0 else balance
    left_l = balance.volume_l - volume_l
    return Balance(left_l, balance.solids_mg * (left_l / balance.volume_l))


def evaporation(balance: Balance, volume_l: float) -> Balance:
    """Return the balance after ``volume_l`` litres have evaporated, or all water. The solids stay."""
    not_negative("Evaporation", "the volume", volume_l, "L")
    return Balance(max(balance.volume_l - volume_l, 0.0), balance.solids_mg)


def observed_volume(balance: Balance, volume_l: float, rise_ppm: float | None = None) -> Balance:
    """Return the balance with a measured volume.

    A fall counts as draw-off, so the concentration stays. The caller applies evaporation first. A rise counts
    as inflow of ``rise_ppm``, or of the reservoir's own concentration if that is None. At a measured volume
    of zero a milligram of water stays in the balance, to keep the concentration.

    Raises:
        InputError: If the volume rises from an empty balance and the concentration is not known. Give
            ``rise_ppm``, or begin with :meth:`Balance.of_water`.
    """
    not_negative("Reservoir", "the measured volume", volume_l, "L")
    if rise_ppm is not None:
        not_negative("Reservoir", "the concentration of the rise", rise_ppm, "ppm")
    if volume_l <= balance.volume_l:
        left_l = min(max(volume_l, _FILM_L), balance.volume_l)
        if left_l == balance.volume_l:
            return balance
        return Balance(left_l, balance.solids_mg * (left_l / balance.volume_l))
    risen_l = volume_l - balance.volume_l
    if rise_ppm is not None:
        return Balance(volume_l, balance.solids_mg + risen_l * rise_ppm)
    if balance.volume_l > 0.0:
        return Balance(volume_l, balance.solids_mg * (volume_l / balance.volume_l))
    if balance.solids_mg > 0.0:
        return Balance(volume_l, balance.solids_mg)
    raise InputError(
        f"Reservoir: {volume_l:g} L appeared in an empty balance, and nothing is known about that water; "
        "give its concentration, or measure a sample."
    )


def sample(balance: Balance, ppm: float) -> Balance:
    """Return the balance with a measured concentration and the same volume.

    If the balance has no water, a milligram of it keeps the concentration.
    """
    not_negative("Sample", "the concentration", ppm, "ppm")
    return Balance.of_water(max(balance.volume_l, _FILM_L), ppm)


def after_inflow(balance: Balance, volume_l: float, ppm: float) -> float:
    """Return the concentration in ppm after an inflow of ``volume_l`` litres of ``ppm``."""
    return inflow(balance, volume_l, ppm).ppm


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
