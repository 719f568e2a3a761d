"""The assumptions of a comparison as numbered notes, and the comparison as a JSON object. Core.

Each note has the key of the configuration that changes the assumption.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from bridge.commands.sources.case import Case
from bridge.sourcing.cost import STATED, Assumption, Figure
from bridge.sourcing.ways import Offer, cheapest, overtakings

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


def as_object(case: Case) -> dict[str, Any]:
    """Return every figure with its 95 % interval, unit and notes; null means that there is no bound."""
    notes = Notes(case.currency, case.stated, case.remarks)

    def figure(one: Figure) -> dict[str, Any]:
        return {
            "value": _finite(one.value),
            "low95": _finite(one.low),
            "high95": _finite(one.high),
            "unit": money(one.unit, case.currency),
            "notes": notes.of(one),
        }

    def way(offer: Offer) -> dict[str, Any]:
        return {
            "way": offer.way.value,
            "suitability": offer.suitability.value,
            "enough": offer.enough,
            "units": offer.units,
            "within_hours": offer.in_time,
            "days_met_share": offer.days_met_share,
            "days_met_low95": offer.days_met_low,
            "product": figure(offer.product_ppm),
            "cost_per_l": figure(offer.cost_per_l),
            "fixed_per_year": figure(offer.fixed_per_year),
            "running_per_l": figure(offer.per_l),
            "makes_l_per_day": figure(offer.makes_l_per_day),
            "attended_hours_per_month": figure(offer.attended_hours_per_month),
            "journeys_per_month": figure(offer.journeys_per_month),
            "waste_l_per_l": figure(offer.waste_l_per_l),
            "energy_kwh_per_l": figure(offer.energy_kwh_per_l),
        }

    made: dict[str, Any] = {
        "currency": case.currency,
        "need_l_per_day": case.need.litres_per_day,
        "feed_ppm": case.need.feed_ppm,
        "limit_ppm": case.need.limit_ppm,
        "target_ppm": case.need.target_ppm,
        "cartridge_treats_l": case.cartridge_l,
        "ways": [way(offer) for offer in case.offers],
        "overtakes": [
            {
                "way": one.later.way.value,
                "overtakes": one.first.way.value,
                "from_l_per_day": figure(one.at),
                "beyond_what_it_makes": one.beyond,
            }
            for one in overtakings(case.offers)
        ],
        "cheapest": [
            {
                "from_l_per_day": stretch.low_l,
                "to_l_per_day": _finite(stretch.high_l),
                "way": stretch.offer.way.value,
            }
            for stretch in cheapest(case.offers)
        ],
    }
    if case.blend is not None:
        blend = case.blend
        made["blend"] = {
            "tap_l": blend.tap_l,
            "tap_share": blend.share,
            "tap_share_at_bare_readings": blend.share_at_best,
            "blend_ppm": blend.blend.ppm,
            "blend_expanded_uncertainty_ppm": blend.blend.expanded_ppm,
            "assumed": list(blend.assumed),
        }
    made["notes"] = [
        {"number": note.number, "text": note.text, "key": note.key, "stated": note.stated}
        for note in notes.all()
    ]
    return made


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
