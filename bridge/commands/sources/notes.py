"""What the figures of a comparison assumed, as numbered notes that say which key would change each. Core."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import groupby

from bridge.sourcing.cost import Figure

KEYS = {
    "need": "need.per_day",
    "feed": "feed.solids",
    "tap water": "tariffs.water",
    "energy": "tariffs.energy_per_kwh",
    "distilled water per L": "bought.price",
    "brought home on a journey": "bought.journey_brings",
    "a journey": "bought.hours_per_journey",
    "bought water": "bought.solids",
    "distiller": "distiller.price",
    "life of the distiller": "distiller.life_years",
    "distiller's energy": "distiller.energy_kwh_per_l",
    "distiller's pace": "distiller.hours_per_batch",
    "distiller's batch": "distiller.batch",
    "work for a batch": "distiller.attended_hours_per_batch",
    "distilled water ppm": "distiller.solids",
    "membrane set": "membrane.price",
    "life of the membrane set": "membrane.life_years",
    "membrane's spare parts": "membrane.upkeep_per_year",
    "membrane lets through": "membrane.rejection_percent",
    "membrane's recovery": "membrane.recovery_percent",
    "membrane's output": "membrane.makes_per_day",
    "membrane's upkeep": "membrane.attended_hours_per_month",
    "cartridge": "cartridge.price",
    "cartridge takes up": "cartridge.takes_up",
    "cartridge's holder": "cartridge.holder_price",
    "life of the cartridge's holder": "cartridge.holder_life_years",
    "cartridge's pace": "cartridge.minutes_per_l",
    "pouring": "cartridge.attended_minutes_per_l",
    "cartridge's product": "cartridge.solids",
    "tank": "rain.price",
    "life of the tank": "rain.life_years",
    "tank's upkeep": "rain.attended_hours_per_month",
    "rain from the roof": "rain.solids",
    "rain's yield": "rain.roof_m2",
}
"""The key behind each assumption, by its words; where words stand for two things their unit is added."""

OTHER_KEYS = {"cartridge.takes_up": ("cartridge.treats", "cartridge.resin")}
"""Keys that state the same in another way."""

COMMON_TO_ALL = ("need ", "feed ", "tap water ", "energy ")
"""How the assumptions begin that nearly every way shares; they get the first numbers."""

_SHAPE = re.compile(
    r"(?P<what>\D+?) (?P<value>[\d.e+-]+) (?P<unit>[^(±]+?)(?P<spread> ± [^(]+)? \((?P<source>.+)\)"
)


@dataclass(frozen=True, slots=True)
class Note:
    """One assumption. ``key`` is what changes it (None where nothing does), ``stated`` whether it was set."""

    number: int
    text: str
    key: str | None
    stated: bool


class Notes:
    """Numbers the assumptions in the order in which they are first met.

    Args:
        currency: the word for money.
        stated: keys that were stated.
        remarks: more to say of single assumptions, by their words.
    """

    def __init__(self, currency: str, stated: Iterable[str], remarks: Mapping[str, str]) -> None:
        self._currency = currency
        self._stated = frozenset(stated)
        self._remarks = remarks
        self._numbers: dict[str, int] = {}

    def of(self, *figures: Figure) -> list[int]:
        """The numbers of all that these figures assumed, rising."""
        texts = [text for figure in figures for text in figure.assumed]
        return sorted({self._numbers.setdefault(text, len(self._numbers) + 1) for text in texts})

    def number(self, each_way: Iterable[Iterable[Figure]]) -> None:
        """Number what all ways share first, and then way by way, so that a line's notes stand together."""
        ways = [list(figures) for figures in each_way]
        texts = [text for figures in ways for figure in figures for text in figure.assumed]
        for beginning in COMMON_TO_ALL:
            shared = [text for text in texts if text.startswith(beginning)]
            self.of(*(Figure(0.0, 0.0, "", (text,)) for text in shared))
        for figures in ways:
            self.of(*figures)

    def all(self) -> list[Note]:
        """Every assumption met so far."""
        return [self._note(number, text) for text, number in self._numbers.items()]

    def _note(self, number: int, text: str) -> Note:
        shape = _SHAPE.fullmatch(text)
        if shape is None:
            return Note(number, text, None, False)
        what, source = shape["what"], shape["source"]
        unit = money(shape["unit"], self._currency)
        key = KEYS.get(what) or KEYS.get(f"{what} {shape['unit']}")
        names = () if key is None else (key, *OTHER_KEYS.get(key, ()))
        key = next((name for name in names if name in self._stated), key)
        stated = key in self._stated
        said = "stated" if stated else "usual value" if source == "stated by you" else source
        if remark := self._remarks.get(what):
            said = f"{remark}; {said}"
        return Note(number, f"{what} {shape['value']} {unit}{shape['spread'] or ''} ({said})", key, stated)


def money(unit: str, currency: str) -> str:
    """The unit with the word for money in it where it is a price."""
    if unit == "each":
        return currency
    return f"{currency} {unit}" if unit.startswith("per ") else unit


def ranges(numbers: Iterable[int]) -> str:
    """Numbers in short: 1-4,7."""
    runs = [
        [number for _, number in group]
        for _, group in groupby(enumerate(sorted(set(numbers))), key=lambda pair: pair[1] - pair[0])
    ]
    return ",".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)
