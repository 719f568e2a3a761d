"""The story that the demo must tell, as a table of chapters, judged from what the broker publishes. Core.

The judge is a subscriber like any hub: it knows nothing that was not published.

The demo's screen: the view that everybody has of a running bridge, and below it the story. Core.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto

from bridge.display.terminal import WIDTH, Selection, cropped, screen
from bridge.display.text import cut
from bridge.display.topics import bridges
from bridge.mqtt.topics import Layout
from bridge.units import DisplayUnits


class Deed(Enum):
    """What somebody in the tunnel does when a chapter is over."""

    NOTHING = auto()
    DRAW = auto()
    """Water the plants."""
    TRY_RESET = auto()
    """Press reset without having changed the cartridge."""
    CHANGE_CARTRIDGE = auto()
    """Put in a new cartridge, tell the bridge, reset."""
    ACKNOWLEDGE = auto()
    STOP = auto()
    """Stop the bridge, as the service manager would."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What a subscriber knows: the retained values, and the lines said on ``$log``."""

    kept: Mapping[str, str]
    said: tuple[str, ...]
    root: str
    device: str

    @classmethod
    def of(cls, layout: Layout, reservoir: str, kept: Mapping[str, str], said: tuple[str, ...]) -> "Heard":
        """What was heard of one reservoir of a bridge."""
        return cls(kept, said, layout.base(layout.bridge), layout.base(layout.device(reservoir)))

    def value(self, path: str) -> str:
        """The value of one property, or an empty text."""
        return self.kept.get(f"{self.device}/{path}", "")


@dataclass(frozen=True, slots=True)
class Chapter:
    """One thing that must be seen, and what somebody does then."""

    title: str
    told: Callable[[Heard], bool]
    then: Deed = Deed.NOTHING


def _shut(h: Heard) -> bool:
    return h.value("valve/decided") == "shut" and h.value("valve/reported") == "shut"


def _flows(h: Heard) -> bool:
    return h.value("valve/reported") == "fill" and h.value("fill/phase") == "fill"


def _full(h: Heard) -> bool:
    return h.value("reservoir/zone") == "full" and h.value("fill/phase") == "idle" and _shut(h)


def _tripped(h: Heard) -> bool:
    return h.value("health/first-out") == "product-over-limit"


STORY: tuple[Chapter, ...] = (
    Chapter(
        "the bridge and its reservoir are announced",
        lambda h: (
            h.kept.get(f"{h.root}/$state") == "ready"
            and h.kept.get(f"{h.device}/$state") == "ready"
            and bool(h.kept.get(f"{h.device}/$description"))
        ),
    ),
    Chapter("the level is low and the reservoir fills", _flows),
    Chapter("filled to the mark, valve shut", _full, Deed.DRAW),
    Chapter("water is drawn off until the refill mark", lambda h: h.value("reservoir/zone") == "low"),
    Chapter("it refills by itself", _flows),
    Chapter("filled again", _full, Deed.DRAW),
    Chapter("drawn off again", lambda h: h.value("reservoir/zone") == "low"),
    Chapter("the purifier is exhausted: product over the limit, trip", _tripped),
    Chapter("the valve is shut", _shut),
    Chapter(
        "the alert stands on the hub",
        lambda h: bool(h.kept.get(f"{h.device}/$alert/product-over-limit")),
        Deed.TRY_RESET,
    ),
    Chapter(
        "a reset without a new cartridge is refused",
        lambda h: _tripped(h) and any("cannot be reset yet" in line for line in h.said),
        Deed.CHANGE_CARTRIDGE,
    ),
    Chapter(
        "cartridge changed, trip reset", lambda h: h.value("health/first-out") == "none", Deed.ACKNOWLEDGE
    ),
    Chapter("the alert is gone", lambda h: not h.kept.get(f"{h.device}/$alert/product-over-limit")),
    Chapter("it refills with the new cartridge", _flows),
    Chapter("filled to the mark, water suitable", lambda h: _full(h) and _suitable(h), Deed.STOP),
    Chapter("a clean stop", lambda h: h.kept.get(f"{h.root}/$state") == "disconnected"),
)
"""What the demo must show, in this order."""


def _suitable(h: Heard) -> bool:
    return h.value("product/verdict") == "suitable"


@dataclass(slots=True)
class Teller:
    """Follows the story."""

    chapter: int = 0

    @property
    def over(self) -> bool:
        """Every chapter was seen."""
        return self.chapter == len(STORY)

    @property
    def waits_for(self) -> str:
        """What must be seen next."""
        return "" if self.over else STORY[self.chapter].title

    def hear(self, heard: Heard) -> Chapter | None:
        """The chapter that this completes, if it does; then call again, the next may be complete too."""
        if self.over or not STORY[self.chapter].told(heard):
            return None
        self.chapter += 1
        return STORY[self.chapter - 1]


_TOLD = 3
"""Lines of the story that stay in sight."""


def lines(heard: Heard, told: Sequence[str], waits_for: str, rows: int = 60) -> list[str]:
    """The screen, in at most so many rows, of which the story has what it needs."""
    goal = [f"waiting: {waits_for}"] if waits_for else []
    story = [cut(line, WIDTH) for line in (*told[-_TOLD:], *goal)]
    found = bridges(heard.kept, heard.root.split("/", 1)[0], DisplayUnits(), {})
    view = screen(Selection("the demo's broker"), found, None)
    return ["", *cropped(view, rows - len(story) - 2), "", *story]
