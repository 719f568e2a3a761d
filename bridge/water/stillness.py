"""How long a probe's values have stood still: real readings move, a repeated old value does not.

Two clocks run, both in flowing water only, for standing water may honestly stand still: one while conductance
and temperature are the same to the last bit, one while the conductance alone is. For the second the
temperatures seen meanwhile are kept, since no water keeps its conductance while its temperature moves far.
"""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stillness:
    """Since the conductance last moved; :data:`MOVING` when it has just done so."""

    same_for_s: float = 0.0
    """How long, in flowing water, both values have been the same."""
    for_s: float = 0.0
    """The same for the conductance alone ..."""
    low_c: float = math.inf
    """... and between which temperatures it has stood still."""
    high_c: float = -math.inf

    @property
    def moved_k(self) -> float:
        """How far the temperature moved meanwhile, in kelvin; below zero when none was seen."""
        return self.high_c - self.low_c


MOVING = Stillness()


def still_longer(
    before: Stillness, flowed_s: float, temperature_c: float | None, same_temperature: bool
) -> Stillness:
    """After one more reading with the conductance of the last one.

    ``flowed_s`` is the time since then if water flowed, else 0; ``temperature_c`` is None where it cannot be
    trusted; ``same_temperature`` says that it did not move either.
    """
    low_c, high_c = before.low_c, before.high_c
    if temperature_c is not None:
        low_c, high_c = min(low_c, temperature_c), max(high_c, temperature_c)
    same_for_s = before.same_for_s + flowed_s if same_temperature else 0.0
    return Stillness(same_for_s, before.for_s + flowed_s, low_c, high_c)
