"""The watering round in words."""

import math
from collections.abc import Iterator

from bridge.trays.outlook import HORIZON_DAYS, Days
from bridge.trays.round import Item
from bridge.trays.seasons import FROST_SENTENCES, ROOF_CAUTION, Frost
from bridge.units import DisplayUnits
from bridge.watering.gather import Found

CAUTION = "No reading shows that water is safe to drink."


def lines(found: Found, units: DisplayUnits) -> Iterator[str]:
    """Put a round into words, tray by tray in the order of the benches."""
    made = found.round
    yield f"Watering round of {made.day}"
    if found.away is not None:
        yield f"Before the absence from {found.away.first} to {found.away.last}: fill towards the rim."
    if found.frost is not Frost.NONE:
        yield f"Frost: {FROST_SENTENCES[found.frost]}"
    for number, item in enumerate(made.items, start=1):
        yield ""
        yield f"{number}. {item.name} ({item.ident})"
        for text in _item(item, units):
            yield f"   {text}"
    yield ""
    for need in made.needs:
        needed = units.litres_as(need.needed_l, ".1f")
        if need.available_l is None:
            yield f"{need.source}: the round needs {needed}; its litres are not known"
        else:
            has = units.litres_as(need.available_l, ".1f")
            covers = "enough" if need.covered else "not enough"
            yield f"{need.source}: the round needs {needed} of {has}: {covers}"
    for ident, compared in found.unexplained.items():
        left, given = (units.litres_as(one, ".1f") for one in (compared.left_l, compared.given_l))
        text = f"{ident}: in a week {left} left it and {given} were given"
        if compared.is_missing:
            missing = units.litres_as(compared.missing_l, ".1f")
            text += f"; {missing} are missing: spilt, not entered, or a leak"
        yield text
    yield from made.notes
    if found.assumed:
        yield f"Nobody has measured {', '.join(found.assumed)}: its target is assumed; enter a sample."
    if found.weather_days == 0:
        yield "No weather is known, so the days are usual ones; see 'clearwell manual trays'."
    yield "Enter what is done: clearwell round --done TRAY, with --litres L if you filled it to its mark."
    yield f"{CAUTION} {ROOF_CAUTION.partition('. ')[0]}."


def _item(item: Item, units: DisplayUnits) -> Iterator[str]:
    if item.flush is not None:
        litres = units.litres_as(item.flush_l, ".1f")
        how = f"tip out {litres} and replace it" if item.exchange else f"pour {litres} through"
        lasts = "" if item.flush.weeks >= 52.0 else f", which lasts about {item.flush.weeks:.1f} weeks"
        yield f"flush: {how}, with water of {item.flush.water}{lasts}"
    if item.give_l > 0.0:
        cans = f"{item.cans:.1f} can" + ("" if round(item.cans, 1) == 1.0 else "s")
        yield f"give {units.litres_as(item.give_l, '.1f')} ({cans})"
    if item.flush is None and item.give_l == 0.0 and not item.left_out:
        yield "nothing to give"
    if item.left_out:
        words = {"give": "its water", "flush": "its flush"}
        yield f"left out because the water is short: {' and '.join(words[one] for one in item.left_out)}"
    if item.sample_due:
        yield f"measure it: clearwell sample --of tray.{item.ident}"
    water = f"{item.ppm:.3g} ± {item.expanded_ppm:.2g} ppm"
    yield f"about {item.depth_mm:.0f} of {item.mark_mm:g} mm deep, {water}"
    yield f"dry {_days(item.dry)}, over its limit {_days(item.limit)}"
    yield from item.notes


def _days(days: Days) -> str:
    if days.median <= 0.0:
        return "now"
    if not days.within_horizon:
        return f"in more than {HORIZON_DAYS} days"
    late = f"{days.high80:.0f}" if math.isfinite(days.high80) else f"more than {HORIZON_DAYS}"
    return f"in {days.median:.0f} days ({days.low80:.0f} to {late})"
