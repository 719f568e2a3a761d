"""The terminal view of one reservoir: the facts as lines of plain text, without colour. Core.

What is needed at once stands at the top, so that a low window cuts off what can wait. Nothing is told by a
sign alone: every mark has its word beside it.

What somebody who watches bridges sees: one screen, or the lines of it that have changed. Core.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from bridge.display.facts import Facts
from bridge.display.reasons import ANSWERS
from bridge.display.text import cut, padded, width, wrapped
from bridge.display.topics import HeardBridge, HeardReservoir

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


@dataclass(frozen=True, slots=True)
class Watch:
    """What is looked at.

    :param where: the broker and the topics, for a sentence.
    :param bridge: the one bridge that is meant; None for all.
    :param reservoir: the one reservoir that is meant; None for all.
    """

    where: str
    bridge: str | None = None
    reservoir: str | None = None

    def of(self, found: Sequence[HeardBridge]) -> tuple[HeardBridge, ...]:
        """The bridges that are meant."""
        return tuple([one for one in found if self.bridge is None or one.id == self.bridge])

    def reservoirs(self, found: Sequence[HeardBridge]) -> tuple[HeardReservoir, ...]:
        """The reservoirs that are meant."""
        every = [one for bridge in self.of(found) for one in bridge.reservoirs]
        return tuple([one for one in every if self.reservoir is None or one.id == self.reservoir])

    def nobody(self) -> str:
        """The sentence for when no bridge is there."""
        which = "No bridge answers" if self.bridge is None else f"The bridge '{self.bridge}' does not answer"
        return (
            f"{which} on {self.where}. See whether it runs, and whether this user may read there by the "
            "broker's access rules"
        )

    def no_such(self, found: Sequence[HeardBridge]) -> str:
        """The sentence for when the reservoir that is meant is none of those there are."""
        there = ", ".join(one.id for bridge in self.of(found) for one in bridge.reservoirs) or "none yet"
        return f"There is no reservoir '{self.reservoir}' on {self.where}; there are: {there}"


def screen(
    watch: Watch, found: Sequence[HeardBridge], trouble: str | None, columns: int = WIDTH
) -> list[str]:
    """Everything that is looked at, as lines.

    :param trouble: why nothing can be heard, as sentences; then nothing is shown as live.
    """
    meant, shown = watch.of(found), watch.reservoirs(found)
    made: list[str] = []
    if trouble is not None:
        made += wrapped(trouble, columns)
    elif not meant:
        made += wrapped(f"{watch.nobody()}.", columns)
    elif not shown:
        made += wrapped(
            f"{watch.no_such(found)}." if watch.reservoir else "The bridge has no reservoir.", columns
        )
    for one in shown:
        if made:
            made.append("")
        if one.facts is None or trouble is not None:
            made += silent(one.name, one.id, one.silence or "The broker is not heard.", columns)
        else:
            made += lines(one.facts, columns)
    return [*made, "", *wrapped(CAUTION, columns)]


def cropped(whole: Sequence[str], rows: int, columns: int = WIDTH) -> list[str]:
    """As much of a screen as a window has rows for, and how many lines are missing; the caution stays."""
    if len(whole) <= rows:
        return list(whole)
    caution = wrapped(CAUTION, columns)
    end = caution if rows > 2 * len(caution) else []
    kept = max(rows - 1 - len(end), 0)
    more = f"({len(whole) - kept - len(end)} more lines: a higher window, or --reservoir, shows them)"
    return [*whole[:kept], cut(more, columns), *end]


def changes(before: Sequence[str], after: Sequence[str]) -> list[str]:
    """The parts of a screen that have changed, for a listener who hears one line after the other.

    Each comes whole, with its label and under the heading of its reservoir.
    """
    known = set(_parts(before))
    made: list[str] = []
    told = None
    for section, heading, part in _parts(after):
        if (section, heading, part) in known:
            continue
        if heading and section != told:
            made.append(_sections(after)[section][0])
            told = section
        made += part
    return made


def _sections(whole: Sequence[str]) -> list[list[str]]:
    """Each reservoir's lines, and what is said besides."""
    sections: list[list[str]] = [[]]
    for line in whole:
        if line:
            sections[-1].append(line)
        elif sections[-1]:
            sections.append([])
    return sections


def _parts(whole: Sequence[str]) -> list[tuple[int, bool, tuple[str, ...]]]:
    """Every labelled part: its section, whether that has a heading, and its lines."""
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
