"""The terminal view of one reservoir: the facts as lines of plain text, without colour. Core.

What is needed at once stands at the top, so that a low window cuts off what can wait. Nothing is told by a
sign alone: every mark has its word beside it.
"""

from collections.abc import Iterator

from bridge.display.columns import cut, padded, width, wrapped
from bridge.display.facts import Facts
from bridge.display.words import ANSWERS

WIDTH = 80
NARROWEST = 40
CAUTION = (
    "No conductivity reading shows microbes, pesticides, lead or solvents: never that water is safe to drink."
)
_LABEL = 13
_BAR = 30
_ZONES = {
    "low": "low: a fill is due",
    "middle": "between the marks",
    "full": "full",
    "unknown": "level not known",
}
_VALVES = {
    "shut": "SHUT",
    "fill": "OPEN to the reservoir",
    "drain": "OPEN to the drain",
    "unknown": "NOT KNOWN whether open or shut",
}
_FLOATS = {True: "; the overflow float is UP", False: "; the overflow float is down", None: ""}


def lines(facts: Facts, columns: int = WIDTH) -> list[str]:
    """One reservoir's view.

    :param columns: how wide a line may be, at least :data:`NARROWEST`.
    """
    made = [heading(facts.name, facts.id, facts.time, columns)]
    for label, texts in _rows(facts):
        made += row(label, texts, columns)
    return made


def silent(name: str, ident: str, silence: str, columns: int = WIDTH) -> list[str]:
    """The view of a reservoir of which nothing is known now, and why."""
    made = [heading(name, ident, "", columns)]
    return [*made, *row("Use it?", (ANSWERS["unknown"], silence), columns)]


def heading(name: str, ident: str, time: str, columns: int = WIDTH) -> str:
    """The first line of a view: whose it is, and when it was so."""
    when = cut(time, columns // 3)
    room = columns - width(when) - 2
    # The id says which one is meant even where two have one name, so it is the name that is cut.
    which = cut(f" ({ident})", room // 2)
    return (padded(f"{cut(name, room - width(which))}{which}", columns - width(when)) + when).rstrip()


def row(label: str, texts: tuple[str, ...], columns: int = WIDTH) -> list[str]:
    """A label and texts beside it, each from a line of its own on."""
    made: list[str] = []
    for text in texts:
        for line in wrapped(text, columns - _LABEL - 1):
            made.append(f" {padded('' if made else label, _LABEL)}{line}".rstrip())
    return made


def _rows(facts: Facts) -> Iterator[tuple[str, tuple[str, ...]]]:
    use, valve = facts.use, facts.valve
    yield "Use it?", (use.answer, use.reason)
    yield "Valve", (f"{_VALVES.get(valve.state, valve.state)}, {valve.phase_words}.", valve.why)
    if facts.hold:
        yield "Hold", ("Filling is on hold until somebody releases it.",)
    if not facts.link:
        yield "Link", ("The controller is not heard, so nothing of it is known now.",)
    if valve.first_out is not None:
        yield "First trip", (f"{valve.first_out.id}: {valve.first_out.sentence}",)
    for trip in valve.trips:
        yield "Latched", (f"{trip.id}. {trip.reset_rule}",)
    yield "Reservoir", tuple(_reservoir(facts))
    yield "Product", tuple(_product(facts))
    if facts.feed is not None:
        feed = facts.feed
        yield "Feed", (_joined(", ", feed.text or "not known", feed.temperature, _probe(feed.health)),)
    yield "Purifier", (_purifier(facts),)
    yield "Fill", (_fill(facts),)
    for alarm in facts.alarms or ():
        shelved = ", shelved" if alarm.shelved else ""
        # The first trip's sentence stands above already.
        said = valve.first_out is not None and valve.first_out.id == alarm.id
        yield "Alarm", (f"{alarm.id} ({alarm.state_words}{shelved}){'' if said else f': {alarm.sentence}'}",)
    if not facts.alarms:
        yield "Alarms", ("none",)
    yield "Permissives", tuple(_permissives(facts))
    if facts.controller:
        yield "Controller", (facts.controller,)


def _reservoir(facts: Facts) -> Iterator[str]:
    reservoir = facts.reservoir
    if reservoir.volume is not None and reservoir.fraction is not None:
        yield f"{_bar(reservoir.fraction)} {reservoir.volume} of {reservoir.capacity}"
    zone = _ZONES.get(reservoir.zone, reservoir.zone)
    yield f"{zone[:1].upper()}{zone[1:]}{_FLOATS[reservoir.overflow]}."
    held = None if reservoir.ppm is None else f"about {reservoir.ppm} by the mixing balance"
    cover = None if reservoir.cover is None else f"lasts {reservoir.cover} with nothing flowing in"
    told = _joined("; ", held, cover)
    if told:
        yield f"{told[:1].upper()}{told[1:]}."


def _product(facts: Facts) -> Iterator[str]:
    product = facts.product
    yield _joined(" ", product.text or "not known", product.uncertainty) + f", scale: {product.scale}"
    yield f"Limit {product.limit}, advised under {product.advice}"
    yield _joined(", ", product.temperature, _probe(product.health))


def _probe(health: str) -> str:
    return f"probe: {health.replace('-', ' ')}"


def _purifier(facts: Facts) -> str:
    purifier = facts.purifier
    lasts = None if purifier.days is None else f"lasts {purifier.days} more"
    left = None if purifier.litres is None else f"about {purifier.litres} left"
    order = "ORDER the next one now" if purifier.order_now else None
    treated = None if purifier.treated is None else f"has treated {purifier.treated}"
    load = None if purifier.load is None else f"took up {purifier.load}"
    rejection = None if purifier.rejection is None else f"rejects {purifier.rejection}"
    return _joined(", ", order, lasts, left, treated, load, rejection) or "nothing is known of it"


def _fill(facts: Facts) -> str:
    fill = facts.fill
    this = None if fill.volume is None else f"{fill.volume} in {fill.minutes} min, this one or the last"
    today = None if fill.today is None else f"{fill.today} today"
    return _joined("; ", today, this) or f"{fill.minutes} min, this one or the last"


def _permissives(facts: Facts) -> Iterator[str]:
    permissives = facts.valve.permissives
    holding = [one.id for one in permissives if one.holds]
    yield f"{len(holding)} of {len(permissives)} hold."
    for one in permissives:
        if not one.holds:
            yield f"NO:  {one.label} ({one.id})"
    if holding:
        # By their ids, as in the log and the manual: the whole list must not push the rest out of a window.
        yield f"yes: {', '.join(holding)}"


def _bar(fraction: float) -> str:
    filled = round(_BAR * max(0.0, min(1.0, fraction)))
    return f"[{'#' * filled}{'.' * (_BAR - filled)}]"


def _joined(between: str, *parts: str | None) -> str:
    return between.join(part for part in parts if part)
