"""Numbers of a series to codes and back, and what the next code is expected to be.

What is stored of a number is by how much its guess was wrong: mostly nothing. A series that follows from
another is guessed from that with the last ratio between the two, and every other from its own moving mean.
"""

from array import array
from collections.abc import Mapping

from bridge.history.coding import code_of, value_of
from bridge.history.records import SERIES_FACTS, Series

PARENTS = {
    Series.CONDUCTIVITY_25: Series.CONDUCTANCE,
    Series.PRODUCT_PPM: Series.CONDUCTIVITY_25,
    Series.UNCERTAINTY: Series.PRODUCT_PPM,
}
ASKED = {*PARENTS.values(), Series.TEMPERATURE}
"""The series that a guess of another one looks at."""

_LIMIT = 2**30


def coded(series: Series, value: float) -> int:
    """The code of a number of this series."""
    facts = SERIES_FACTS[series]
    if facts.step is None:
        return code_of(value, facts.digits)
    return max(-_LIMIT, min(_LIMIT, round(value / facts.step)))


def valued(series: Series, code: int) -> float:
    """The number that a code of this series stands for."""
    facts = SERIES_FACTS[series]
    return value_of(code, facts.digits) if facts.step is None else code / round(1 / facts.step)


class Guess:
    """What the next code of one series is expected to be; packing and unpacking ask it the same questions."""

    def __init__(self, series: Series, columns: Mapping[Series, "array[float]"]) -> None:
        self._digits = SERIES_FACTS[series].digits
        self._parent = columns[PARENTS[series]] if series in PARENTS else None
        # 2 % for each kelvin, turned back, is what a compensation to 25 °C does to first order.
        self._heat = columns[Series.TEMPERATURE] if series is Series.CONDUCTIVITY_25 else None
        self._mean = 0.0
        self._fresh = True

    def code(self, own: "array[float]", i: int) -> int:
        """The guess for row ``i``, from the values of the rows before it and the other series now."""
        if self._parent is not None and i:
            now, before, last = self._parent[i], self._parent[i - 1], own[i - 1]
            if now and before and last:
                guess = last / before * now
                if self._heat is not None:
                    warmer = self._heat[i] - self._heat[i - 1]
                    if warmer == warmer:
                        guess *= 1 - 0.02 * warmer
                # Not so where one of the values is none.
                if guess == guess:
                    return code_of(guess, self._digits)
        return round(self._mean)

    def learn(self, code: int) -> None:
        """A moving mean guesses better than the last value does when most of the change is noise."""
        self._mean = float(code) if self._fresh else self._mean + 0.3 * (code - self._mean)
        self._fresh = False


def resolved(series: Series, value: float) -> float:
    """A value at the resolution of the log."""
    return valued(series, coded(series, value))
