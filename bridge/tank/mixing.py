"""The mixing balance of a well-mixed reservoir.

Water that leaves through the tap takes its share of the solids with it. Water that evaporates leaves its
solids behind, so the concentration rises, even if only good water flows in. The balance is in litres and
milligrams, because these are additive and ppm are not. ppm are mg/L, on the same scale of dissolved solids
for all water.
"""

import math
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.tank.shapes import not_negative

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
