"""The balance of a well-mixed reservoir: how much water, and how much is dissolved in it.

Water that leaves through the tap takes its share of the solids along; water that evaporates leaves them
behind. That difference is why a reservoir of good water can go off with nothing bad flowing in.
Litres and milligrams are kept, never ppm, because only they add up; ppm is mg/L on one scale of dissolved
solids for everything that goes in.
"""

import math
from dataclasses import dataclass

from bridge.errors import InputError
from bridge.tank.shapes import not_negative

# A reservoir read as empty still has wet walls. This film is nothing in the balance, but it keeps the
# concentration, so that a level sensor's short visit to zero does not turn the whole tank into pure water.
_FILM_L = 1e-6


@dataclass(frozen=True, slots=True)
class Balance:
    """Water in litres and dissolved solids in milligrams.

    Raises:
        OutOfRangeError: a negative or non-finite value.
    """

    volume_l: float = 0.0
    solids_mg: float = 0.0

    def __post_init__(self) -> None:
        if not (0.0 <= self.volume_l < math.inf and 0.0 <= self.solids_mg < math.inf):
            not_negative("Balance", "the volume", self.volume_l, "L")
            not_negative("Balance", "the dissolved solids", self.solids_mg, "mg")

    @classmethod
    def of_water(cls, volume_l: float, ppm: float) -> "Balance":
        """A reservoir that holds ``volume_l`` litres of ``ppm``."""
        not_negative("Balance", "the concentration", ppm, "ppm")
        return cls(volume_l, volume_l * ppm)

    @property
    def ppm(self) -> float:
        """Dissolved solids in mg/L.

        With no water: 0 when nothing is left, infinity when a residue lies on the dry floor, since no
        water at all can hold it within any limit.
        """
        if self.volume_l > 0.0:
            return self.solids_mg / self.volume_l
        return math.inf if self.solids_mg > 0.0 else 0.0


def inflow(balance: Balance, volume_l: float, ppm: float) -> Balance:
    """After ``volume_l`` litres of ``ppm`` have flowed in.

    Raises:
        OutOfRangeError: a negative or non-finite value; so for every function here.
    """
    not_negative("Inflow", "the volume", volume_l, "L")
    not_negative("Inflow", "the concentration", ppm, "ppm")
    return Balance(balance.volume_l + volume_l, balance.solids_mg + volume_l * ppm)


def rain(balance: Balance, volume_l: float, ppm: float = 10.0) -> Balance:
    """After ``volume_l`` litres of rain have fallen in.

    The default is a careful round figure for roof water, from memory and without a source;
    a reading of one's own is better.
    """
    return inflow(balance, volume_l, ppm)


def draw_off(balance: Balance, volume_l: float) -> Balance:
    """After ``volume_l`` litres were taken, with their share of the solids; at most what is there."""
    not_negative("Draw-off", "the volume", volume_l, "L")
    if volume_l >= balance.volume_l:
        # A dry residue does not leave through the tap.
        return Balance() if balance.volume_l > 0.0 else balance
    rest_l = balance.volume_l - volume_l
    return Balance(rest_l, balance.solids_mg * (rest_l / balance.volume_l))


def evaporation(balance: Balance, volume_l: float) -> Balance:
    """After ``volume_l`` litres have evaporated, at most what is there; every solid stays."""
    not_negative("Evaporation", "the volume", volume_l, "L")
    return Balance(max(balance.volume_l - volume_l, 0.0), balance.solids_mg)


def observed_volume(balance: Balance, volume_l: float, rise_ppm: float | None = None) -> Balance:
    """The balance brought to a measured volume.

    A fall counts as draw-off, so the concentration stays; evaporation is to be booked before. A rise counts
    as inflow of ``rise_ppm``, or of the reservoir's own concentration when that is None. Down to a measured
    volume of zero a film of a milligram of water is kept, which remembers the concentration.

    Raises:
        InputError: a rise from an empty balance with nothing known of the water. Give ``rise_ppm``, or
            begin with :meth:`Balance.of_water`.
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
        f"Reservoir: {volume_l:g} L appeared in an empty balance and nothing is known of that water; "
        "give its concentration, or measure a sample."
    )


def sample(balance: Balance, ppm: float) -> Balance:
    """A measured concentration replaces the estimate; the volume stays.

    Of a balance without water the measured film is kept, so that the value is not lost.
    """
    not_negative("Sample", "the concentration", ppm, "ppm")
    return Balance.of_water(max(balance.volume_l, _FILM_L), ppm)


def after_inflow(balance: Balance, volume_l: float, ppm: float) -> float:
    """The concentration in ppm that the reservoir would have after ``volume_l`` more litres of ``ppm``."""
    return inflow(balance, volume_l, ppm).ppm
