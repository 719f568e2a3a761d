"""The story of the demo as a table of chapters, and the demo's screen. Core.

The observer is a subscriber like any hub: it knows only what the bridge publishes. The screen is the normal
terminal view with the story below it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto

from bridge.display.terminal import WIDTH, Selection, cropped, screen
from bridge.display.text import cut
from bridge.display.topics import bridges
from bridge.mqtt.topics import Layout
from bridge.units import DisplayUnits


class Action(Enum):
    """A person's action at the end of a chapter."""

    NOTHING = auto()
    DRAW = auto()
    """Water the plants."""
    TRY_RESET = auto()
    """Press reset without having changed the cartridge."""
    CHANGE_CARTRIDGE = auto()
    """Insert a new cartridge, enter the change, press reset."""
    ACKNOWLEDGE = auto()
    STOP = auto()
    """Stop the bridge, as the service manager does."""


@dataclass(frozen=True, slots=True)
class Observed:
    """The data of a subscriber: the retained values, and the last lines of ``$log``."""

    retained: Mapping[str, str]
    log_lines: tuple[str, ...]
    root: str
    device: str

    @classmethod
    def of(
        cls, layout: Layout, reservoir: str, retained: Mapping[str, str], log_lines: tuple[str, ...]
    ) -> "Observed":
        """Collect the data of one reservoir of a bridge."""
        return cls(retained, log_lines, layout.base(layout.bridge), layout.base(layout.device(reservoir)))

    def value(self, path: str) -> str:
        """Return the value of one property, or an empty text."""
        return self.retained.get(f"{self.device}/{path}", "")


@dataclass(frozen=True, slots=True)
class Chapter:
    """One state that must be observed, and the action that follows."""

    title: str
    reached: Callable[[Observed], bool]
    then: Action = Action.NOTHING


def _shut(h: Observed) -> bool:
    return h.value("valve/decided") == "shut" and h.value("valve/reported") == "shut"


def _flows(h: Observed) -> bool:
    return h.value("valve/reported") == "fill" and h.value("fill/phase") == "fill"


def _full(h: Observed) -> bool:
    return h.value("reservoir/zone") == "full" and h.value("fill/phase") == "idle" and _shut(h)


def _tripped(h: Observed) -> bool:
    return h.value("health/first-out") == "product-over-limit"


CHAPTERS: tuple[Chapter, ...] = (
    Chapter(
        "the bridge and its reservoir are announced",
        lambda h: (
            h.retained.get(f"{h.root}/$state") == "ready"
            and h.retained.get(f"{h.device}/$state") == "ready"
            and bool(h.retained.get(f"{h.device}/$description"))
        ),
    ),
    Chapter("the level is low and the reservoir fills", _flows),
    Chapter("filled to the mark, valve shut", _full, Action.DRAW),
    Chapter("water is drawn off until the refill mark", lambda h: h.value("reservoir/zone") == "low"),
    Chapter("it refills by itself", _flows),
    Chapter("filled again", _full, Action.DRAW),
    Chapter("drawn off again", lambda h: h.value("reservoir/zone") == "low"),
    Chapter("the purifier is exhausted: product over the limit, trip", _tripped),
    Chapter("the valve is shut", _shut),
    Chapter(
        "the alert is retained on the hub",
        lambda h: bool(h.retained.get(f"{h.device}/$alert/product-over-limit")),
        Action.TRY_RESET,
    ),
    Chapter(
        "a reset without a new cartridge is refused",
        lambda h: _tripped(h) and any("cannot be reset yet" in line for line in h.log_lines),
        Action.CHANGE_CARTRIDGE,
    ),
    Chapter(
        "cartridge changed, trip reset", lambda h: h.value("health/first-out") == "none", Action.ACKNOWLEDGE
    ),
    Chapter("the alert is deleted", lambda h: not h.retained.get(f"{h.device}/$alert/product-over-limit")),
    Chapter("it refills with the new cartridge", _flows),
    Chapter("filled to the mark, water suitable", lambda h: _full(h) and _suitable(h), Action.STOP),
    Chapter("a clean stop", lambda h: h.retained.get(f"{h.root}/$state") == "disconnected"),
)
"""The chapters of the demo, in this order."""


def _suitable(h: Observed) -> bool:
    return h.value("reservoir/verdict") == "suitable"


@dataclass(slots=True)
class Story:
    """The progress of the story.

    Attributes:
        chapter: how many chapters are complete.
    """

    chapter: int = 0

    @property
    def over(self) -> bool:
        """Whether all chapters are complete."""
        return self.chapter == len(CHAPTERS)

    @property
    def waits_for(self) -> str:
        """The title of the next chapter; empty if all are complete."""
        return "" if self.over else CHAPTERS[self.chapter].title

    def advance(self, observed: Observed) -> Chapter | None:
        """Return the chapter that is now complete, or None. Call again, as the next may be complete too."""
        if self.over or not CHAPTERS[self.chapter].reached(observed):
            return None
        self.chapter += 1
        return CHAPTERS[self.chapter - 1]


_LAST = 3
"""Lines of the story that stay visible."""


def lines(observed: Observed, done: Sequence[str], waits_for: str, rows: int = 60) -> list[str]:
    """Return the screen: the view, cut so that the story fits below it.

    Args:
        observed: the subscriber's data.
        done: the lines of the complete chapters.
        waits_for: the title of the next chapter.
        rows: the rows of the window.
    """
    goal = [f"waiting: {waits_for}"] if waits_for else []
    story = [cut(line, WIDTH) for line in (*done[-_LAST:], *goal)]
    found = bridges(observed.retained, observed.root.split("/", 1)[0], DisplayUnits(), {})
    view = screen(Selection("the demo's broker"), found, None)
    return ["", *cropped(view, rows - len(story) - 2), "", *story]
