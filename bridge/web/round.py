"""The watering round as the page shows it, and the ticks that it takes. Core."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, TypedDict

from bridge.history.records import Litres
from bridge.trays.outlook import HORIZON_DAYS, Days
from bridge.trays.round import Item, Need, Round, Unexplained
from bridge.units import DisplayUnits, SolidsUnit

GIVE, FILL, FLUSH, SAMPLE = "give", "fill", "flush", "sample"
"""The kinds of act: what the list says was poured in; so many litres filled it to its mark; its flush; its
water was measured."""
KIND_OF = {Litres.GIVEN: GIVE, Litres.FILLED: FILL, Litres.FLUSHED: FLUSH, Litres.EXCHANGED: FLUSH}
LONGEST_TICK = 64
MOST = 10_000.0
"""Litres, ppm or µS/cm. More is a slip of the finger."""


@dataclass(frozen=True, slots=True)
class Tick:
    """One tick of the list, as a phone sends it."""

    ident: str
    """The same whenever this tick is sent again, so that it is entered once."""
    tray: str
    kind: str
    amount: float
    """Litres as the phone showed them, because the list of the bridge may have changed; or a reading."""
    day: date
    unit: str = ""
    """The unit of a reading."""


@dataclass(frozen=True, slots=True)
class Done:
    """What was done to a tray today."""

    tray: str
    kind: str
    amount: float
    words: str
    tick: str
    """The tick that entered it; empty if it was entered otherwise."""


class ActShown(TypedDict):
    """What is done to a tray, or was done."""

    kind: str
    amount: float
    """Litres; 0 for a sample that is to be taken."""
    words: str
    tick: str
    """The tick of an entry; empty for an act that is to do, and for an entry without a tick."""


class TrayShown(TypedDict):
    """One tray of the list."""

    id: str
    name: str
    water: str
    """The source of its water."""
    solids: str
    """The unit of a reading of its water."""
    scale: str
    acts: list[ActShown]
    """What is to do."""
    done: list[ActShown]
    """What was done today."""
    state: str
    notes: list[str]


class RoundShown(TypedDict):
    """The list of a day."""

    date: str
    trays: list[TrayShown]
    """In the order of the benches."""
    needs: list[str]
    notes: list[str]
    unit: str
    litres_in_unit: float
    """The litres of one unit of volume."""


def tick_in(body: Mapping[str, Any] | None) -> Tick | str:
    """Return the tick of a request, or the sentence that says which form it has."""
    match body:
        case {
            "tick": str(ident), "tray": str(tray), "kind": str(kind), "amount": int() | float() as amount,
            "date": str(text), **others,
        } if (
            0 < len(ident) <= LONGEST_TICK
            and ident.isascii()
            and ident.isalnum()
            and not isinstance(amount, bool)
            and amount <= MOST
        ):  # fmt: skip
            unit = others.get("unit", "")
            units = {one.value for one in SolidsUnit}
            is_reading = kind == SAMPLE and unit in units and amount >= 0.0
            if is_reading or (kind in (GIVE, FILL, FLUSH) and amount > 0.0):
                try:
                    return Tick(ident, tray, kind, float(amount), date.fromisoformat(text), str(unit))
                except ValueError:
                    pass
    return (
        'A tick has the form {"tick": "4f2a", "tray": "south", "kind": "give", "amount": 4.5, "date": '
        f'"2026-07-01"}}. The kind is "{GIVE}", "{FILL}" or "{FLUSH}" with litres, or "{SAMPLE}" with a '
        'reading and its "unit", ppm or µS/cm. The tick has letters and digits, and the amount is at most '
        f"{MOST:.0f}."
    )


def shown_round(
    made: Round,
    done: Sequence[Done],
    units: DisplayUnits,
    *,
    factors: Mapping[str, float],
    compared: Mapping[str, Unexplained],
    assumed: Sequence[str],
    knows_weather: bool,
    advice: Sequence[str],
) -> RoundShown:
    """Return a round with what was done.

    Args:
        made: the round.
        done: what the trays got on its day, in the order of the entries.
        units: the display units.
        factors: the scale of each water, ppm for each µS/cm.
        compared: for each reservoir, the litres that left it and those that were given.
        assumed: the waters that nobody has measured.
        knows_weather: whether any weather is known.
        advice: sentences that come first, such as those about frost and an absence.
    """
    notes = [*advice, *made.notes]
    for ident, one in compared.items():
        if one.is_missing:
            left, given, missing = (
                units.litres_as(litres, ".1f") for litres in (one.left_l, one.given_l, one.missing_l)
            )
            notes.append(
                f"In a week {left} left {ident} and {given} were given; {missing} are missing: spilt, not "
                "entered, or a leak."
            )
    if assumed:
        notes.append(f"Nobody has measured {', '.join(assumed)}: its target is assumed. Enter a sample.")
    if not knows_weather:
        notes.append("No weather is known, so the days are usual ones.")
    return RoundShown(
        date=made.day.isoformat(),
        trays=[_tray(item, made.can_l, done, units, factors[item.source]) for item in made.items],
        needs=[_need(need, units) for need in made.needs],
        notes=[_sentence(note) for note in notes],
        unit=units.volume.value,
        litres_in_unit=1.0 / units.litres(1.0).number,
    )


def words_of(what: Litres, litres: float, units: DisplayUnits) -> str:
    """Put into words what a tray got."""
    amount = units.litres_as(litres, ".1f")
    match what:
        case Litres.FILLED:
            return f"Filled to its mark with {amount}"
        case Litres.EXCHANGED:
            return f"Flush: {amount} tipped out and replaced"
        case Litres.FLUSHED:
            return f"Flush: {amount} poured through"
        case _:
            return f"{amount} poured in"


def _tray(item: Item, can_l: float, done: Sequence[Done], units: DisplayUnits, factor: float) -> TrayShown:
    acts = []
    if item.flush is not None and item.flush_l > 0.0:
        how = item.flush_in_words(units.litres_as(item.flush_l, ".1f"))
        acts.append(ActShown(kind=FLUSH, amount=item.flush_l, words=f"Flush: {how}", tick=""))
    if item.give_l > 0.0:
        litres = units.litres_as(item.give_l, ".1f")
        words = f"Pour in {litres}{_cans(item.give_l / can_l)}"
        acts.append(ActShown(kind=GIVE, amount=item.give_l, words=words, tick=""))
    notes = [_sentence(note) for note in item.notes]
    if item.left_out:
        which = {GIVE: "its water", FLUSH: "its flush"}
        notes.append(
            f"Left out because the water is short: {' and '.join(which[one] for one in item.left_out)}."
        )
    if item.sample_due:
        acts.append(ActShown(kind=SAMPLE, amount=0.0, words="Measure its water", tick=""))
    return TrayShown(
        id=item.ident,
        name=item.name,
        water=item.source,
        acts=acts,
        solids=units.solids.value,
        scale=units.scale(factor),
        done=[
            ActShown(kind=one.kind, amount=one.amount, words=one.words, tick=one.tick)
            for one in done
            if one.tray == item.ident
        ],
        state=(
            f"{item.depth_mm:.0f} of {item.mark_mm:.0f} mm deep, about {item.ppm:.0f} ppm. "
            f"Dry {_when(item.dry)}, over its limit {_when(item.limit)}."
        ),
        notes=notes,
    )


def _need(need: Need, units: DisplayUnits) -> str:
    needed = units.litres_as(need.needed_l, ".1f")
    if need.available_l is None:
        return f"{needed} from {need.source}, whose litres are not known."
    has = units.litres_as(need.available_l, ".1f")
    return f"{needed} from {need.source}, which has {has}." if need.covered else (
        f"{needed} from {need.source}, which has only {has}."
    )  # fmt: skip


def _cans(cans: float) -> str:
    if cans < 0.1:
        return ""
    return f", {cans:.1f} can" + ("" if round(cans, 1) == 1.0 else "s")


def _when(days: Days) -> str:
    if days.median <= 0.0:
        return "now"
    if not days.within_horizon:
        return f"in more than {HORIZON_DAYS} days"
    late = f"{days.high80:.0f}" if math.isfinite(days.high80) else f"more than {HORIZON_DAYS}"
    return f"in {days.low80:.0f} to {late} days" if f"{days.low80:.0f}" != late else f"in {late} days"


def _sentence(note: str) -> str:
    return f"{note[:1].upper()}{note[1:]}{'' if note.endswith(('.', ':')) else '.'}"
