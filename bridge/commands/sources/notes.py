"""The assumptions behind a comparison as numbered notes, with the key that changes each. Core."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import groupby

from bridge.sourcing.cost import STATED, Assumption, Figure

OTHER_KEYS = {"cartridge.takes_up": ("cartridge.treats", "cartridge.resin")}
"""Keys that state the same thing in another way."""

COMMON_TO_ALL = ("need.per_day", "feed.solids", "tariffs.water", "tariffs.energy_per_kwh")
"""The assumptions that nearly every way shares; they get the first numbers."""


@dataclass(frozen=True, slots=True)
class Note:
    """One assumption. ``key`` changes it (None if nothing does), and ``stated`` says whether it was set."""

    number: int
    text: str
    key: str | None
    stated: bool


class Notes:
    """Numbers the assumptions in the order in which they are first met.

    Args:
        currency: The word for money.
        stated: The keys that were stated.
        remarks: More about single assumptions, by their key.
    """

    def __init__(self, currency: str, stated: Iterable[str], remarks: Mapping[str, str]) -> None:
        self._currency = currency
        self._stated = frozenset(stated)
        self._remarks = remarks
        self._numbers: dict[Assumption, int] = {}

    def of(self, *figures: Figure) -> list[int]:
        """Return the numbers of all assumptions of these figures, in rising order."""
        return sorted({self._number(one) for figure in figures for one in figure.assumed})

    def number(self, each_way: Iterable[Iterable[Figure]]) -> None:
        """Number first what all ways share, then way by way, so that the notes of a row are neighbours."""
        ways = [list(figures) for figures in each_way]
        assumed = [one for figures in ways for figure in figures for one in figure.assumed]
        for key in COMMON_TO_ALL:
            for one in assumed:
                if one.key == key:
                    self._number(one)
        for figures in ways:
            self.of(*figures)

    def all(self) -> list[Note]:
        """Return a note for every assumption met so far."""
        return [self._note(number, one) for one, number in self._numbers.items()]

    def _number(self, assumption: Assumption) -> int:
        return self._numbers.setdefault(assumption, len(self._numbers) + 1)

    def _note(self, number: int, assumption: Assumption) -> Note:
        key = assumption.key
        if key is not None:
            key = next((one for one in (key, *OTHER_KEYS.get(key, ())) if one in self._stated), key)
        stated = key in self._stated
        source = assumption.source
        source = "stated" if stated else "usual value" if source == STATED else source
        if remark := self._remarks.get(assumption.key or ""):
            source = f"{remark}; {source}"
        return Note(number, assumption.text(money(assumption.unit, self._currency), source), key, stated)


def money(unit: str, currency: str) -> str:
    """Put the word for money into the unit of a price."""
    if unit == "each":
        return currency
    return f"{currency} {unit}" if unit.startswith("per ") else unit


def ranges(numbers: Iterable[int]) -> str:
    """Write numbers in short, such as ``1-4,7``."""
    runs = [
        [number for _, number in group]
        for _, group in groupby(enumerate(sorted(set(numbers))), key=lambda pair: pair[1] - pair[0])
    ]
    return ",".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)
