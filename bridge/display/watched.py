"""What somebody who watches bridges sees: one screen, or the lines of it that have changed. Core."""

from collections.abc import Sequence
from dataclasses import dataclass

from bridge.display.columns import cut, wrapped
from bridge.display.heard import HeardBridge, HeardReservoir
from bridge.display.terminal import CAUTION, WIDTH, lines, silent


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
