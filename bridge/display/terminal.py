"""The terminal view: facts as lines of plain text, without colour; one screen, or its changed lines. Core.

The most urgent facts are at the top, so that a low window cuts off the less urgent ones. Every sign has a
word beside it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from bridge.display import Facts
from bridge.display.text import cut, padded, width, wrapped
from bridge.display.topics import RemoteBridge, RemoteReservoir
from bridge.guard.model import Permissive

WIDTH = 80
NARROWEST = 40
CAUTION = (
    "No conductivity reading shows microbes, pesticides, lead or solvents: never that water is safe to drink."
)
_LABEL = 13
_BAR = 30
_ZONES = {
    "low": "low: a fill is due",
    "middle": "between the low mark and the full mark",
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


def lines(facts: Facts, columns: int = WIDTH, *, exact: bool = False) -> list[str]:
    """Return one reservoir's view.

    Args:
        facts: the reservoir's facts.
        columns: the greatest width of a line, at least `NARROWEST`.
        exact: whether dissolved solids have all their digits and their uncertainty.
    """
    made = [heading(facts.name, facts.id, facts.time, columns)]
    for label, texts in _rows(facts, exact):
        made += row(label, texts, columns)
    return made


HEADINGS = ("Reservoir", "Use it?", "Water", "Lasts", "Valve", "Alarms")


def cells(facts: Facts) -> tuple[str, ...]:
    """Return what a grower needs first, in the columns of `HEADINGS`."""
    valve, reservoir = facts.valve, facts.reservoir
    water = {"unknown": "not known"}.get(reservoir.zone, reservoir.zone)
    if reservoir.volume is not None:
        share = None if reservoir.fraction is None else f"({100.0 * reservoir.fraction:.0f} %)"
        water = _joined(" ", reservoir.volume, share)
    state = {"fill": "OPEN", "drain": "OPEN", "unknown": "not known"}.get(valve.state, valve.state)
    alarms = "trip" if valve.trips else str(len(facts.alarms)) if facts.alarms else "none"
    return facts.name, facts.use.word, water, reservoir.cover or "not known", state, alarms


def troubles(facts: Facts) -> Iterator[str]:
    """Yield the few sentences about what is wrong."""
    use, valve = facts.use, facts.valve
    if not facts.link:
        yield "The controller does not answer, so its present state is not known."
    if facts.hold:
        yield "Filling is on hold until somebody releases it."
    if valve.first_out is not None:
        yield f"First trip: {valve.first_out.sentence}"
    if use.verdict != "suitable":
        yield use.reason
    if valve.first_out is None and facts.alarms:
        more = len(facts.alarms) - 1
        yield f"{facts.alarms[0].sentence}" + (f" And {more} more." if more else "")
    if facts.purifier.order_now:
        yield "Order the next cartridge now."


def unknown(name: str, ident: str, reason: str, columns: int = WIDTH) -> list[str]:
    """Return the view of a reservoir of which nothing is known now, with the reason."""
    made = [heading(name, ident, "", columns)]
    return [*made, *row("Use it?", ("Not known now.", reason), columns)]


def heading(name: str, ident: str, time: str, columns: int = WIDTH) -> str:
    """Return the first line of a view: name, id and time."""
    when = cut(time, columns // 3)
    room = columns - width(when) - 2
    # Two reservoirs may have the same name but not the same id, so a long name is cut first.
    which = cut(f" ({ident})", room // 2)
    return (padded(f"{cut(name, room - width(which))}{which}", columns - width(when)) + when).rstrip()


def row(label: str, texts: tuple[str, ...], columns: int = WIDTH) -> list[str]:
    """Return a label with texts beside it; each text starts on a new line."""
    made: list[str] = []
    for text in texts:
        for line in wrapped(text, columns - _LABEL - 1):
            made.append(f" {padded('' if made else label, _LABEL)}{line}".rstrip())
    return made


def _rows(facts: Facts, exact: bool) -> Iterator[tuple[str, tuple[str, ...]]]:
    use, valve = facts.use, facts.valve
    yield "Use it?", (_answer(use.word, use.advice), use.reason)
    yield "Valve", (f"{_VALVES.get(valve.state, valve.state)}, {valve.phase_words}.", valve.why)
    if facts.hold:
        yield "Hold", ("Filling is on hold until somebody releases it.",)
    if not facts.link:
        yield "Link", ("The controller does not answer, so its present state is not known.",)
    if valve.first_out is not None:
        yield "First trip", (f"{valve.first_out.id}: {valve.first_out.sentence}",)
    for trip in valve.trips:
        yield "Latched", (f"{trip.id}. {trip.reset_rule}",)
    yield "Reservoir", tuple(_reservoir(facts, exact))
    yield "Product", tuple(_product(facts, exact))
    if facts.feed is not None:
        feed = facts.feed
        yield "Feed", (_joined(", ", feed.text or "not known", feed.temperature, _probe(feed.health)),)
    yield "Purifier", (_purifier(facts),)
    yield "Fill", (_fill(facts),)
    for alarm in facts.alarms or ():
        shelved = ", shelved" if alarm.shelved else ""
        # The first trip's sentence is already shown above.
        shown = valve.first_out is not None and valve.first_out.id == alarm.id
        yield "Alarm", (f"{alarm.id} ({alarm.state_words}{shelved}){'' if shown else f': {alarm.sentence}'}",)
    if not facts.alarms:
        yield "Alarms", ("none",)
    yield "Permissives", tuple(_permissives(facts))
    if facts.controller:
        yield "Controller", (facts.controller,)


def _answer(word: str, advice: str) -> str:
    return f"{word}. {advice}"


def _reservoir(facts: Facts, exact: bool) -> Iterator[str]:
    reservoir = facts.reservoir
    if reservoir.volume is not None and reservoir.fraction is not None:
        yield f"{_bar(reservoir.fraction)} {reservoir.volume} of {reservoir.capacity}"
    zone = _ZONES.get(reservoir.zone, reservoir.zone)
    yield f"{zone[:1].upper()}{zone[1:]}{_FLOATS[reservoir.overflow]}."
    ppm = _joined(" ", reservoir.ppm, reservoir.uncertainty) if exact else reservoir.plain
    held = f"{ppm} {reservoir.basis_words}" if ppm else None
    cover = None if reservoir.cover is None else f"lasts {reservoir.cover} without a fill"
    sentence = _joined("; ", held, cover)
    if sentence:
        yield f"{sentence[:1].upper()}{sentence[1:]}."


def _product(facts: Facts, exact: bool) -> Iterator[str]:
    product = facts.product
    yield f"{product.state_words[:1].upper()}{product.state_words[1:]}."
    ppm = _joined(" ", product.text, product.uncertainty) if exact else product.plain
    yield f"{ppm or 'not known'}, scale: {product.scale}"
    yield f"Limit {product.limit}, target under {product.target}"
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
    return _joined(", ", order, lasts, left, treated, load, rejection) or "not known"


def _fill(facts: Facts) -> str:
    fill = facts.fill
    this = None if fill.volume is None else f"{fill.volume} in {fill.minutes} min, this fill or the last"
    today = None if fill.today is None else f"{fill.today} today"
    return _joined("; ", today, this) or f"{fill.minutes} min, this fill or the last"


def _permissives(facts: Facts) -> Iterator[str]:
    permissives = facts.valve.permissives
    holding = [one.id for one in permissives if one.holds]
    yield f"{len(holding)} of {len(permissives)} hold."
    for one in permissives:
        if not one.holds and one.id == Permissive.BELOW_FILL_MARK.value and facts.reservoir.zone == "full":
            # Between two fills this is the usual state, and no fault.
            yield f"full: the reservoir needs no water ({one.id})"
        elif not one.holds:
            yield f"NO:  {one.label} ({one.id})"
    if holding:
        # Their ids are short, so the list does not push other lines out of the window.
        yield f"yes: {', '.join(holding)}"


def _bar(fraction: float) -> str:
    filled = round(_BAR * max(0.0, min(1.0, fraction)))
    return f"[{'#' * filled}{'.' * (_BAR - filled)}]"


def _joined(between: str, *parts: str | None) -> str:
    return between.join(part for part in parts if part)


@dataclass(frozen=True, slots=True)
class Selection:
    """Which bridges and reservoirs are shown.

    Attributes:
        where: the broker and the topics, for a sentence.
        bridge: the id of the one bridge to show; None for all.
        reservoir: the id of the one reservoir to show; None for all.
    """

    where: str
    bridge: str | None = None
    reservoir: str | None = None

    def of(self, found: Sequence[RemoteBridge]) -> tuple[RemoteBridge, ...]:
        """Return the selected bridges."""
        return tuple([one for one in found if self.bridge is None or one.id == self.bridge])

    def reservoirs(self, found: Sequence[RemoteBridge]) -> tuple[RemoteReservoir, ...]:
        """Return the selected reservoirs."""
        every = [one for bridge in self.of(found) for one in bridge.reservoirs]
        return tuple([one for one in every if self.reservoir is None or one.id == self.reservoir])

    def no_bridge(self) -> str:
        """Return the sentence for the case that there is no such bridge."""
        which = "There is no bridge" if self.bridge is None else f"There is no bridge '{self.bridge}'"
        return (
            f"{which} on {self.where}. Check that it runs, and that the broker's access rules let this user "
            "read there"
        )

    def no_reservoir(self, found: Sequence[RemoteBridge]) -> str:
        """Return the sentence for the case that there is no such reservoir."""
        names = dict.fromkeys(one.id for bridge in self.of(found) for one in bridge.reservoirs)
        there = ", ".join(names) or "none yet"
        return f"There is no reservoir '{self.reservoir}' on {self.where}; there are: {there}"


def screen(
    selection: Selection,
    found: Sequence[RemoteBridge],
    trouble: str | None,
    columns: int = WIDTH,
    *,
    exact: bool = False,
) -> list[str]:
    """Return the whole screen.

    Args:
        selection: the bridges and reservoirs to show.
        found: the bridges on the broker.
        trouble: why the broker cannot be used, as sentences; then no value is shown as live.
        columns: the greatest width of a line.
        exact: whether dissolved solids have all their digits and their uncertainty.
    """
    bridges, shown = selection.of(found), selection.reservoirs(found)
    made: list[str] = []
    if trouble is not None:
        made += wrapped(trouble, columns)
    elif not bridges:
        made += wrapped(f"{selection.no_bridge()}.", columns)
    elif not shown:
        made += wrapped(
            f"{selection.no_reservoir(found)}." if selection.reservoir else "The bridge has no reservoir.",
            columns,
        )
    for one in shown:
        if made:
            made.append("")
        if one.facts is None or trouble is not None:
            made += unknown(one.name, one.id, one.reason or "The broker does not answer.", columns)
        else:
            made += lines(one.facts, columns, exact=exact)
    return [*made, "", *wrapped(CAUTION, columns)]


def cropped(whole: Sequence[str], rows: int, columns: int = WIDTH) -> list[str]:
    """Cut a screen to the rows of a window. The last lines are the number of lines cut, and the caution."""
    if len(whole) <= rows:
        return list(whole)
    caution = wrapped(CAUTION, columns)
    end = caution if rows > 2 * len(caution) else []
    kept = max(rows - 1 - len(end), 0)
    more = f"({len(whole) - kept - len(end)} more lines: a higher window, or --reservoir, shows them)"
    return [*whole[:kept], cut(more, columns), *end]


def changes(before: Sequence[str], after: Sequence[str]) -> list[str]:
    """Return the parts of a screen that have changed, for output line by line.

    Each part is complete, with its label, and follows the heading of its reservoir.
    """
    known = set(_parts(before))
    made: list[str] = []
    last = None
    for section, heading, part in _parts(after):
        if (section, heading, part) in known:
            continue
        if heading and section != last:
            made.append(_sections(after)[section][0])
            last = section
        made += part
    return made


def _sections(whole: Sequence[str]) -> list[list[str]]:
    """Split a screen at its empty lines."""
    sections: list[list[str]] = [[]]
    for line in whole:
        if line:
            sections[-1].append(line)
        elif sections[-1]:
            sections.append([])
    return sections


def _parts(whole: Sequence[str]) -> list[tuple[int, bool, tuple[str, ...]]]:
    """Return every labelled part: its section, whether that has a heading, and its lines."""
    parts: list[tuple[int, bool, tuple[str, ...]]] = []
    for number, section in enumerate(_sections(whole)):
        headed = any(line.startswith(" ") for line in section)
        part: list[str] = []
        for line in section[1:] if headed else section:
            if headed and part and not line.startswith("  "):
                parts.append((number, headed, tuple(part)))
                part = []
            part.append(line)
        if part:
            parts.append((number, headed, tuple(part)))
    return parts
